package limit_test

import (
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"capd.example/analysis"
	"capd.example/analysis/limit"
	"capd.example/internal/testlab"
	"capd.example/record"
)

// world is an invented bench whose frames are known one by one: a frame takes as long as
// the slower of processor and card, whose times vary from frame to frame, so that the mean
// frame time is that of the larger of two lognormals (Margrabe 1978). That is no soft
// minimum of rates, which the model takes it for.
type world struct {
	processors, cards []float64 // rates that each would give alone; cards at the first resolution
	resolutions       []float64 // how much of its rate a card keeps
	vary              float64   // standard deviation of ln(processor's time / card's time) between frames
	noise             float64   // of a pass
	passes            int
	missing           float64 // share of cells without passes
}

// rate is what a cell gives, with the processor's share d ln(rate) / d ln(processor).
func (w world) rate(i, j, k int) (fps, share float64) {
	c, g := 1/w.processors[i], 1/(w.cards[j]*w.resolutions[k])
	phi := func(x float64) float64 { return 0.5 * math.Erfc(-x/math.Sqrt2) }
	d := math.Log(c / g)
	byC, byG := c*phi(d/w.vary+w.vary/2), g*phi(-d/w.vary+w.vary/2)
	return 1 / (byC + byG), byC / (byC + byG)
}

func (w world) play(r *rand.Rand) (out []record.Pass, share map[string]float64) {
	share = map[string]float64{}
	for i := range w.processors {
		for j := range w.cards {
			for k := range w.resolutions {
				y, s := w.rate(i, j, k)
				f := cell(fmt.Sprintf("P%d", i), fmt.Sprintf("G%d", j), "Lanterns", []string{"1920x1080", "2560x1440", "3840x2160"}[k])
				if r.Float64() < w.missing {
					continue
				}
				var rates []float64
				for range w.passes {
					rates = append(rates, noisy(r, y, w.noise))
				}
				out = append(out, passes(f, rates...)...)
				share[f["cpu"]+f["gpu"]+f["resolution"]] = s
			}
		}
	}
	return out, share
}

// tying returns a world whose two or three best cards are alike to half a per cent, with
// far lesser ones below.
func tying(r *rand.Rand) world {
	w := world{vary: 0.08 + 0.2*r.Float64(), noise: 0.003 + 0.007*r.Float64(), passes: 3}
	c := 70 + 60*r.Float64()
	for range 2 + r.IntN(4) {
		w.processors = append(w.processors, c)
		c *= 1.04 + 0.25*r.Float64()
	}
	best := w.processors[len(w.processors)-1] * (0.7 + 1.1*r.Float64())
	for n := 2 + r.IntN(2); n > 0; n-- {
		w.cards = append(w.cards, best*math.Exp(0.0025*r.NormFloat64()))
	}
	for n := 1 + r.IntN(3); n > 0; n-- {
		best *= 0.5 + 0.35*r.Float64()
		w.cards = append(w.cards, best)
	}
	w.resolutions = []float64{1, 0.7, 0.42}[:1+r.IntN(3)]
	if r.IntN(2) == 0 {
		w.missing = 0.1
	}
	return w
}

type wordsTold struct{ all, wrong, clear, unknown int }

func (s *wordsTold) judge(t *testing.T, p []record.Pass, share map[string]float64) {
	limits, _ := limit.Limits(analysis.Cells(p, analysis.Options{}), nil, analysis.Options{})
	for _, l := range limits {
		x := share[l.Factors["cpu"]+l.Factors["gpu"]+l.Factors["resolution"]]
		s.all++
		if l.Limit == analysis.ByProcessor && x < 0.5 || l.Limit == analysis.ByGraphics && x > 0.5 {
			s.wrong++
			t.Logf("wrong: %s share %.2f: %s, %s", l.Name(), x, l.Limit, l.Reason)
		}
		if x > 0.9 || x < 0.1 {
			s.clear++
			if l.Limit == limit.Unknown {
				s.unknown++
			}
		}
	}
}

// Where the best cards tie, no cell gets the wrong word and hardly a clear one none. Each
// world has a number, so that those in which a word was wrong once are played again.
func TestLimitsWhereTheBestCardsTie(t *testing.T) {
	var s wordsTold
	n := testlab.Rounds(t, 25, 1000)
	for i := range n {
		r := testlab.Rand(82, uint64(i))
		p, share := tying(r).play(r)
		s.judge(t, p, share)
	}
	t.Logf("%d worlds: %+v", n, s)
	if s.wrong > 0 || float64(s.unknown) > 0.1*float64(s.clear) {
		t.Errorf("%d worlds: %+v", n, s)
	}
	for _, i := range []uint64{1986, 2056} {
		r := rand.New(rand.NewPCG(82, i))
		p, share := tying(r).play(r)
		var s wordsTold
		if s.judge(t, p, share); s.wrong > 0 {
			t.Errorf("world %d: %+v", i, s)
		}
	}
}

