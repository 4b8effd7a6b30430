package analysis_test

import (
	"bytes"
	"math"
	"testing"

	"capd.example/analysis/compare"
)

// A price list comes from a spreadsheet: it is refused, or every part has one price above
// zero, all in one currency.
func FuzzReadPrices(f *testing.F) {
	f.Add([]byte("part,price,currency,date\nLantern 40,349.00,EUR,2026-03-01\nLantern 60,549,EUR,2026-03-02\n"))
	f.Add([]byte("\ufeffDate, price ,part,currency\n2026-03-01,1e309,\"a\"\"b\",EUR\n"))
	f.Add([]byte("part,part,price,currency,date\n,,NaN,,"))
	f.Fuzz(func(t *testing.T, text []byte) {
		prices, err := compare.ReadPrices(bytes.NewReader(text))
		if err != nil {
			return
		}
		seen := map[string]bool{}
		for _, p := range prices {
			if !(p.Amount > 0) || math.IsInf(p.Amount, 0) || p.Currency != prices[0].Currency || seen[p.Part] {
				t.Errorf("%+v is taken", p)
			}
			seen[p.Part] = true
		}
	})
}
