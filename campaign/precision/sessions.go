package precision

import (
	"fmt"
	"math"
	"slices"

	"capd.example/campaign"
	"capd.example/record"
	"capd.example/stats"
)

// sessionMinDF is the degrees of freedom below which nothing is said of the spread between
// sessions, and sessionPart the most of the variance that a wish allows which is left to
// sessions when their number is worked out (conventions; sessions cost more than passes).
const (
	sessionMinDF = 3
	sessionPart  = 0.8
)

// shifts is what is known of what sessions shift.
type shifts struct {
	between stats.Between
	known   bool
	from    string
	of      [][]sessionCount // per cell: its sessions with the passes that count
}

type sessionCount struct {
	session int
	passes  int
}

// inSessions divides the passes of a cell that count: logarithms of their rates by session.
type inSessions struct {
	sessions []int
	logs     [][]float64
	bench    []string
	system   []string
}

// within is the standard deviation within sessions, pooled.
func (s inSessions) within() (sd, df float64) {
	if len(s.logs) == 1 {
		_, sd = meanSD(s.logs[0])
		return sd, float64(len(s.logs[0]) - 1)
	}
	square := 0.0
	for _, logs := range s.logs {
		if _, sd := meanSD(logs); len(logs) > 1 {
			square, df = square+sd*sd*float64(len(logs)-1), df+float64(len(logs)-1)
		}
	}
	return math.Sqrt(square / df), df
}

// estimate works out the spread between sessions from the cells that were measured in
// several of them on one bench with one system; as in ISO 5725-3:1994, see
// [stats.BetweenGroups]. Stated is used where that tells too little, 0 for unknown.
func (s *shifts) estimate(cells []inSessions, spread []spread, stated float64) {
	var means []stats.GroupMean
	type condition struct{ bench, system string }
	item := 0
	for i, c := range cells {
		if len(c.logs) < 2 || !(spread[i].sd > 0) {
			continue
		}
		at := map[condition]int{}
		for k, logs := range c.logs {
			of := condition{c.bench[k], c.system[k]}
			if _, seen := at[of]; !seen {
				item++
				at[of] = item
			}
			mean, _ := meanSD(logs)
			means = append(means, stats.GroupMean{Item: at[of], Group: c.sessions[k], Mean: mean,
				Var: spread[i].sd * spread[i].sd / float64(len(logs))})
		}
	}
	if b, err := stats.BetweenGroups(means); len(means) > 0 && err == nil && b.DF >= sessionMinDF {
		s.between, s.known = b, true
		s.from = fmt.Sprintf("%s measured in several of %s", record.Count(b.Items, "cell"), record.Count(b.Groups, "session"))
		return
	}
	if stated > 0 {
		s.between, s.known, s.from = stats.Between{Var: stated * stated, DF: math.Inf(1)}, true, "stated, not measured"
	}
}

// weight returns by what the variance between sessions enters the margin of two cells: the
// sum over sessions of the square of the weight that their passes have in it.
func (s *shifts) weight(i, j int) float64 {
	share := func(list []sessionCount, session int) float64 {
		n, of := 0, 0
		for _, c := range list {
			n += c.passes
			if c.session == session {
				of = c.passes
			}
		}
		return float64(of) / float64(n)
	}
	sum := 0.0
	for _, c := range s.of[i] {
		d := share(s.of[i], c.session) - share(s.of[j], c.session)
		sum += d * d
	}
	for _, c := range s.of[j] {
		if !slices.ContainsFunc(s.of[i], func(o sessionCount) bool { return o.session == c.session }) {
			d := share(s.of[j], c.session)
			sum += d * d
		}
	}
	return sum
}

// concentration is the sum of the squares of the shares of a cell's sessions, with more
// passes in sessions of their own: 1 for one session, 1/m for m alike.
func concentration(list []sessionCount, more int) float64 {
	n, square := more, more
	for _, c := range list {
		n += c.passes
		square += c.passes * c.passes
	}
	return float64(square) / (float64(n) * float64(n))
}

// wanted returns how many sessions a cell needs for a wish, and the wish that is left to the
// passes. The variance of a margin of two cells in m sessions each has 2 s_B^2 / m of them,
// which no number of passes lowers.
func (s *shifts) wanted(w Wish) (sessions int, left Wish) {
	k, err := stats.KnownSDSampleSize(1, 1, w.Alpha, w.Power) // 2 (z + z')^2
	if err != nil || !(s.between.Var > 0) {
		return 1, w
	}
	delta := math.Log1p(w.Difference)
	m := math.Ceil(k * s.between.Var / (sessionPart * delta * delta))
	if !(m < math.MaxInt32) {
		return 0, w
	}
	left = w
	left.Difference = math.Expm1(math.Sqrt(delta*delta - k*s.between.Var/m))
	return int(m), left
}

// crosses reports whether the compared cells lie in different sessions whatever one does:
// a comparison of parts that are exchanged does.
func (w Wish) crosses(p *campaign.Plan) bool {
	return slices.ContainsFunc(w.By, func(f string) bool {
		return p.Depth(f) >= 0 && slices.Contains([]string{record.TagProcessor, record.TagGraphics, record.TagDriver}, f)
	})
}
