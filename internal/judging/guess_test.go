package judging_test

import (
	"strings"
	"testing"

	"capd.example/record"
)

// A pass that stands apart in its cell and has the rates of the one cell beside it is told with
// the question for the mistake; where several have them, none, or the level was detected,
// nothing is asked.
func TestADoubtfulPassIsAskedFor(t *testing.T) {
	for _, c := range []struct {
		name  string
		rate  float64 // of the stray pass in cell Slate 70 of game a, whose passes have 100 FPS
		how   record.Origin
		asked string
		tag   string // of the advice
	}{
		{"another card", 70.2, record.FromPath, "the same rate as Slate 60's cell (70.0 FPS): was the Slate 60 in?", `gpu="Slate 60"`},
		{"another game", 139.7, record.FromPath, "the same rate as b's cell (140.0 FPS): is it a log of b?", "game=b"},
		{"a card that was detected", 70.2, record.FromDetected, "", ""},
		{"no cell's", 80, record.FromPath, "", ""},
		{"two cells'", 50.1, record.FromPath, "", ""},
	} {
		t.Run(c.name, func(t *testing.T) {
			d := newDesk(t)
			n := 0
			pass := func(game, gpu, resolution string, rate float64, from record.Origin) string {
				n++
				a := arrival("high", n, rate)
				a.Pass.Tags["gpu"] = record.Tag{Value: gpu, From: from}
				a.Pass.Tags["game"] = record.Tag{Value: game, From: record.FromPath}
				a.Pass.Tags["resolution"] = record.Tag{Value: resolution, From: record.FromPath}
				a.Pass.Tags["pass"] = record.Tag{Value: "1", From: record.FromPath}
				saved, err := d.s.Save(t.Context(), a)
				if err != nil {
					t.Fatal(err)
				}
				d.resume(t)
				return saved.ID
			}
			for _, cell := range []struct {
				game, gpu, resolution string
				rate                  float64
			}{{"a", "Slate 60", "1440p", 70}, {"b", "Slate 70", "1440p", 140}, {"a", "Slate 70", "2160p", 50}, {"a", "Slate 50", "1440p", 50},
				{"a", "Slate 70", "1440p", 100}} {
				for _, noise := range []float64{0.999, 1, 1.001} {
					pass(cell.game, cell.gpu, cell.resolution, cell.rate*noise, c.how)
				}
			}
			id := pass("a", "Slate 70", "1440p", c.rate, c.how)
			p := d.pass(t, id)
			reason := p.Findings[0].Reason
			if p.Verdict != record.VerdictDoubtful || !strings.Contains(reason, "stands apart") || c.asked == "" && strings.Contains(reason, "same rate") ||
				!strings.HasSuffix(reason, c.asked) {
				t.Errorf("%s: %s", p.Verdict, reason)
			}
			advice := p.Findings[0].Advice
			if c.tag != "" && !strings.HasPrefix(advice, "if it is so, put it right: capctl tag "+id+" "+c.tag+"; else repeat ") || c.asked == "" && strings.Contains(advice, "capctl tag") ||
				!strings.Contains(advice, "capctl overrule "+id+" bad") {
				t.Errorf("the command for a yes is not offered, or one for nothing: %s", advice)
			}
		})
	}
}
