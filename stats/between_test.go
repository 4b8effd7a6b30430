package stats_test

import (
	"math"
	"math/rand/v2"
	"testing"

	"capd.example/stats"
)

// Items in the same number of groups with equal variances: the analysis of variance. The
// data are those of the balanced nested case of [TestNestedVariance]'s definition, worked
// out here by its formulas: variance between = (MSB - MSW) / n.
func TestBetweenGroupsIsTheAnalysisOfVariance(t *testing.T) {
	groups := [][]float64{{10.1, 10.4, 9.9}, {11.2, 11.0, 11.5}, {9.2, 9.6, 9.1}, {10.8, 10.3, 10.6}, {10.0, 9.7, 10.2}}
	nested, err := stats.NestedVariance(groups, 0.95)
	if err != nil {
		t.Fatal(err)
	}
	var means []stats.GroupMean
	for g, x := range groups {
		sum := 0.0
		for _, v := range x {
			sum += v / float64(len(x))
		}
		means = append(means, stats.GroupMean{Group: g, Mean: sum, Var: nested.S2Within / 3})
	}
	b, err := stats.BetweenGroups(means)
	if err != nil {
		t.Fatal(err)
	}
	if math.Abs(b.Var/nested.S2Between-1) > 1e-9 || math.Abs(b.DF-4) > 1e-9 || math.Abs(b.Within*3/nested.S2Within-1) > 1e-9 {
		t.Errorf("%+v, want a variance of %g on 4 degrees of freedom from %g", b, nested.S2Between, nested.S2Within/3)
	}
}

// What a group shifts in all of its items alike is told once, whatever the items, their
// number and their variances; an item in one group tells nothing.
func TestBetweenGroupsSweepsItemsOut(t *testing.T) {
	r := rand.New(rand.NewPCG(3, 5))
	shift := make([]float64, 12)
	for g := range shift {
		shift[g] = 0.01 * r.NormFloat64()
	}
	const noise = 1e-9 // of the means, so that the shifts stand alone
	var means []stats.GroupMean
	for item := range 7 {
		for g := range shift {
			if (item+g)%3 > 0 {
				means = append(means, stats.GroupMean{Item: item, Group: g, Mean: float64(item) + shift[g], Var: noise * noise * float64(1+item)})
			}
		}
	}
	means = append(means, stats.GroupMean{Item: 99, Group: 77, Mean: 5, Var: 1})
	b, err := stats.BetweenGroups(means)
	if err != nil {
		t.Fatal(err)
	}
	mean, ss := 0.0, 0.0
	for _, x := range shift {
		mean += x / float64(len(shift))
	}
	for _, x := range shift {
		ss += (x - mean) * (x - mean)
	}
	if want := ss / float64(len(shift)-1); math.Abs(b.Var/want-1) > 1e-6 || math.Abs(b.DF-11) > 1e-6 || b.Items != 7 || b.Groups != 12 {
		t.Errorf("%+v, want a variance of %g on 11 degrees of freedom", b, want)
	}
	if b, err := stats.BetweenGroups(means[len(means)-1:]); err != nil || b.Items != 0 || b.DF != 0 {
		t.Errorf("one group: %+v %v", b, err)
	}
	for _, bad := range []stats.GroupMean{{Var: 0}, {Var: math.NaN()}, {Mean: math.Inf(1), Var: 1}, {Item: -1, Var: 1}, {Group: -1, Var: 1}} {
		if _, err := stats.BetweenGroups([]stats.GroupMean{bad}); err == nil {
			t.Errorf("%+v is taken", bad)
		}
	}
}

func TestWithBetween(t *testing.T) {
	inf := math.Inf(1)
	for _, c := range []struct {
		name       string
		within, v  float64
		b          stats.Between
		k, se2, df float64
	}{
		{"groups cancel", 4, 10, stats.Between{Var: 9, DF: 5}, 0, 4, 10},
		{"no variance between is stated", 4, 10, stats.Between{DF: inf}, 2, 4, 10},
		{"known variance between", 4, 10, stats.Between{Var: 3, DF: inf}, 2, 10, 10 * 10 / (4 * 4 / 10.)},
		{"one mean square is all", 2, 40, stats.Between{Var: 3, DF: 5, Within: 1}, 2, 8, 5},
		{"two mean squares", 3, 40, stats.Between{Var: 3, DF: 5, Within: 1}, 2, 9, 9 * 9 / (8*8/5. + 1*1/40.)},
		{"many groups", 2, 40, stats.Between{Var: 3, DF: 20, Within: 1}, 2, 8, 8 / (2/40. + 6/20.)},
	} {
		se, df := stats.WithBetween(c.within, c.v, c.b, c.k)
		if math.Abs(se*se-c.se2) > 1e-12 || math.Abs(df-c.df) > 1e-9 {
			t.Errorf("%s: variance %g on %g, want %g on %g", c.name, se*se, df, c.se2, c.df)
		}
	}
}
