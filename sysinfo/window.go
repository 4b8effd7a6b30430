package sysinfo

import (
	"fmt"
	"maps"
	"math"
	"slices"
	"strings"
	"time"

	"capd.example/record"
	"capd.example/sysinfo/cardusers"
	"capd.example/sysinfo/process"
	"capd.example/sysinfo/sensor"
)

// Window is [Bench.WindowFor] without knowing the measured program.
func (b *Bench) Window(from, to time.Time) (*record.Telemetry, error) {
	return b.WindowFor(from, to, "")
}

// WindowFor returns a copy of the samples taken from one time to another, with what the
// measured program and all others used. program is its name as the log tells it, "" for
// unknown: then it is the program that used most processor time and worked through the
// whole window, one that holds a graphics device before one that does not. Where that is
// not clear a gap of the series cpu.game says so. The error says why no samples cover the
// window. It may be called at any time.
func (b *Bench) WindowFor(from, to time.Time, program string) (*record.Telemetry, error) {
	if to.Before(from) {
		return nil, fmt.Errorf("the window ends at %s before it begins at %s", to.Format(time.RFC3339),
			from.Format(time.RFC3339))
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.ring == nil {
		return nil, fmt.Errorf("no samples were taken: sampling has not begun")
	}
	rows := b.ring.between(from, to)
	if len(rows) == 0 {
		return nil, b.whyEmpty(from, to)
	}
	rows = b.ring.inside(rows, from)
	t := &record.Telemetry{}
	for _, k := range rows {
		t.At = append(t.At, b.ring.at[k].Round(0).UTC())
	}
	t.Series, t.Missing = b.ring.series(rows, from, to)
	t.Missing = append(slices.Clone(b.gaps), t.Missing...)
	t.Missing = append(t.Missing, b.coverage(rows, from, to)...)
	b.addSleep(t, rows, from, to)
	b.attribute(t, rows, from, to, program)
	return t, nil
}

// inside leaves out a first row whose rates tell mostly of the rest before the window:
// the one that was taken when the machine woke.
func (r *ring) inside(rows []int, from time.Time) []int {
	k := rows[0]
	before := from.Sub(r.at[k].Round(0).Add(-seconds(r.span[k])))
	if len(rows) > 1 && r.rested[k] && !r.rested[rows[1]] && before > seconds(r.span[k])/2 {
		return rows[1:]
	}
	return rows
}

func (b *Bench) whyEmpty(from, to time.Time) error {
	first, last := b.ring.extent()
	span := from.Format(time.TimeOnly) + " to " + to.Format(time.TimeOnly)
	switch {
	case first.IsZero():
		return fmt.Errorf("no samples cover %s: none has been taken yet", span)
	case to.Before(first):
		return fmt.Errorf("no samples cover %s: the oldest is of %s", span, first.Format(time.TimeOnly))
	case from.After(last):
		return fmt.Errorf("no samples cover %s: the latest is of %s", span, last.Format(time.TimeOnly))
	}
	return fmt.Errorf("no samples cover %s: it lies between two of them", span)
}

// extent returns the times of the oldest and the latest row.
func (r *ring) extent() (first, last time.Time) {
	for _, t := range r.at {
		if t.IsZero() {
			continue
		}
		if first.IsZero() || t.Before(first) {
			first = t
		}
		if t.After(last) {
			last = t
		}
	}
	return first, last
}

// coverage says where samples are missing inside the window: before the first, after the
// last, and between two where the machine slept or the agent was held up.
func (b *Bench) coverage(rows []int, from, to time.Time) []record.Gap {
	missing := time.Duration(0)
	longest := 2 * b.opt.Idle
	edge := from
	for _, k := range rows {
		if d := b.ring.at[k].Round(0).Sub(edge); d > longest && !(b.ring.rested[k] && d <= restMost+longest) {
			missing += d
		}
		edge = b.ring.at[k].Round(0)
	}
	if d := to.Sub(edge); d > longest {
		missing += d
	}
	if missing == 0 {
		return nil
	}
	return []record.Gap{{Name: "samples", Why: record.Absent,
		Text: fmt.Sprintf("%.0f of %.0f s of the window have no samples", missing.Seconds(), to.Sub(from).Seconds())}}
}

// attribute adds who used the processors.
func (b *Bench) attribute(t *record.Telemetry, rows []int, from, to time.Time, program string) {
	miss := func(name string, why record.Unknown, text string) {
		t.Missing = append(t.Missing, record.Gap{Name: name, Why: why, Text: text})
	}
	busyAt := b.ring.index(sensor.ColumnBusySeconds)
	if b.table == nil || busyAt < 0 {
		miss(record.SeriesBackground, record.Absent, "neither processor times nor processes can be read")
		return
	}
	if g, yes := b.table.Gap(); yes {
		t.Missing = append(t.Missing, g)
		miss(record.SeriesBackground, g.Why, g.Text)
		return
	}
	// What the samples saw: from the start of the first sample's interval to the last.
	spanFrom, spanTo := b.ring.at[rows[0]].Add(-seconds(b.ring.span[rows[0]])), b.ring.at[rows[len(rows)-1]]
	if spanTo.Sub(spanFrom) <= 0 {
		miss(record.SeriesBackground, record.Absent, "a single first sample tells no rates")
		return
	}
	used := b.table.Between(spanFrom, spanTo)
	cards := b.cardUse.Between(spanFrom, spanTo)
	for _, u := range used {
		u.Card = cards.Most(u.PID)
	}
	game, own, others := split(used, b.table.Self, program, spanFrom, spanTo, miss)
	busy, known := b.busySeconds(rows, busyAt)
	gameSeries, background := make([]float64, len(rows)), make([]float64, len(rows))
	for i, k := range rows {
		a, z := b.ring.at[k].Add(-seconds(b.ring.span[k])), b.ring.at[k]
		gameSeries[i], background[i] = math.NaN(), math.NaN()
		if math.IsNaN(busy[i]) || b.ring.span[k] <= 0 {
			continue
		}
		g, o := usedIn(game, a, z), usedIn(own, a, z)
		gameSeries[i] = 100 * g / b.ring.span[k]
		// Ticks of 10 ms make small differences swing around zero.
		background[i] = max(0, 100*(busy[i]-g-o)/b.ring.span[k])
	}
	if len(game) > 0 {
		t.Series = append(t.Series, record.Series{Name: record.SeriesGame, Unit: "% of one core", Source: "process times",
			Values: gameSeries})
	}
	if known {
		t.Series = append(t.Series, record.Series{Name: record.SeriesBackground, Unit: "% of one core",
			Source: "processor times less process times", Values: background})
	} else {
		miss(record.SeriesBackground, record.Broken, "processor times gave no number in this time")
	}
	b.attributeCards(t, rows, cards, game, own)
	t.Processes = processList(game, own, others, cards, busy, spanFrom, spanTo)
}

func seconds(s float64) time.Duration { return time.Duration(s * float64(time.Second)) }

// busySeconds returns the growth of the busy time at each row.
func (b *Bench) busySeconds(rows []int, col int) (grown []float64, known bool) {
	grown = make([]float64, len(rows))
	for i, k := range rows {
		before := (k + len(b.ring.at) - 1) % len(b.ring.at)
		grown[i] = math.NaN()
		if b.ring.at[before].IsZero() || b.ring.span[k] <= 0 {
			continue
		}
		if d := b.ring.row(k)[col] - b.ring.row(before)[col]; d >= 0 {
			grown[i], known = d, true
		}
	}
	return grown, known
}

// usedIn returns the seconds that the processes used between two times.
func usedIn(list []*process.Usage, from, to time.Time) float64 {
	ns := 0.0
	for _, u := range list {
		for _, l := range u.Looks {
			if l.At.After(from) && l.Since.Before(to) {
				ns += l.Share(from, to)
			}
		}
	}
	return ns / 1e9
}

// split tells the measured program from our own processes and all others.
func split(used []*process.Usage, self int, program string, from, to time.Time,
	miss func(string, record.Unknown, string)) (game, own, others []*process.Usage) {
	for _, u := range used {
		if self != 0 && (u.PID == self || u.Parent == self) {
			own = append(own, u)
		} else {
			others = append(others, u)
		}
	}
	slices.SortStableFunc(others, func(a, b *process.Usage) int { return cmpDown(a.NS, b.NS) })
	if program != "" {
		for _, u := range others {
			if process.SameProgram(u.Name, program) {
				game = append(game, u)
			}
		}
		if len(game) == 0 {
			miss(record.SeriesGame, record.Absent, "no running program is called "+program+" as the log says")
		}
	}
	if len(game) == 0 {
		if u := chooseGame(others, from, to, miss); u != nil {
			game = append(game, u)
		}
	}
	others = slices.DeleteFunc(others, func(u *process.Usage) bool { return slices.Contains(game, u) })
	return game, own, others
}

func cmpDown(a, b float64) int {
	switch {
	case a > b:
		return -1
	case a < b:
		return 1
	}
	return 0
}

// gameLeast is the share of one processor that a measured program uses at the least.
const gameLeast = 0.05

// gameCard is the share of a graphics card from which a program can be the measured one
// rather than a desktop that shows it.
const gameCard = 0.1

// alike is from which share of the largest another program could as well be the game.
const alike = 0.7

// chooseGame picks the measured program from the others, sorted by use.
func chooseGame(others []*process.Usage, from, to time.Time, miss func(string, record.Unknown, string)) *process.Usage {
	length := to.Sub(from)
	slack := max(length/10, 2*time.Second)
	var through []*process.Usage
	for _, u := range others {
		if u.NS >= gameLeast*float64(length) && u.First.Sub(from) <= slack && to.Sub(u.Last) <= slack {
			through = append(through, u)
		}
	}
	if len(through) == 0 {
		miss(record.SeriesGame, record.Absent, fmt.Sprintf("no program used %.0f %% of a core through the whole window",
			100*gameLeast))
		return nil
	}
	use := func(u *process.Usage) float64 { return u.NS }
	if slices.ContainsFunc(through, func(u *process.Usage) bool { return u.Card >= gameCard }) {
		use = func(u *process.Usage) float64 { return u.Card }
		slices.SortStableFunc(through, func(a, b *process.Usage) int { return cmpDown(a.Card, b.Card) })
	} else if i := slices.IndexFunc(through, func(u *process.Usage) bool { return u.Graphics }); i >= 0 {
		return through[i]
	}
	first := through[0]
	var rivals []string
	for _, u := range through[1:] {
		if use(u) >= alike*use(first) {
			u.Rival = true
			rivals = append(rivals, u.Name)
		}
	}
	if len(rivals) > 0 {
		first.Rival = true
		miss(record.SeriesGame, record.Unsupported,
			fmt.Sprintf("%s used most, but %s about as much, so the measured program is unknown; the background is the total less %s",
				first.Name, strings.Join(rivals, ", "), first.Name))
	}
	return first
}

// listMost is how many programs a window names at the most.
const listMost = 12

// shortLived stands for processes that started and ended between two looks, and for the
// kernel's own work.
const shortLived = "short-lived"

// processList names the programs that used most, from 0.5 % of a core.
func processList(game, own, others []*process.Usage, cards cardusers.Window, busy []float64, from,
	to time.Time) []record.ProcessUse {
	length := float64(to.Sub(from))
	total := 0.0
	for _, s := range busy {
		if !math.IsNaN(s) {
			total += s * 1e9
		}
	}
	rest := total
	var list []record.ProcessUse
	onCards := cards.Programs()
	add := func(u *process.Usage, isGame bool) {
		rest -= u.NS
		use := cards.UsedBy(u.PID)
		delete(onCards, u.PID)
		if p := 100 * u.NS / length; p >= 0.5 || isGame || len(use) > 0 {
			list = append(list, record.ProcessUse{Name: u.Name, PID: u.PID, From: from.Round(0).UTC(), To: to.Round(0).UTC(),
				Percent: p, Game: isGame, Rival: u.Rival, Cards: use})
		}
	}
	for _, u := range game {
		add(u, true)
	}
	for _, u := range own {
		add(u, false)
	}
	for _, u := range others {
		add(u, false)
	}
	for _, pid := range slices.Sorted(maps.Keys(onCards)) { // those that no processor time was seen of
		list = append(list, record.ProcessUse{Name: onCards[pid], PID: pid, From: from.Round(0).UTC(), To: to.Round(0).UTC(),
			Cards: cards.UsedBy(pid)})
	}
	if p := 100 * rest / length; p >= 1 {
		list = append(list, record.ProcessUse{Name: shortLived, From: from.Round(0).UTC(), To: to.Round(0).UTC(), Percent: p})
	}
	slices.SortStableFunc(list, func(a, b record.ProcessUse) int { return cmpDown(mostUsed(a), mostUsed(b)) })
	return list[:min(len(list), listMost)]
}

// mostUsed is the greatest share, in per cent, that a program used of a core or an engine
// of a card.
func mostUsed(u record.ProcessUse) float64 {
	most := u.Percent
	for _, c := range u.Cards {
		most = max(most, c.Shading, c.Copy, c.Video)
	}
	return most
}
