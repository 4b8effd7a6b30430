package precision

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"capd.example/campaign"
	"capd.example/record"
	"capd.example/stats"
)

// plainPrecision is [Precision] word by word as it is defined, cell by cell and
// comparison by comparison.
func plainPrecision(c *campaign.Coverage, w Wish) []Need {
	p := c.Plan
	type own struct{ n, mean, sd, df float64 }
	cells := make([]own, p.Len())
	sds, dfs := map[string][]float64{}, map[string][]float64{}
	game := func(i int) string { return p.Campaign.Games[p.Level(i, p.Depth(record.TagGame))].Name }
	for i := range cells {
		var logs []float64
		for _, pass := range c.Passes(i) {
			if p.Campaign.Accepts(pass.Verdict) && pass.Metrics.AvgFPS > 0 {
				logs = append(logs, math.Log(pass.Metrics.AvgFPS))
			}
		}
		mean, sd := meanSD(logs)
		cells[i] = own{float64(len(logs)), mean, sd, float64(max(0, len(logs)-1))}
		if len(logs) > 1 {
			for _, of := range []string{game(i), ""} {
				sds[of], dfs[of] = append(sds[of], sd), append(dfs[of], cells[i].df)
			}
		}
	}
	pool := func(of string) (sd, df float64, cells int, mixed bool) {
		if cells = len(sds[of]); cells > 0 {
			sd, df = stats.PoolSD(sds[of], dfs[of])
			h := stats.Homogeneous(sds[of], dfs[of])
			mixed = h.CochranP < 0.01 || h.BartlettP < 0.01
		}
		return sd, df, cells, mixed
	}
	spread := func(i int) (float64, float64, string) {
		sd, df, n, mixed := pool(game(i))
		switch {
		case df >= gameEnough && !mixed:
			return sd, df, record.Count(n, "cell") + " of " + game(i)
		case df >= gameEnough && cells[i].df >= 2:
			return cells[i].sd, cells[i].df, "the cell itself: the cells of " + game(i) + " do not repeat alike"
		case df >= gameEnough:
			return sd, df, fmt.Sprintf("%d cells of %s, which do not repeat alike", n, game(i))
		}
		if sd, df, n, _ = pool(""); df > 0 {
			return sd, df, record.Count(n, "cell") + " of all games"
		}
		return math.NaN(), 0, "nothing recorded twice yet"
	}
	decided := func(i, j int) bool {
		if cells[i].n < 2 || cells[j].n < 2 {
			return false
		}
		si, di, _ := spread(i)
		sj, dj, _ := spread(j)
		se, df := stats.Satterthwaite([]float64{si / math.Sqrt(cells[i].n), sj / math.Sqrt(cells[j].n)}, []float64{di, dj})
		if si == sj && di == dj {
			df = di
		}
		margin := math.Abs(cells[i].mean - cells[j].mean)
		return se == 0 || df > 0 && (margin > stats.TQuantile(1-w.Alpha/2, df)*se || margin+stats.TQuantile(1-w.Alpha, df)*se < math.Log1p(w.Difference))
	}
	out := make([]Need, p.Len())
	factors := len(p.Factors())
	for i := range out {
		n := Need{Cell: i, Have: int(cells[i].n), Width: math.NaN(), Then: math.NaN(), ThenSession: math.NaN()}
		n.HaveSessions = min(1, n.Have) // the passes of a cell are of one session here
		n.SD, n.DF, n.From = spread(i)
		compared := 0
		for _, name := range w.By {
			d := p.Depth(name)
			if d < 0 {
				continue
			}
			for j := range p.Len() {
				if i == j || !alikeBut(p, factors, i, j, d) {
					continue
				}
				if compared++; !decided(i, j) {
					n.Open++
				}
			}
		}
		n.Decided = compared > 0 && n.Open == 0
		if n.Passes = passesFor(n.SD, n.DF, w); n.Decided {
			n.Passes = n.Have
		}
		n.More = max(0, n.Passes-n.Have)
		switch {
		case n.Have == 0:
			n.Gain = math.Inf(1)
		case !math.IsNaN(n.SD):
			k, t := cells[i].n, stats.TQuantile(1-w.Alpha/2, n.DF)
			n.Width, n.Then = math.Expm1(t*n.SD*math.Sqrt(2/k)), math.Expm1(t*n.SD*math.Sqrt(2/(k+1)))
			n.Gain = float64(n.Open) * n.SD * n.SD / (k * (k + 1))
		}
		out[i] = n
	}
	return out
}

