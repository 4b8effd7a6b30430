package analysis

import (
	"cmp"
	"math"
	"slices"

	"capd.example/analysis/variance"
	"capd.example/record"
	"capd.example/stats"
)

// Repeat is how well one figure repeats on one bench in one game and regime.
type Repeat struct {
	Bench  string `json:"bench"`
	Game   string `json:"game"`
	Regime Regime `json:"regime,omitempty"`
	Metric string `json:"metric"`

	SD   Number `json:"sd"` // of ln: 0.01 is one per cent
	DF   Number `json:"df"`
	Sets int    `json:"sets"` // of passes under equal conditions, without those left out
	// LeftOut sets spread more than the others (Cochran's test) and are in none of the figures here,
	// the months included; LeftOutSD is the largest spread of one. Apart says why the sets
	// have no one spread at all, "" where they have.
	LeftOut   int    `json:"left_out_sets"`
	LeftOutSD Number `json:"left_out_sd"`
	Apart     string `json:"not_homogeneous,omitempty"`
	// Resolves is the smallest difference of two cells of three passes each that a test at
	// 5 % finds with 80 % probability, from this spread (relative).
	Resolves Number `json:"resolves"`
	// SessionSD is the standard deviation of what a session of the bench shifts all rates by,
	// of ln, on SessionDF degrees of freedom: null where too little was measured in several.
	SessionSD    Number `json:"session_sd"`
	SessionDF    Number `json:"session_df"`
	SessionCells int    `json:"session_cells"` // measured in several sessions

	Months []MonthSpread `json:"months"`
}

// MonthSpread is the spread of one calendar month (UTC).
type MonthSpread struct {
	Month string `json:"month"` // 2006-01
	SD    Number `json:"sd"`
	DF    Number `json:"df"`
	Sets  int    `json:"sets"`
}

// Repeats pools the spread of passes per bench, game, regime and metric, and says
// how it moved over the months.
func Repeats(passes []record.Pass, o Options) []Repeat {
	o = o.WithDefaults()
	o.History = nil
	session := record.SessionOf(passes)
	cells := group(passes, o.Factors, session)
	for i := range cells {
		cells[i].measure(o.Confidence)
	}
	regimes(cells, o.Factors)
	p := newPools(cells, session, o)
	o.SessionSD = 0
	sessions := sessionSpreads(cells, p, regimeOfCells(cells, o.Factors), o)
	out := []Repeat{}
	for key, set := range p.sets {
		if key.Across {
			continue
		}
		out = append(out, set.describe(key, sessions[benchMetric{key.Bench, key.Metric}]))
	}
	slices.SortFunc(out, func(a, b Repeat) int {
		return cmp.Or(Naturally(a.Bench, b.Bench), Naturally(a.Game, b.Game), cmp.Compare(metricIndex(a.Metric), metricIndex(b.Metric)), cmp.Compare(a.Regime, b.Regime))
	})
	return out
}

func metricIndex(name string) int {
	return slices.IndexFunc(Metrics, func(m Metric) bool { return m.Name == name })
}

func (p *pool) describe(key variance.Pool, sessions *variance.Sessions) Repeat {
	r := Repeat{Bench: key.Bench, Game: key.Game, Regime: Regime(key.Limit), Metric: key.Metric, SD: Number(p.s), DF: Number(p.v),
		Sets: len(p.sd), LeftOutSD: Undefined, Apart: p.apart, Resolves: Undefined, SessionSD: Undefined, SessionDF: Undefined, Months: []MonthSpread{}}
	if sessions != nil {
		r.SessionCells = sessions.Cells
		if sessions.Known() {
			r.SessionSD, r.SessionDF = Number(sessions.SD), Number(sessions.DF)
		}
	}
	for i, out := range p.out {
		if out {
			r.LeftOut, r.Sets = r.LeftOut+1, r.Sets-1
			if sd := Number(p.sd[i]); r.LeftOut == 1 || sd > r.LeftOutSD {
				r.LeftOutSD = sd
			}
		}
	}
	if p.apart == "" && p.v > 0 && p.s > 0 {
		r.Resolves = Number(resolves(p.s, p.v, 3))
	}
	byMonth := map[string]*pool{}
	var months []string
	for i, at := range p.at {
		if p.out[i] {
			continue
		}
		m := at.UTC().Format("2006-01")
		if at.IsZero() {
			m = "unknown"
		}
		if byMonth[m] == nil {
			byMonth[m] = &pool{}
			months = append(months, m)
		}
		byMonth[m].sd, byMonth[m].df = append(byMonth[m].sd, p.sd[i]), append(byMonth[m].df, p.df[i])
	}
	slices.Sort(months)
	for _, m := range months {
		s, v := stats.PoolSD(byMonth[m].sd, byMonth[m].df)
		r.Months = append(r.Months, MonthSpread{Month: m, SD: Number(s), DF: Number(v), Sets: len(byMonth[m].sd)})
	}
	return r
}

// resolves is the difference of two means of n results each that a two-sided test at 5 %
// finds with 80 % probability, where the spread s is known to v degrees of freedom: (t +
// t') s sqrt(2/n) with the quantiles of 0.975 and 0.8, an approximation of the noncentral t
// that is good to a few per cent from six degrees of freedom on.
func resolves(s, v float64, n int) float64 {
	return (stats.TQuantile(0.975, v) + stats.TQuantile(0.8, v)) * s * math.Sqrt(2/float64(n))
}
