package wire

import (
	"capd.example/internal/text"
	pb "capd.example/proto/validator/v1"
	"capd.example/record"
)

func fromPass(p record.Pass) *pb.Pass {
	m := &pb.Pass{
		Id: text.Valid(p.ID), Bench: text.Valid(p.Bench), Log: text.Valid(p.Log), Sha256: text.Valid(p.SHA256),
		StartedUnixNs: fromTime(p.StartedAt), EndedUnixNs: fromTime(p.EndedAt),
		System: text.Valid(p.System), Verdict: text.Valid(string(p.Verdict)), Overruled: text.Valid(p.Overruled),
		Metrics: fromMetrics(p.Metrics), Layout: fromLayout(p.Layout),
		Revision: int64(p.Revision), Names: cleanAll(p.Names), LogUnixNs: fromTime(p.LogAt),
	}
	if len(p.Tags) > 0 {
		m.Tags = map[string]*pb.Tag{}
	}
	for name, t := range p.Tags {
		m.Tags[text.Valid(name)] = &pb.Tag{Value: text.Valid(t.Value), From: text.Valid(string(t.From))}
	}
	for _, f := range p.Findings {
		m.Findings = append(m.Findings, fromFinding(f))
	}
	for _, c := range p.Claims {
		m.Claims = append(m.Claims, &pb.Claim{Name: text.Valid(c.Name), Value: text.Valid(c.Value),
			From: text.Valid(string(c.From)), Detail: text.Valid(c.Detail)})
	}
	for _, r := range p.Remarks {
		m.Remarks = append(m.Remarks, &pb.Remark{Kind: text.Valid(r.Kind), Line: int64(r.Line), Count: int64(r.Count),
			Text: text.Valid(r.Text)})
	}
	return m
}

func toPass(m *pb.Pass) record.Pass {
	p := record.Pass{
		ID: m.GetId(), Bench: m.GetBench(), Log: m.GetLog(), SHA256: m.GetSha256(),
		StartedAt: toTime(m.GetStartedUnixNs()), EndedAt: toTime(m.GetEndedUnixNs()),
		System: m.GetSystem(), Verdict: record.Verdict(m.GetVerdict()), Overruled: m.GetOverruled(),
		Metrics: toMetrics(m.GetMetrics()), Layout: toLayout(m.GetLayout()),
		Revision: int(m.GetRevision()), Names: m.GetNames(), LogAt: toTime(m.GetLogUnixNs()),
	}
	if len(m.GetTags()) > 0 {
		p.Tags = record.Tags{}
	}
	for name, t := range m.GetTags() {
		p.Tags[name] = record.Tag{Value: t.GetValue(), From: record.Origin(t.GetFrom())}
	}
	for _, f := range m.GetFindings() {
		p.Findings = append(p.Findings, toFinding(f))
	}
	for _, c := range m.GetClaims() {
		p.Claims = append(p.Claims, record.Claim{Name: c.GetName(), Value: c.GetValue(), From: record.Origin(c.GetFrom()),
			Detail: c.GetDetail()})
	}
	for _, r := range m.GetRemarks() {
		p.Remarks = append(p.Remarks, record.Remark{Kind: r.GetKind(), Line: int(r.GetLine()), Count: int(r.GetCount()),
			Text: r.GetText()})
	}
	return p
}

func fromMetrics(f record.Metrics) *pb.Metrics {
	return &pb.Metrics{
		Frames: int64(f.Frames), DurationS: f.DurationS, AvgFps: f.AvgFPS, MedianMs: f.MedianMS, P95Ms: f.P95MS,
		P99Ms: f.P99MS, P999Ms: f.P999MS, MaxMs: f.MaxMS, Low1Fps: f.Low1FPS, Low01Fps: f.Low01FPS,
		Low1TimeFps: f.Low1TimeFPS, P99Fps: f.P99FPS, Hitches: int64(f.Hitches),
		Low1Sparse: f.Low1Sparse, Low01Sparse: f.Low01Sparse,
	}
}

func toMetrics(m *pb.Metrics) record.Metrics {
	return record.Metrics{
		Frames: int(m.GetFrames()), DurationS: m.GetDurationS(), AvgFPS: m.GetAvgFps(), MedianMS: m.GetMedianMs(),
		P95MS: m.GetP95Ms(),
		P99MS: m.GetP99Ms(), P999MS: m.GetP999Ms(), MaxMS: m.GetMaxMs(), Low1FPS: m.GetLow1Fps(), Low01FPS: m.GetLow01Fps(),
		Low1TimeFPS: m.GetLow1TimeFps(), P99FPS: m.GetP99Fps(), Hitches: int(m.GetHitches()),
		Low1Sparse: m.GetLow1Sparse(), Low01Sparse: m.GetLow01Sparse(),
	}
}

func fromLayout(l record.Layout) *pb.Layout {
	return &pb.Layout{
		Format: text.Valid(l.Format), Compression: text.Valid(l.Compression), Encoding: text.Valid(l.Encoding),
		Delimiter: text.Valid(l.Delimiter),
		Decimal:   text.Valid(l.Decimal), Header: l.Header, Source: text.Valid(l.Source), Column: text.Valid(l.Column),
		Unit:     text.Valid(l.Unit),
		Declared: text.Valid(l.Declared), Program: text.Valid(l.Program),
	}
}

func toLayout(m *pb.Layout) record.Layout {
	return record.Layout{
		Format: m.GetFormat(), Compression: m.GetCompression(), Encoding: m.GetEncoding(), Delimiter: m.GetDelimiter(),
		Decimal: m.GetDecimal(), Header: m.GetHeader(), Source: m.GetSource(), Column: m.GetColumn(), Unit: m.GetUnit(),
		Declared: m.GetDeclared(), Program: m.GetProgram(),
	}
}
