package summary

import (
	"math/rand/v2"
	"testing"

	"capd.example/analysis"
	"capd.example/internal/testlab"
	"capd.example/record"
)

// Whatever is compared and whatever has a price: what a sentence could be picked from costs no more
// than the share that it has, and all shares sum to 5 %.
func TestTheChanceOfErrorIsSpentOnce(t *testing.T) {
	all := 0.01 // of the search for odd cells
	for _, s := range shares {
		all += s
	}
	if all > 0.05+1e-9 {
		t.Errorf("the shares sum to %.2f %%", 100*all)
	}
	r := rand.New(rand.NewPCG(31, 32))
	for _, size := range [][4]int{{3, 4, 3, 2}, {3, 1, 3, 2}, {1, 4, 3, 1}, {2, 2, 1, 3}} {
		for _, by := range []string{record.TagGraphics, record.TagProcessor} {
			world := testlab.NewWorld(r, size[0], size[1], size[2], size[3])
			o := analysis.Options{}
			w := writer{Input: Input{Cells: analysis.Cells(world.Passes(r), o), Factors: record.CellFactors, Options: o,
				RefreshHz: []float64{30, 60, 120}, PriceBy: by}}
			for i := range 4 {
				for _, part := range []string{"Ember " + string(rune('1'+i)) + "0", "Quillon " + string(rune('1'+i)) + "00"} {
					w.Prices = append(w.Prices, Price{Part: part, Currency: "EUR", Amount: 200 + 50*float64(i)})
				}
			}
			// Any two levels of a family could have been picked.
			spent := map[share]map[string]float64{}
			w.spend = func(family, by string, l level) {
				if spent[l.of] == nil {
					spent[l.of] = map[string]float64{}
				}
				spent[l.of][family] = max(spent[l.of][family], l.size*pairs(len(w.m.Levels(by))))
			}
			w.write()
			for of, families := range spent {
				sum := 0.0
				for _, x := range families {
					sum += x
				}
				if sum > shares[of]*(1+1e-9) {
					t.Errorf("%v, prices by %s: %s spend %.2f %%, more than %.2f %%", size, by, of, 100*sum, 100*shares[of])
				}
			}
			if len(spent) < 3 {
				t.Errorf("%v: what is compared is not counted: %v", size, spent)
			}
		}
	}
}
