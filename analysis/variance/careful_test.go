package variance_test

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"capd.example/analysis/variance"
	"capd.example/internal/testlab"
	"capd.example/stats"
)

// At a level of error of one in a thousand the careful interval holds as often as it says, of one
// cell and of a mean over many, whether sessions differ or not. The plain one does not where the
// estimate of what sessions shift is 0 by chance: a mean over many cells then seems to be known very
// well.
func TestCarefulIntervals(t *testing.T) {
	r := rand.New(rand.NewPCG(41, 42))
	const level, noise, controls = 0.001, 0.005, 12
	ofMean := noise / math.Sqrt(3)
	n := testlab.Rounds(t, 1000, 20000)
	for _, cells := range []int{1, 18} {
		for _, shift := range []float64{0, 0.003, 0.01} {
			missed := 0
			for range n {
				// Twelve control cells of three passes in two sessions each; the means of so many cells in
				// two of these sessions are compared.
				var means []stats.GroupMean
				var mean [2]float64
				for c := range controls {
					for k := range 2 {
						session, control := shift*r.NormFloat64(), ofMean*r.NormFloat64()
						if k == 0 && c < 2 {
							others := ofMean * math.Sqrt(float64(cells-1)) * r.NormFloat64()
							mean[c] = session + (control+others)/float64(cells)
						}
						means = append(means, stats.GroupMean{Item: c, Group: 2*c + k, Mean: session + control, Var: ofMean * ofMean})
					}
				}
				s := variance.NewSessions(means, 0)
				var terms []variance.Term
				for i := range 2 {
					for j := range cells {
						terms = append(terms, variance.Term{Weight: float64(1-2*i) / float64(cells), Of: &variance.Basis{
							Cell: fmt.Sprint(i, j), Pool: variance.Pool{Bench: "one"}, Pooled: true, SD: noise, DF: 48, N: 3,
							Shares: []variance.Share{{Session: fmt.Sprint(i), Part: 1, Of: s}}}})
					}
				}
				p := variance.Of(terms...)
				se, df := p.Careful()
				if math.Abs(mean[0]-mean[1]) > stats.TQuantile(1-level/2, df)*se {
					missed++
				}
				if se < p.SE || df < 12 {
					t.Fatalf("careful: %g with %g degrees of freedom, plain %g with %g", se, df, p.SE, p.DF)
				}
			}
			t.Logf("%d cells, sessions differ by %.1f %%: missed %d of %d", cells, 100*shift, missed, n)
			if want := level * float64(n); float64(missed) > want+4*math.Sqrt(want) {
				t.Errorf("%d cells, sessions differ by %.1f %%: missed %d of %d, more than one in a thousand", cells, 100*shift, missed, n)
			}
		}
	}
}
