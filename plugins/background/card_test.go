package background

import (
	"context"
	"strings"
	"testing"

	"capd.example/plugins/plugintest"
	"capd.example/record"
)

func check(t *testing.T, settings map[string]string, more ...func(*record.Evidence)) record.Finding {
	t.Helper()
	p, err := Validator{}.Describe().Resolve(settings)
	if err != nil {
		t.Fatal(err)
	}
	quiet := plugintest.Series(record.SeriesBackground, "%", plugintest.Flat(2, 20)...)
	memory := plugintest.Field("graphics.0.memory", "16000")
	link := plugintest.Field("graphics.0.link_best", "PCIe 4 x16") // 31.5 GB/s one way
	return Validator{}.Check(context.Background(), plugintest.Pass(plugintest.Steady(120, 20, 1), append([]func(*record.Evidence){quiet, memory, link}, more...)...), p)
}

func series(name string, values ...float64) func(*record.Evidence) {
	return plugintest.Series(name, "%", values...)
}

func flat(name string, value float64) func(*record.Evidence) {
	return series(name, plugintest.Flat(value, 20)...)
}

// TestCard tries every threshold of the card on both sides.
func TestCard(t *testing.T) {
	const others, video, hidden, link, used = "gpu.0.background", "gpu.0.video", "gpu.0.unattributed", "gpu.0.link", "gpu.0.mem_used"
	film := plugintest.Card("film", record.CardUse{Shading: 9, Video: 30, Memory: 3 << 30})
	holds := func(shading float64) func(*record.Evidence) {
		return plugintest.Card("mover", record.CardUse{Shading: shading, Compute: true})
	}
	game := plugintest.Card("", record.CardUse{Shading: 80, Memory: 12 << 30, Compute: true})
	for _, q := range []struct {
		name string
		want record.Outcome
		says string
		with []func(*record.Evidence)
	}{
		{"below gpu_percent", record.OK, "", []func(*record.Evidence){flat(others, 2.9), film}},
		{"at gpu_percent", record.Doubtful, "other programs took 3 % of the graphics card (limit 3 %), most of all film (9 %)", []func(*record.Evidence){flat(others, 3), film}},
		{"below gpu_heavy_percent", record.Doubtful, "film", []func(*record.Evidence){flat(others, 19.9), film}},
		{"at gpu_heavy_percent", record.Bad, "took 20 % of the graphics card", []func(*record.Evidence){flat(others, 20), film}},
		{"a burst below burst_s", record.OK, "", []func(*record.Evidence){series(others, append(plugintest.Flat(0, 18), 24, 24)...)}},
		{"a burst at burst_s", record.Doubtful, "over 20 % of the graphics card for 3 s", []func(*record.Evidence){series(others, append(plugintest.Flat(0, 22), 20, 20, 20)...)}},
		{"bursts at burst_bad_percent", record.Bad, "for 4 s (20 % of the pass)", []func(*record.Evidence){series(others, append(plugintest.Flat(0, 16), 20, 20, 20, 20)...)}},
		{"below gpu_video_percent", record.OK, "", []func(*record.Evidence){flat(others, 1), flat(video, 19.9), film}},
		{"at gpu_video_percent", record.Doubtful, "video engines busy for 20 % of the time (limit 20 %), most of all film (30 %)", []func(*record.Evidence){flat(others, 1), flat(video, 20), film}},
		{"below gpu_unattributed_percent", record.OK, "", []func(*record.Evidence){flat(others, 1), flat(hidden, 24.9)}},
		{"at gpu_unattributed_percent", record.Doubtful, "programs that the agent may not see", []func(*record.Evidence){flat(others, 1), flat(hidden, 25)}},
		{"below gpu_link_percent", record.OK, "", []func(*record.Evidence){flat(others, 1), flat(link, 0.94e9), holds(0)}},
		{"at gpu_link_percent", record.Doubtful, "(3 % of it, limit 3 %) while mover had a compute context", []func(*record.Evidence){flat(others, 1), flat(link, 0.946e9), holds(0), game}},
		{"below gpu_compute_percent", record.OK, "", []func(*record.Evidence){flat(others, 0.4), holds(0.4), game}},
		{"at gpu_compute_percent", record.Doubtful, "mover computed or copied on the graphics card, at least 0.5 % of it (limit 0.5 %)", []func(*record.Evidence){flat(others, 0.5), holds(0.5), game}},
		{"a busy link of the measured program alone", record.OK, "", []func(*record.Evidence){flat(others, 1), flat(link, 9e9), game}},
		{"full, others hold much", record.Doubtful, "memory was full (97 % of 15.6 GiB), and other programs held 19 % of it", []func(*record.Evidence){flat(others, 1), flat(used, 16000*(1<<20)*0.971), film, game}},
		{"not full", record.OK, "", []func(*record.Evidence){flat(others, 1), flat(used, 16000*(1<<20)*0.969), film, game}},
		{"full by the game alone", record.OK, "", []func(*record.Evidence){flat(others, 1), flat(used, 16000*(1<<20)*0.99), game}},
	} {
		f := check(t, nil, q.with...)
		if f.Outcome != q.want || !strings.Contains(f.Reason, q.says) {
			t.Errorf("%s: %s, %s", q.name, f.Outcome, f.Reason)
		}
		if f.Outcome != record.OK && f.Advice == "" {
			t.Errorf("%s: no advice", q.name)
		}
	}
}

