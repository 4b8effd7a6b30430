package oddcell

import (
	"fmt"
	"math"
	"strings"

	"gonum.org/v1/gonum/stat/distuv"

	"capd.example/analysis"
	"capd.example/analysis/outlier"
	"capd.example/analysis/variance"
	"capd.example/record"
	"capd.example/stats"
)

// Misfit says how far the matrix is from what the model expects, what explains it, and what
// that means for single cells.
type Misfit struct {
	ResidualSD      analysis.Number `json:"residual_sd"`      // of ln rate, of a cell about the model
	RepeatabilitySD analysis.Number `json:"repeatability_sd"` // of ln rate, of the mean of a cell's passes
	P               analysis.Number `json:"p"`                // of residuals that large by the repeatability alone
	Expected        bool            `json:"as_expected"`      // by the F test at 1 %
	Text            string          `json:"text"`             // for people
}

// Property is a deviation that belongs to parts and not to one cell.
type Property struct {
	Game      string          `json:"game,omitempty"` // of a driver; a pair's holds for all games
	Processor string          `json:"cpu,omitempty"`  // of a pair
	Cards     []string        `json:"gpus"`           // one of a pair, or those with one driver
	Deviation analysis.Number `json:"deviation"`      // of the pair's rates, or of the processors' ceilings with these cards
	Cells     int             `json:"cells"`
	Text      string          `json:"text"`
}

const (
	misfitLevel = 0.01 // of the test of lack of fit
	// richLevel is the chance that a matrix as the model has it is said to hold a driver, a
	// pair or another part (a convention).
	richLevel = 0.001
	// manyOdd is the share of the cells beyond which no cell is named: what many cells do is no
	// fault of one (a convention).
	manyOdd = 0.05
)

// lackOfFit compares residuals with the repeatability of the cells they are of.
func lackOfFit(left outlier.Residuals, models []*analysis.Model, cells []analysis.Cell) Misfit {
	rss, df, n := left.RSS, left.DF, 0.0
	var own []*variance.Basis
	pooled := map[variance.Pool]*variance.Basis{}
	within := map[*variance.Basis]float64{} // by what it is known from
	for _, m := range models {
		if !m.Solved() {
			continue
		}
		for _, at := range m.Of {
			f := cells[at].Figure(analysis.Average)
			if f.Basis() == nil {
				continue
			}
			of := f.Basis()
			if of.Pooled && pooled[of.Pool] == nil {
				pooled[of.Pool] = of
			}
			if of.Pooled {
				of = pooled[of.Pool]
			}
			if _, seen := within[of]; !seen {
				own = append(own, of)
			}
			within[of] += f.Basis().SD * f.Basis().SD / f.Basis().N
			n++
		}
	}
	x := Misfit{ResidualSD: analysis.Undefined, RepeatabilitySD: analysis.Undefined, P: analysis.Undefined, Expected: true}
	var se, free []float64
	for _, of := range own {
		se, free = append(se, math.Sqrt(within[of]/n)), append(free, of.DF)
	}
	repeatability, v := stats.Satterthwaite(se, free)
	if !(df >= 1) || !(repeatability > 0) || !(v > 0) {
		return x
	}
	x.ResidualSD, x.RepeatabilitySD = analysis.Number(math.Sqrt(rss/df)), analysis.Number(repeatability)
	x.P = analysis.Number(distuv.F{D1: df, D2: math.Min(v, 1e6)}.Survival(rss / df / (repeatability * repeatability)))
	x.Expected = !(x.P < misfitLevel)
	return x
}

// words says for people what the test of lack of fit gave.
func (x *Misfit) words(properties int) {
	if x.Text != "" || !x.ResidualSD.Known() {
		return
	}
	numbers := fmt.Sprintf("residuals %.2g %%, repeatability %.2g %%", 100*float64(x.ResidualSD), 100*float64(x.RepeatabilitySD))
	switch {
	case x.Expected && properties == 0:
		x.Text = "this matrix is as the model expects: " + numbers
	case x.Expected:
		x.Text = "with the properties of parts named here this matrix is as the model expects: " + numbers
	default:
		x.Text = "this matrix is not as the model expects: " + numbers + "; a cell that stands out may be wrong, or the model may"
	}
}

// makerOf names what drives a cell's card, as far as the detected system tells: the first
// word of its name.
func makerOf(c analysis.Cell, o analysis.Options) string {
	for _, u := range c.Counted() {
		if f, ok := o.Systems[u.System].Get(record.FieldGraphicsName); ok && !u.SystemLater() {
			word, _, _ := strings.Cut(f.Value, " ")
			return strings.ToLower(word)
		}
	}
	return ""
}