// What is left out or worked out once changes no figure, to the last bit: against the plain
// definition, in campaigns of one kind and of many, with all that can lack.
func TestPrecisionIsThatOfItsDefinition(t *testing.T) {
	kinds, counted := map[string]int{}, map[int]bool{}
	for seed := range uint64(60) {
		r := rand.New(rand.NewPCG(seed, 11))
		c, err := campaign.Parse(fmt.Appendf(nil, `
name = "x"
accept = ["clean", "doubtful"]
[factors]
cpu = ["c0", "c1", "c2"]
gpu = ["g0", "g1", "g2", "g3"]
preset = ["low", "high"]
resolution = ["r0", "r1"]
[change_minutes]
cpu = %d
gpu = %d
[[game]]
name = "alike"
[[game]]
name = "mixed"
[[game]]
name = "bare"
presets = []
[[game]]
name = "rare"
presets = ["low"]
[[exclude]]
gpu = "g1"
resolution = "r1"
`, r.IntN(40), r.IntN(40)))
		if err != nil {
			t.Fatal(err)
		}
		p, err := campaign.NewPlan(c)
		if err != nil {
			t.Fatal(err)
		}
		var passes []record.Pass
		share := r.Float64()
		for i := range p.Len() {
			cell := p.Cell(i)
			if cell["game"] == "rare" && i%7 > 0 || r.Float64() > share {
				continue
			}
			sd := 0.004
			if cell["game"] == "mixed" {
				sd *= math.Exp(1.5 * r.NormFloat64())
			}
			base := 80 * math.Exp(0.01*r.NormFloat64())
			if r.IntN(4) == 0 {
				base *= 1 + r.Float64()
			}
			for range r.IntN(7) {
				tags := record.Tags{}
				for name, v := range cell {
					tags[name] = record.Tag{Value: v}
				}
				rate := base * math.Exp(sd*r.NormFloat64())
				switch r.IntN(30) {
				case 0:
					rate = 0
				case 1:
					rate = base
				}
				passes = append(passes, record.Pass{ID: fmt.Sprint(len(passes)), Tags: tags, StartedAt: time.Unix(int64(len(passes)), 0),
					Verdict: []record.Verdict{record.Clean, record.Clean, record.Clean, record.VerdictDoubtful, record.VerdictBad}[r.IntN(5)], Metrics: record.Metrics{AvgFPS: rate}})
			}
		}
		cover := p.Cover(passes)
		w := DefaultWish
		w.Difference = []float64{0.001, 0.01, 0.03}[r.IntN(3)]
		w.By = [][]string{{"cpu", "gpu"}, {"gpu"}, {"game", "preset"}, {"preset", "cpu", "nowhere"}, {"cpu", "cpu"}, nil}[r.IntN(6)]
		got, want := Of(cover, w), plainPrecision(cover, w)
		for i := range want {
			kinds[fmt.Sprintf("decided %v", want[i].Decided)]++
			kinds[want[i].From[max(0, len(want[i].From)-10):]]++
			counted[want[i].Passes] = true
			if a, b := fmt.Sprintf("%+v %x %x %x %x", got[i], got[i].SD, got[i].Width, got[i].Then, got[i].Gain),
				fmt.Sprintf("%+v %x %x %x %x", want[i], want[i].SD, want[i].Width, want[i].Then, want[i].Gain); a != b {
				t.Fatalf("seed %d:\n%s, by definition\n%s", seed, a, b)
			}
		}
		plain := slices.DeleteFunc(want, func(n Need) bool { return n.Have > 1 && n.More == 0 })
		slices.SortStableFunc(plain, func(x, y Need) int { return cmpGain(y, x) })
		for i, n := range Rank(cover, campaign.Position{Cell: -1}, w) {
			if n.Cell != plain[i].Cell {
				t.Fatalf("seed %d: cell %d stands at %d, want cell %d", seed, n.Cell, i, plain[i].Cell)
			}
		}
	}
	if len(kinds) < 7 || len(counted) < 30 {
		t.Errorf("too little was compared: %v, %d numbers of passes", kinds, len(counted))
	}
}

// Quantiles beside the one that is asked for tell the same as that one, however close the
// limit is.
func TestQuantilesBesideTellTheSame(t *testing.T) {
	r := rand.New(rand.NewPCG(5, 5))
	q := newQuantiles(0.975)
	for range 3000 {
		df := math.Exp(r.Float64() * math.Log(1500))
		at := stats.TQuantile(0.975, df)
		for _, away := range []float64{-1, -1e-3, -1e-6, -1e-9, 1e-9, 1e-6, 1e-3, 1} {
			limit := at * (1 + away)
			if got := below(q, df, func(t float64) bool { return t < limit }); got != (away > 0) {
				t.Fatalf("the quantile for %v degrees of freedom is %v; below %v: %v", df, at, limit, got)
			}
		}
	}
}

// alikeBut reports whether two cells differ in nothing but one factor.
func alikeBut(p *campaign.Plan, factors, i, j, depth int) bool {
	for d := range factors {
		if d != depth && p.Level(i, d) != p.Level(j, d) {
			return false
		}
	}
	return true
}

func cmpGain(x, y Need) int {
	switch {
	case x.Gain < y.Gain:
		return -1
	case x.Gain > y.Gain:
		return 1
	}
	return 0
}
