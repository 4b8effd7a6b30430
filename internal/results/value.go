package results

import (
	"fmt"
	"os"

	"github.com/jedib0t/go-pretty/v6/table"
	"golang.org/x/text/encoding/unicode"
	"golang.org/x/text/transform"

	"capd.example/analysis/compare"
	"capd.example/internal/cli"
	"capd.example/internal/output"
)

// PricesHint is how a price list is written.
const PricesHint = "a price list begins with the line part,price,currency,date; then one line per part: Lantern 40,349.00,EUR,2026-03-01"

// ReadPrices reads a price list, see [PricesHint].
func ReadPrices(path string) ([]compare.Price, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, cli.FailedError(fmt.Errorf("the price list: %w", err), PricesHint)
	}
	defer f.Close()
	prices, err := compare.ReadPrices(transform.NewReader(f, unicode.BOMOverride(transform.Nop)))
	if err != nil {
		return nil, cli.UsageError(fmt.Errorf("%s: %w", path, err), PricesHint)
	}
	return prices, nil
}

const unbeaten = `unbeaten is "no" where in the same cells another part costs no more and is faster, or is cheaper and ` +
	`no slower; frames are cheapest with the lowest cost per FPS`

// PrintValues prints what frames cost with each part.
func PrintValues(a *cli.Streams, form output.Form, by string, values []compare.Value, data func() output.Data) error {
	form.Head(a, unbeaten)
	return output.Emit(a, form, values, table.Row{"cells", by, "avg FPS", "games", "price", "cost per FPS", "unbeaten",
		"price date", "remarks"}, func(v compare.Value) table.Row {
		frontier := ""
		if v.Frontier {
			frontier = "yes"
		}
		return table.Row{v.Name(), v.Part, number(v.FPS, "%.1f"), len(v.Games), number(v.Price, "%.2f ") + v.Currency,
			number(v.CostPerFrame, "%.2f"), frontier, v.Date, v.Reason}
	}, data)
}

// PrintThresholds prints which cells reach refresh rates.
func PrintThresholds(a *cli.Streams, form output.Form, list []compare.Threshold, data func() output.Data) error {
	return output.Emit(a, form, list, table.Row{"Hz", "cell", "avg FPS", "reached on average", "1% low",
		"reached at the 1% low"}, func(t compare.Threshold) table.Row {
		return table.Row{t.RefreshHz, t.Name(), number(t.FPS, "%.1f"), t.Average, number(t.Low1FPS, "%.1f"), t.Low1}
	}, data)
}