// TestAllowed: a recorder that is meant to run counts neither on the card nor on the
// processor; what else runs does.
func TestAllowed(t *testing.T) {
	recorder := plugintest.Card("Recorder.exe", record.CardUse{Shading: 6, Video: 40})
	with := []func(*record.Evidence){flat("gpu.0.background", 6), flat("gpu.0.video", 40), recorder}
	if f := check(t, nil, with...); f.Outcome != record.Doubtful || !strings.Contains(f.Reason, "Recorder.exe") {
		t.Errorf("not allowed: %s, %s", f.Outcome, f.Reason)
	}
	allow := map[string]string{"allow": "other, recorder"}
	if f := check(t, allow, with...); f.Outcome != record.OK {
		t.Errorf("allowed: %s, %s", f.Outcome, f.Reason)
	}
	more := append(with[1:], flat("gpu.0.background", 12), plugintest.Card("film", record.CardUse{Shading: 6}))
	if f := check(t, allow, more...); f.Outcome != record.Doubtful || strings.Contains(f.Reason, "Recorder") || !strings.Contains(f.Reason, "film") {
		t.Errorf("another beside it: %s, %s", f.Outcome, f.Reason)
	}
}

// TestRivals: where several programs could be the measured one, none of them alone is
// called the culprit.
func TestRivals(t *testing.T) {
	rival := func(name string, game bool) func(*record.Evidence) {
		return func(e *record.Evidence) {
			plugintest.Process(name, 95)(e)
			p := &e.Telemetry.Processes[len(e.Telemetry.Processes)-1]
			p.Rival, p.Game = true, game
		}
	}
	f := check(t, nil, func(e *record.Evidence) { e.Telemetry = nil }, series(record.SeriesBackground, plugintest.Flat(95, 20)...), rival("loop", false), rival("encoder", true))
	if f.Outcome != record.Bad || strings.Contains(f.Reason, "most of all") || !strings.Contains(f.Reason, "which of encoder, loop") {
		t.Errorf("%s, %s", f.Outcome, f.Reason)
	}
}

// TestCardNotKnown: what could not be looked at is said, and does not hide the rest.
func TestCardNotKnown(t *testing.T) {
	gap := func(e *record.Evidence) {
		e.Telemetry.Missing = append(e.Telemetry.Missing, record.Gap{Name: "gpu.0.background", Why: record.Unsupported, Text: "the driver does not tell"})
	}
	if f := check(t, nil, gap); f.Outcome != record.OK || !strings.Contains(f.Reason, "not looked at: other programs on the graphics card: the driver does not tell") {
		t.Errorf("%s, %s", f.Outcome, f.Reason)
	}
	if f := check(t, nil, series("gpu.0.background", 50, 50)); f.Outcome != record.OK || !strings.Contains(f.Reason, "only 2.0 s of the 20.0 s") {
		t.Errorf("%s, %s", f.Outcome, f.Reason)
	}
}
