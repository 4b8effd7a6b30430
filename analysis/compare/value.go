package compare

import (
	"cmp"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"math"
	"slices"
	"sort"
	"strconv"
	"strings"
	"time"

	"capd.example/analysis"
	"capd.example/record"
)

// Price is what a part costs.
type Price struct {
	Part     string  `json:"part"`
	Amount   float64 `json:"amount"`
	Currency string  `json:"currency"`
	Date     string  `json:"date"` // 2006-01-02
}

// ReadPrices reads a price list: comma-separated text with the headings part, price,
// currency and date (2006-01-02), in any order. All prices must be in one currency.
func ReadPrices(r io.Reader) ([]Price, error) {
	in := csv.NewReader(r)
	in.TrimLeadingSpace = true
	head, err := in.Read()
	if err != nil {
		return nil, fmt.Errorf("price list: %w", err)
	}
	at := map[string]int{}
	for i, h := range head {
		at[strings.ToLower(strings.TrimSpace(strings.TrimPrefix(h, "\ufeff")))] = i
	}
	for _, h := range []string{"part", "price", "currency", "date"} {
		if _, ok := at[h]; !ok {
			return nil, fmt.Errorf("price list has no column %q", h)
		}
	}
	var out []Price
	for {
		row, err := in.Read()
		if errors.Is(err, io.EOF) {
			return out, nil
		}
		if err != nil {
			return nil, fmt.Errorf("price list: %w", err)
		}
		line, _ := in.FieldPos(0)
		p := Price{Part: row[at["part"]], Currency: row[at["currency"]], Date: row[at["date"]]}
		if p.Amount, err = strconv.ParseFloat(row[at["price"]], 64); err != nil || !analysis.Positive(p.Amount) {
			return nil, fmt.Errorf("price list line %d: %q is no price above zero (write 199.90)", line, row[at["price"]])
		}
		if _, err := time.Parse(time.DateOnly, p.Date); err != nil {
			return nil, fmt.Errorf("price list line %d: %q is no date (write 2006-01-02)", line, p.Date)
		}
		if len(out) > 0 && p.Currency != out[0].Currency {
			return nil, fmt.Errorf("price list line %d: %s beside %s; give all prices in one currency", line, p.Currency, out[0].Currency)
		}
		if slices.ContainsFunc(out, func(q Price) bool { return q.Part == p.Part }) {
			return nil, fmt.Errorf("price list line %d: %s has a price already", line, p.Part)
		}
		out = append(out, p)
	}
}

// Value is what one part gives for its price, beside others in cells alike.
type Value struct {
	By      string            `json:"by"`
	Part    string            `json:"part"`
	Factors map[string]string `json:"factors"` // without game and scene
	Games   []string          `json:"games"`   // whose rates are averaged; the same for all parts of a table
	FPS     analysis.Number   `json:"avg_fps"` // geometric mean over the games

	Price        analysis.Number `json:"price"`
	Currency     string          `json:"currency,omitempty"`
	Date         string          `json:"date,omitempty"`
	CostPerFrame analysis.Number `json:"cost_per_frame"` // price / FPS
	// Frontier: no other part of the table is both no dearer and faster (or cheaper and no
	// slower) in the measured means.
	Frontier bool `json:"frontier"`
	// NotWorth is a cheaper part whose difference is a tie: the surcharge buys nothing.
	NotWorth string `json:"not_worth_over,omitempty"`
	Reason   string `json:"reason,omitempty"`

	order []string
}

// Name names the cells, by the factors that are left.
func (v Value) Name() string {
	return cmp.Or(analysis.NameOf(v.Factors, v.order), analysis.NoTags)
}

// Values sets rates against prices for the parts of one factor. Parts are compared on the
// games that all of them have; a part without a price is listed and not ranked.
func Values(cells []analysis.Cell, by string, prices []Price, o analysis.Options) ([]Value, error) {
	o = o.WithDefaults()
	margins, err := compare(cells, by, "", analysis.Average, o, false)
	if err != nil {
		return nil, err
	}
	price := map[string]Price{}
	for _, p := range prices {
		price[p.Part] = p
	}
	rest := analysis.Without(o.Factors, by, record.TagGame, record.TagScene)
	var keys []string
	tables := map[string][]analysis.Cell{}
	for _, c := range cells {
		if c.Figure(analysis.Average).N == 0 {
			continue
		}
		key := analysis.FactorKey(c.Factors, rest)
		if tables[key] == nil {
			keys = append(keys, key)
		}
		tables[key] = append(tables[key], c)
	}
	ties := tiesOf(Totals(margins, o), o)
	out := []Value{}
	for _, key := range keys {
		out = append(out, valueTable(tables[key], by, rest, price, ties)...)
	}
	return out, nil
}