// No part is better than another in one row and lesser in the next, though noise swaps the
// ceilings of parts that tie, from preset to preset too.
func TestLimitsKeepOneOrderOfParts(t *testing.T) {
	r := testlab.Rand(83, 84)
	n := testlab.Rounds(t, 12, 200)
	steps := 0
	for range n {
		w := tying(r)
		var p []record.Pass
		for _, preset := range []string{"high", "low"} {
			played, _ := w.play(r)
			for _, x := range played {
				x.ID += preset
				x.SHA256 += preset
				x.Tags[record.TagPreset] = record.Tag{Value: preset, From: record.FromPath}
				p = append(p, x)
			}
		}
		limits, _ := limit.Limits(analysis.Cells(p, analysis.Options{}), nil, analysis.Options{})
		said := map[string]bool{}
		say := func(a, b string) { // a is better than b
			steps++
			if said[b+" > "+a] {
				t.Errorf("%s better than %s, and lesser", a, b)
			}
			said[a+" > "+b] = true
		}
		for _, l := range limits {
			card := l.Factors["gpu"] + " at " + l.Factors["resolution"]
			for _, k := range []struct {
				steps limit.Steps
				mine  string
			}{{l.Processor, l.Factors["cpu"]}, {l.Card, card}} {
				if k.steps.Better != nil {
					say(k.steps.Better.To, k.mine)
				}
				if k.steps.Lesser != nil {
					say(k.mine, k.steps.Lesser.To)
				}
			}
		}
	}
	if steps < 20*n {
		t.Errorf("only %d steps", steps)
	}
}

// Best cards that tie say nothing of each other, and the next lesser one is far behind: a
// processor that gives 17 % is the limit all the same, in matrices of few levels too.
func TestProcessorLimitsThoughTheBestCardsTie(t *testing.T) {
	r := testlab.Rand(85, 86)
	for _, processors := range [][]float64{{100, 117}, {100, 117, 137}, {100, 117, 137, 160}} {
		w := world{processors: processors, cards: []float64{190, 190.4, 108}, resolutions: []float64{1}, vary: 0.12, noise: 0.003, passes: 3}
		p, _ := w.play(r)
		limits, _ := limit.Limits(analysis.Cells(p, analysis.Options{}), nil, analysis.Options{})
		for _, l := range limits {
			if l.Factors["gpu"] == "G2" {
				continue
			}
			if l.Factors["cpu"] == "P0" && l.Limit != analysis.ByProcessor {
				t.Errorf("%d processors, %s: %s, %s", len(processors), l.Name(), l.Limit, l.Reason)
			}
			if l.Limit == analysis.ByGraphics {
				t.Errorf("%d processors, %s: %s, %s", len(processors), l.Name(), l.Limit, l.Reason)
			}
			for _, s := range []*limit.Step{l.Card.Better, l.Card.Lesser} {
				if s != nil && !strings.HasPrefix(s.To, "G2") {
					t.Errorf("%s: %s is no better or lesser card", l.Name(), s.To)
				}
			}
		}
	}
}

// The best processor gives the same at two resolutions with the best card. No better card
// is there to show it, but more pixels are more work for any card: the processor limits. Where
// the resolutions are names that tell nothing, the other cards' steps tell it, and where those
// show none either, nothing is said.
func TestResolutionsTellOfTheBestParts(t *testing.T) {
	for _, c := range []struct {
		name        string
		cards       []float64
		resolutions []string
		want        analysis.Regime
	}{
		{"pixels", []float64{400, 400.4, 160}, []string{"1920x1080", "2560x1440"}, analysis.ByProcessor},
		{"lines", []float64{400, 400.4, 160}, []string{"1080p", "1440p"}, analysis.ByProcessor},
		{"no card limits", []float64{400, 400.4, 390}, []string{"1920x1080", "2560x1440"}, analysis.ByProcessor},
		{"names, and a card that they cost", []float64{400, 400.4, 160}, []string{"near", "far"}, analysis.ByProcessor},
		{"names, and none that they cost", []float64{400, 400.4, 390}, []string{"near", "far"}, limit.Unknown},
	} {
		w := world{processors: []float64{100, 120}, cards: c.cards, resolutions: []float64{1, 0.7}, vary: 0.12, noise: 0.004, passes: 3}
		p, _ := w.play(testlab.Rand(87, 88))
		for _, x := range p {
			for k, name := range []string{"1920x1080", "2560x1440"} {
				if x.Tags.Value(record.TagResolution) == name {
					x.Tags[record.TagResolution] = record.Tag{Value: c.resolutions[k], From: record.FromPath}
					break
				}
			}
		}
		limits, _ := limit.Limits(analysis.Cells(p, analysis.Options{}), nil, analysis.Options{})
		seen := false
		for _, l := range limits {
			if l.Factors["cpu"] == "P1" && l.Factors["gpu"] == "G0" && l.Factors["resolution"] == c.resolutions[0] {
				seen = true
				if l.Limit != c.want {
					t.Errorf("%s: %s: %s, %s", c.name, l.Name(), l.Limit, l.Reason)
				}
			}
		}
		if !seen {
			t.Errorf("%s: the cell is missing", c.name)
		}
	}
}
