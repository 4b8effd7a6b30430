package campaign_test

import (
	"fmt"
	"math"
	"math/bits"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"capd.example/campaign"
)

// drawn makes a small random campaign; excluded cells are drawn too.
func drawn(t *rapid.T, excludes bool) *campaign.Campaign {
	var b strings.Builder
	b.WriteString("name = \"drawn\"\n[factors]\n")
	sizes := map[string]int{}
	for _, f := range []string{"cpu", "gpu", "memory"} {
		n := rapid.IntRange(1, 3).Draw(t, f)
		sizes[f] = n
		fmt.Fprintf(&b, "%s = [", f)
		for i := range n {
			fmt.Fprintf(&b, "%q, ", fmt.Sprintf("%s-%d", f, i))
		}
		b.WriteString("]\n")
	}
	b.WriteString("[change_minutes]\n")
	for _, f := range []string{"cpu", "gpu", "memory", "game"} {
		fmt.Fprintf(&b, "%s = %d\n", f, rapid.IntRange(0, 20).Draw(t, f+" cost"))
	}
	for i := range rapid.IntRange(1, 2).Draw(t, "games") {
		fmt.Fprintf(&b, "[[game]]\nname = \"game-%d\"\n", i)
	}
	if excludes {
		for range rapid.IntRange(0, 6).Draw(t, "excludes") {
			fmt.Fprintf(&b, "[[exclude]]\n")
			for _, f := range []string{"cpu", "gpu", "memory"} {
				if rapid.Bool().Draw(t, "names "+f) || f == "gpu" {
					fmt.Fprintf(&b, "%s = %q\n", f, fmt.Sprintf("%s-%d", f, rapid.IntRange(0, sizes[f]-1).Draw(t, "out")))
				}
			}
		}
	}
	c, err := campaign.Parse([]byte(b.String()))
	if err != nil {
		if strings.Contains(err.Error(), "remove every cell") {
			t.Skip("nothing left to plan")
		}
		t.Fatalf("%v in\n%s", err, b.String())
	}
	return c
}

// walk adds up the changes along cells by their values alone.
func walk(p *campaign.Plan, order []int) float64 {
	sum := 0.0
	for k := 1; k < len(order); k++ {
		sum += apart(p, order[k-1], order[k])
	}
	return sum
}

func apart(p *campaign.Plan, i, j int) float64 {
	a, b, sum := p.Cell(i), p.Cell(j), 0.0
	for _, f := range p.Factors() {
		if a[f.Name] != b[f.Name] {
			sum += f.ChangeMinutes
		}
	}
	return sum
}

// optimal returns the cheapest order of all by dynamic programming over subsets (Held and
// Karp 1962), without any use of the plan's own order.
func optimal(p *campaign.Plan) float64 {
	n := p.Len()
	best := make([][]float64, 1<<n)
	for set := 1; set < 1<<n; set++ {
		best[set] = make([]float64, n)
		for last := range n {
			best[set][last] = math.Inf(1)
			if set&(1<<last) == 0 {
				continue
			}
			before := set &^ (1 << last)
			if before == 0 {
				best[set][last] = 0
				continue
			}
			for from := before; from != 0; from &= from - 1 {
				k := bits.TrailingZeros(uint(from))
				best[set][last] = min(best[set][last], best[before][k]+apart(p, k, last))
			}
		}
	}
	least := math.Inf(1)
	for _, m := range best[1<<n-1] {
		least = min(least, m)
	}
	return least
}

func all(n int) []int {
	out := make([]int, n)
	for i := range out {
		out[i] = i
	}
	return out
}

const tiny = 1e-9

func TestAFullProductIsPlannedOptimally(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		p, err := campaign.NewPlan(drawn(t, false))
		if err != nil {
			t.Fatal(err)
		}
		got := p.Estimate(0).ChangeTime
		if math.Abs(got-p.Bound()) > tiny {
			t.Fatalf("changes take %g, the bound is %g", got, p.Bound())
		}
		if math.Abs(got-walk(p, all(p.Len()))) > tiny {
			t.Fatalf("the estimate %g is not the sum %g along the cells", got, walk(p, all(p.Len())))
		}
		if p.Len() <= 11 {
			if best := optimal(p); math.Abs(best-got) > tiny {
				t.Fatalf("changes take %g, the cheapest order of all %g", got, best)
			}
		}
	})
}

func TestWithExclusionsNoOrderIsBelowTheBound(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		p, err := campaign.NewPlan(drawn(t, true))
		if err != nil {
			t.Fatal(err)
		}
		got, bound := p.Estimate(0).ChangeTime, p.Bound()
		if bound > got+tiny || bound > p.Greedy()+tiny || bound > p.Written()+tiny {
			t.Fatalf("bound %g, plan %g, greedy %g, written %g", bound, got, p.Greedy(), p.Written())
		}
		if p.Len() > 11 {
			return
		}
		best := optimal(p)
		if best < bound-tiny || best > got+tiny {
			t.Fatalf("the cheapest order takes %g, the bound is %g, the plan %g", best, bound, got)
		}
	})
}

// Every node of the tree of factors is visited in one go, so that no part comes back.
func TestNoPartComesBack(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		p, err := campaign.NewPlan(drawn(t, true))
		if err != nil {
			t.Fatal(err)
		}
		for depth := 1; depth <= len(p.Factors()); depth++ {
			seen, last := map[string]bool{}, ""
			for i := range p.Len() {
				cell, key := p.Cell(i), ""
				for _, f := range p.Factors()[:depth] {
					key += cell[f.Name] + "|"
				}
				if key != last && seen[key] {
					t.Fatalf("%s comes back at cell %d", key, i)
				}
				seen[key], last = true, key
			}
		}
	})
}