// tiesOf lists ties by table and pair of parts, proven for all of them at once: of a part's
// many comparisons one becomes an advice not to buy.
func tiesOf(totals []Total, o analysis.Options) map[string]bool {
	out := map[string]bool{}
	for _, t := range totals {
		if t.PTieHolm < analysis.Number(o.Alpha) && len(t.Missing) == 0 {
			key := analysis.FactorKey(t.Factors, t.order)
			out[key+t.Base+"\x00"+t.Value] = true
			out[key+t.Value+"\x00"+t.Base] = true
		}
	}
	return out
}

func valueTable(cells []analysis.Cell, by string, rest []string, price map[string]Price, ties map[string]bool) []Value {
	rates := map[string]map[string]float64{} // part, then game and scene
	var parts []string
	for _, c := range cells {
		part := c.Factors[by]
		if rates[part] == nil {
			rates[part] = map[string]float64{}
			parts = append(parts, part)
		}
		rates[part][c.Factors[record.TagGame]+"\x00"+c.Factors[record.TagScene]] = c.Figure(analysis.Average).Log()
	}
	common := commonKeys(rates)
	var out []Value
	for _, part := range parts {
		v := Value{By: by, Part: part, Factors: map[string]string{}, FPS: analysis.Undefined, Price: analysis.Undefined, CostPerFrame: analysis.Undefined, Games: []string{}, order: rest}
		for _, f := range rest {
			v.Factors[f] = cells[0].Factors[f]
		}
		sum := 0.0
		for _, k := range common {
			game, _, _ := strings.Cut(k, "\x00")
			if !slices.Contains(v.Games, game) {
				v.Games = append(v.Games, game)
			}
			sum += rates[part][k]
		}
		if len(common) > 0 {
			v.FPS = analysis.Number(math.Exp(sum / float64(len(common))))
		} else {
			v.Reason = "the parts have no game in common"
		}
		if p, ok := price[part]; ok {
			v.Price, v.Currency, v.Date = analysis.Number(p.Amount), p.Currency, p.Date
			v.CostPerFrame = v.Price / v.FPS
		} else {
			v.Reason = "no price is given"
		}
		out = append(out, v)
	}
	rankValues(out, ties)
	return out
}

func commonKeys(rates map[string]map[string]float64) []string {
	count := map[string]int{}
	for _, r := range rates {
		for k := range r {
			count[k]++
		}
	}
	var out []string
	for k, n := range count {
		if n == len(rates) {
			out = append(out, k)
		}
	}
	sort.Slice(out, func(i, j int) bool { return analysis.Naturally(out[i], out[j]) < 0 })
	return out
}

func rankValues(v []Value, ties map[string]bool) {
	for i := range v {
		if !v[i].CostPerFrame.Known() {
			continue
		}
		v[i].Frontier = true
		for j := range v {
			if i == j || !v[j].CostPerFrame.Known() {
				continue
			}
			if v[j].Price <= v[i].Price && v[j].FPS >= v[i].FPS && (v[j].Price < v[i].Price || v[j].FPS > v[i].FPS) {
				v[i].Frontier = false
			}
			key := analysis.FactorKey(v[i].Factors, v[i].order)
			if v[j].Price < v[i].Price && ties[key+v[i].Part+"\x00"+v[j].Part] && (v[i].NotWorth == "" || v[j].Price < cheapest(v, v[i].NotWorth)) {
				v[i].NotWorth = v[j].Part
				v[i].Reason = fmt.Sprintf("costs %.0f %% more than %s, and the difference in frame rate is shown to be a tie", 100*float64(v[i].Price/v[j].Price-1), v[j].Part)
			}
		}
	}
}

func cheapest(v []Value, part string) analysis.Number {
	for _, x := range v {
		if x.Part == part {
			return x.Price
		}
	}
	return analysis.Undefined
}
