package limit

import (
	"math"
	"slices"

	"capd.example/analysis"
	"capd.example/record"
)

// A resolution is no part that happens to tie: more pixels are more work, and the same work
// for every card of a game. So a card that nothing was seen to limit is known to be better
// at the lesser resolution all the same, by a part of what pixels and the other cards tell
// (conventions; in games that a card limits, a rate falls by about 0.6 of the logarithm of
// the pixels, common practice).
const (
	perPixel = 0.25 // ln(rate) per ln(pixels), at least
	perOther = 0.5  // of what the other cards have been shown to lose in the mean
)

// eased enters into the order of what cards do what the lesser of two resolutions gives
// a card at least.
func (r partOrder) eased(values []map[string]string) {
	assumed := r.assumed(values)
	for a := range values {
		for b := range values {
			if d := assumed[[2]int{a, b}]; d > r.ahead[a][b] {
				r.ahead[a][b] = d
				pair := [2]string{r.name[a], r.name[b]}
				r.shown[pair] = math.Max(r.shown[pair], d)
			}
		}
	}
}

// assumed returns what a card gives more at least at the first of two resolutions, by the
// places of both.
func (r partOrder) assumed(values []map[string]string) map[[2]int]float64 {
	steps := map[[2]string][]float64{} // what cards have been shown to give more, by both resolutions
	alike := func(a, b int, factor string) bool { return values[a][factor] == values[b][factor] }
	each := func(do func(a, b int, step [2]string)) {
		for a := range values {
			for b := range values {
				same := alike(a, b, record.TagGraphics) && alike(a, b, record.TagScene) && alike(a, b, record.TagPreset)
				if same && !alike(a, b, record.TagResolution) {
					do(a, b, [2]string{values[a][record.TagResolution], values[b][record.TagResolution]})
				}
			}
		}
	}
	each(func(a, b int, step [2]string) {
		if r.better(a, b) {
			steps[step] = append(steps[step], r.ahead[a][b])
		}
	})
	out := map[[2]int]float64{}
	each(func(a, b int, step [2]string) {
		if r.shown[[2]string{r.name[b], r.name[a]}] > 0 {
			return // the lesser work is shown to give less: something else is at work
		}
		d := 0.0
		if x, y := pixels(step[0]), pixels(step[1]); x < y {
			d = perPixel * math.Log(y/x)
		}
		if shown := steps[step]; len(shown) > 0 {
			d = math.Max(d, perOther*float64(analysis.Median(slices.Clone(shown))))
		}
		out[[2]int{a, b}] = d
	})
	return out
}

func pixels(resolution string) float64 {
	n, _ := analysis.Pixels(resolution)
	return n
}
