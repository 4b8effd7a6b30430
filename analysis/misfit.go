package analysis

import (
	"fmt"
	"math"
	"strings"

	"gonum.org/v1/gonum/stat/distuv"

	"capd.example/analysis/outlier"
	"capd.example/record"
	"capd.example/stats"
)

// Misfit says how far the matrix is from what the model expects, what explains it, and what
// that means for single cells.
type Misfit struct {
	ResidualSD      Number `json:"residual_sd"`      // of ln rate, of a cell about the model
	RepeatabilitySD Number `json:"repeatability_sd"` // of ln rate, of the mean of a cell's passes
	P               Number `json:"p"`                // of residuals that large by the repeatability alone
	Expected        bool   `json:"as_expected"`      // by the F test at 1 %
	Text            string `json:"text"`             // for people
}

// Property is a deviation that belongs to parts and not to one cell.
type Property struct {
	Game      string   `json:"game,omitempty"` // of a driver; a pair's holds for all games
	Processor string   `json:"cpu,omitempty"`  // of a pair
	Cards     []string `json:"gpus"`           // one of a pair, or those with one driver
	Deviation Number   `json:"deviation"`      // of the pair's rates, or of the processors' ceilings with these cards
	Cells     int      `json:"cells"`
	Text      string   `json:"text"`
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
func lackOfFit(left outlier.Residuals, models []*Model, cells []Cell) Misfit {
	rss, df, n := left.RSS, left.DF, 0.0
	var own []*basis
	pooled := map[poolKey]*basis{}
	within := map[*basis]float64{} // by what it is known from
	for _, m := range models {
		if !m.solved() {
			continue
		}
		for _, at := range m.cells {
			f := cells[at].Figure(Average)
			if f.basis == nil {
				continue
			}
			of := f.basis
			if of.pooled && pooled[of.key] == nil {
				pooled[of.key] = of
			}
			if of.pooled {
				of = pooled[of.key]
			}
			if _, seen := within[of]; !seen {
				own = append(own, of)
			}
			within[of] += f.basis.sd * f.basis.sd / f.basis.n
			n++
		}
	}
	x := Misfit{ResidualSD: Undefined, RepeatabilitySD: Undefined, P: Undefined, Expected: true}
	var se, free []float64
	for _, of := range own {
		se, free = append(se, math.Sqrt(within[of]/n)), append(free, of.df)
	}
	repeatability, v := stats.Satterthwaite(se, free)
	if !(df >= 1) || !(repeatability > 0) || !(v > 0) {
		return x
	}
	x.ResidualSD, x.RepeatabilitySD = Number(math.Sqrt(rss/df)), Number(repeatability)
	x.P = Number(distuv.F{D1: df, D2: math.Min(v, 1e6)}.Survival(rss / df / (repeatability * repeatability)))
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
func makerOf(c Cell, o Options) string {
	for _, u := range c.used {
		if f, ok := o.Systems[u.System].Get(record.FieldGraphicsName); ok && !u.SystemLater() {
			word, _, _ := strings.Cut(f.Value, " ")
			return strings.ToLower(word)
		}
	}
	return ""
}
