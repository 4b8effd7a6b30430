package wire

import (
	"time"

	"capd.example/internal/text"
	pb "capd.example/proto/validator/v1"
	"capd.example/record"
)

func fromEvidence(e record.Evidence) *pb.Evidence {
	m := &pb.Evidence{
		Pass:         fromPass(e.Pass),
		Frames:       &pb.Frames{Ms: e.Frames.MS, Decimals: int32(e.Frames.Decimals)},
		Telemetry:    fromTelemetry(e.Telemetry),
		TelemetryWhy: text.Valid(e.TelemetryWhy),
		System:       fromSystem(e.System),
		Expected: &pb.Expectation{
			DurationS: e.Expected.DurationS, ToleranceS: e.Expected.ToleranceS, Passes: int64(e.Expected.Passes),
			From: text.Valid(e.Expected.From), CapFps: e.Expected.CapFPS, RefreshHz: e.Expected.RefreshHz,
		},
	}
	if len(e.Spread) > 0 {
		m.Spread = map[string]*pb.Spread{}
	}
	for metric, s := range e.Spread {
		m.Spread[text.Valid(metric)] = &pb.Spread{Sd: s.SD, Df: s.DF, From: text.Valid(s.From)}
	}
	for _, x := range e.Earlier {
		m.Earlier = append(m.Earlier, &pb.Earlier{
			Pass: fromPass(x.Pass), System: fromSystem(x.System), SecondsMs: x.SecondsMS, StartTempC: x.StartTemp,
		})
	}
	return m
}

func toEvidence(m *pb.Evidence) record.Evidence {
	x := m.GetExpected()
	e := record.Evidence{
		Pass:         toPass(m.GetPass()),
		Frames:       record.Frames{MS: m.GetFrames().GetMs(), Decimals: int(m.GetFrames().GetDecimals())},
		Telemetry:    toTelemetry(m.GetTelemetry()),
		TelemetryWhy: m.GetTelemetryWhy(),
		System:       toSystem(m.GetSystem()),
		Expected: record.Expectation{
			DurationS: x.GetDurationS(), ToleranceS: x.GetToleranceS(), Passes: int(x.GetPasses()),
			From: x.GetFrom(), CapFPS: x.GetCapFps(), RefreshHz: x.GetRefreshHz(),
		},
	}
	if len(m.GetSpread()) > 0 {
		e.Spread = map[string]record.Spread{}
	}
	for metric, s := range m.GetSpread() {
		e.Spread[metric] = record.Spread{SD: s.GetSd(), DF: s.GetDf(), From: s.GetFrom()}
	}
	for _, y := range m.GetEarlier() {
		e.Earlier = append(e.Earlier, record.Earlier{
			Pass: toPass(y.GetPass()), System: toSystem(y.GetSystem()), SecondsMS: y.GetSecondsMs(),
			StartTemp: y.GetStartTempC(),
		})
	}
	return e
}

// fromTime gives 0 for the zero time; the wire knows no other unknown.
func fromTime(t time.Time) int64 {
	if t.IsZero() {
		return 0
	}
	return t.UnixNano()
}

func toTime(ns int64) time.Time {
	if ns == 0 {
		return time.Time{}
	}
	return time.Unix(0, ns).UTC()
}

func fromTelemetry(t *record.Telemetry) *pb.Telemetry {
	if t == nil {
		return nil
	}
	m := &pb.Telemetry{}
	for _, at := range t.At {
		m.AtUnixNs = append(m.AtUnixNs, fromTime(at))
	}
	for _, s := range t.Series {
		m.Series = append(m.Series, &pb.Series{Name: text.Valid(s.Name), Unit: text.Valid(s.Unit),
			Source: text.Valid(s.Source), Values: s.Values})
	}
	for _, u := range t.Processes {
		m.Processes = append(m.Processes, &pb.ProcessUse{
			Name: text.Valid(u.Name), Pid: int64(u.PID), FromUnixNs: fromTime(u.From), ToUnixNs: fromTime(u.To),
			CorePercent: u.Percent, Game: u.Game,
			Rival: u.Rival, Cards: fromCards(u.Cards),
		})
	}
	for _, g := range t.Missing {
		m.Missing = append(m.Missing, &pb.Gap{Name: text.Valid(g.Name), Why: text.Valid(string(g.Why)),
			Text: text.Valid(g.Text)})
	}
	return m
}

func toTelemetry(m *pb.Telemetry) *record.Telemetry {
	if m == nil {
		return nil
	}
	t := &record.Telemetry{}
	for _, ns := range m.GetAtUnixNs() {
		t.At = append(t.At, toTime(ns))
	}
	for _, s := range m.GetSeries() {
		t.Series = append(t.Series, record.Series{Name: s.GetName(), Unit: s.GetUnit(), Source: s.GetSource(),
			Values: s.GetValues()})
	}
	for _, u := range m.GetProcesses() {
		t.Processes = append(t.Processes, record.ProcessUse{
			Name: u.GetName(), PID: int(u.GetPid()), From: toTime(u.GetFromUnixNs()), To: toTime(u.GetToUnixNs()),
			Percent: u.GetCorePercent(), Game: u.GetGame(),
			Rival: u.GetRival(), Cards: toCards(u.GetCards()),
		})
	}
	for _, g := range m.GetMissing() {
		t.Missing = append(t.Missing, record.Gap{Name: g.GetName(), Why: record.Unknown(g.GetWhy()), Text: g.GetText()})
	}
	return t
}

func fromCards(cards []record.CardUse) (list []*pb.CardUse) {
	for _, c := range cards {
		list = append(list, &pb.CardUse{Card: int64(c.Card), Shading: c.Shading, Copy: c.Copy, Video: c.Video,
			Memory: c.Memory, Compute: c.Compute})
	}
	return list
}

func toCards(cards []*pb.CardUse) (list []record.CardUse) {
	for _, c := range cards {
		list = append(list, record.CardUse{
			Card: int(c.GetCard()), Shading: c.GetShading(), Copy: c.GetCopy(), Video: c.GetVideo(), Memory: c.GetMemory(),
			Compute: c.GetCompute(),
		})
	}
	return list
}

func fromSystem(s record.System) *pb.System {
	m := &pb.System{Id: text.Valid(s.ID)}
	for _, f := range s.Fields {
		m.Fields = append(m.Fields, &pb.Field{
			Name: text.Valid(f.Name), Value: text.Valid(f.Value), Unit: text.Valid(f.Unit), Source: text.Valid(f.Source),
			Unknown: text.Valid(string(f.Unknown)), Identity: f.Identity,
		})
	}
	return m
}

func toSystem(m *pb.System) record.System {
	s := record.System{ID: m.GetId()}
	for _, f := range m.GetFields() {
		s.Fields = append(s.Fields, record.Field{
			Name: f.GetName(), Value: f.GetValue(), Unit: f.GetUnit(), Source: f.GetSource(),
			Unknown: record.Unknown(f.GetUnknown()), Identity: f.GetIdentity(),
		})
	}
	return s
}
