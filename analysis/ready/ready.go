// Package ready lists what stands against publishing the results of a campaign: what is odd,
// open, doubtful, of another campaign, undisclosed or measured with another driver. What holds
// for several cells is said once, with all of them.
package ready

import (
	"cmp"
	"fmt"
	"maps"
	"slices"
	"strings"

	"capd.example/analysis"
	"capd.example/record"
)

// Kind is what a concern is about.
type Kind string

// The kinds, in the order in which they are told.
const (
	Odd        Kind = "odd"        // a cell that does not fit in with the others
	Open       Kind = "open"       // planned and not measured, or with too few good passes
	Doubtful   Kind = "doubtful"   // passes that count although a check was not content
	Disagree   Kind = "disagree"   // cells whose passes differ too much
	Foreign    Kind = "campaign"   // passes of another campaign or of none
	Driver     Kind = "driver"     // one card, or cards of one maker, with several drivers
	Mixed      Kind = "mixed"      // passes of one cell that were not taken alike
	Disclosure Kind = "disclosure" // a fact about the test system that readers are owed
)

// Concern is one thing to settle or to tell before publishing.
type Concern struct {
	Kind   Kind                `json:"kind"`
	Text   string              `json:"text"`
	Advice string              `json:"advice"`
	Cells  []map[string]string `json:"cells,omitempty"`  // factor values of the cells concerned
	Passes []string            `json:"passes,omitempty"` // and identities of passes
	Notes  []string            `json:"notes,omitempty"`  // what the reviewer noted on all of these cells
}

// Suspect is a cell that does not fit in with the others.
type Suspect struct {
	Factors        map[string]string
	Reason, Advice string
	Passes         []string
}

// Planned is a cell of the campaign that lacks passes.
type Planned struct {
	Factors      map[string]string
	Good, Wanted int
}

// Input is what is looked at.
type Input struct {
	Cells   []analysis.Cell
	Passes  []record.Pass // of these cells
	Systems map[string]record.System
	Factors []string  // that make a cell, in their order
	Odd     []Suspect // of these cells
	Open    []Planned // of the campaign's plan; nil where there is none
	Planned int       // cells of the plan, 0 without a campaign
	// Foreign says for people which passes are not of the campaign, and which campaigns stand
	// side by side.
	Foreign []string
	Notes   []record.Note // by the reviewer, about these passes
}

// usual is the number of passes that a cell is expected to have where no campaign says it
// (common practice).
const usual = 3

// Check returns what stands against publishing, the weightiest first; none where all is well.
func Check(in Input) []Concern {
	c := checker{Input: in, of: map[string]record.Pass{}}
	for _, p := range in.Passes {
		c.of[p.ID] = p
	}
	c.odd()
	c.open()
	c.doubtful()
	c.disagree()
	c.foreign()
	c.drivers()
	c.mixed()
	c.disclosure()
	return c.out
}

type checker struct {
	Input
	of  map[string]record.Pass
	out []Concern
}

// add takes a concern with what the reviewer noted on each of its cells.
func (c *checker) add(x Concern) {
	for _, n := range c.Notes {
		about := len(x.Cells) > 0
		for _, values := range x.Cells {
			about = about && n.Fits(func(name string) string { return values[name] })
		}
		if about {
			x.Notes = append(x.Notes, n.Text)
		}
	}
	c.out = append(c.out, x)
}

// name names a cell by the factors in their order.
func (c *checker) name(values map[string]string) string {
	return cmp.Or(analysis.NameOf(values, c.Factors), analysis.NoTags)
}

// few joins names, the first of many.
func few(names []string) string {
	const most = 4
	if n := len(names) - most; n > 1 {
		return fmt.Sprintf("%s and %d more", strings.Join(names[:most], "; "), n)
	}
	return strings.Join(names, "; ")
}

func (c *checker) odd() {
	for _, x := range c.Odd {
		c.add(Concern{Kind: Odd, Text: fmt.Sprintf("%s: %s", c.name(x.Factors), x.Reason), Advice: x.Advice,
			Cells: []map[string]string{x.Factors}, Passes: x.Passes})
	}
}

func (c *checker) open() {
	x := Concern{Kind: Open, Advice: "record them: 'capctl coverage --open' lists them, 'capctl next' says what is next"}
	var names []string
	add := func(values map[string]string, good, wanted int) {
		x.Cells = append(x.Cells, values)
		names = append(names, fmt.Sprintf("%s (%d of %d)", c.name(values), good, wanted))
	}
	of := fmt.Sprintf("%s planned", record.Count(c.Planned, "cell"))
	if c.Planned == 0 {
		of = record.Count(len(c.Cells), "cell")
		x.Advice = "record more passes of them, or say that they rest on fewer than three; there is no campaign that says how many are wanted"
		for _, k := range c.Cells {
			if n := len(k.Passes.Used); n < usual {
				add(k.Factors, n, usual)
			}
		}
	}
	for _, p := range c.Open {
		add(p.Factors, p.Good, p.Wanted)
	}
	if len(names) > 0 {
		x.Text = fmt.Sprintf("%d of %s have too few good passes: %s", len(names), of, few(names))
		c.add(x)
	}
}

// doubtful gathers the passes that count by the check that was not content.
func (c *checker) doubtful() {
	type group struct {
		passes []string
		cells  []map[string]string
		reason string
	}
	groups := map[string]*group{}
	for _, k := range c.Cells {
		for _, u := range k.Passes.Used {
			if u.Verdict == record.Clean || u.Verdict == "" {
				continue
			}
			for _, what := range against(c.of[u.ID], u.Verdict) {
				g := groups[what[0]]
				if g == nil {
					g = &group{reason: what[1]}
					groups[what[0]] = g
				}
				g.passes = append(g.passes, u.ID)
				if n := len(g.cells); n == 0 || c.name(g.cells[n-1]) != c.name(k.Factors) {
					g.cells = append(g.cells, k.Factors)
				}
			}
		}
	}
	for _, what := range slices.Sorted(maps.Keys(groups)) {
		g := groups[what]
		text := fmt.Sprintf("%s count although %s", record.Count(len(g.passes), "pass"), what)
		if len(g.passes) == 1 {
			text = fmt.Sprintf("pass %s counts although %s", g.passes[0], what)
		}
		if g.reason != "" {
			text += "; the first of them: " + g.reason
		}
		c.add(Concern{Kind: Doubtful, Text: text, Cells: g.cells, Passes: g.passes,
			Advice: "look at them with 'capctl show ID'; repeat them, or 'capctl overrule ID clean --why ...' where you know better"})
	}
}

// against says which checks were not content with a pass, each with its reason.
func against(p record.Pass, verdict record.Verdict) (out [][2]string) {
	for _, f := range p.Findings {
		switch {
		case verdict == record.VerdictDoubtful && f.Outcome == record.Doubtful:
			out = append(out, [2]string{fmt.Sprintf("the check %s found reason to doubt", f.Check), strings.TrimRight(f.Reason, ". ")})
		case verdict == record.Unverified && f.Outcome == record.NotChecked:
			out = append(out, [2]string{fmt.Sprintf("the check %s could not look", f.Check), strings.TrimRight(f.Reason, ". ")})
		}
	}
	if len(out) == 0 {
		out = [][2]string{{fmt.Sprintf("the verdict is %s", verdict), ""}}
	}
	return out
}

func (c *checker) disagree() {
	x := Concern{Kind: Disagree,
		Advice: "record one more pass of each; until then the tables show the middle value, marked *"}
	var names []string
	for _, k := range c.Cells {
		if k.Agree.Outcome == record.Doubtful {
			x.Cells = append(x.Cells, k.Factors)
			names = append(names, c.name(k.Factors))
		}
	}
	if len(names) > 0 {
		x.Text = fmt.Sprintf("the passes of %s differ too much: %s", record.Count(len(names), "cell"), few(names))
		c.add(x)
	}
}

func (c *checker) foreign() {
	older := map[string][]map[string]string{}
	for _, k := range c.Cells {
		if k.Older != nil {
			older[k.Older.Campaign] = append(older[k.Older.Campaign], k.Factors)
		}
	}
	for _, name := range slices.Sorted(maps.Keys(older)) {
		of := "campaign " + name
		if name == "" {
			of = "passes without a campaign"
		}
		n := len(older[name])
		rest := "rest"
		if n == 1 {
			rest = "rests"
		}
		c.add(Concern{Kind: Foreign, Cells: older[name], Advice: "say so beside them, or measure them again",
			Text: fmt.Sprintf("%s %s on older passes: %s", record.Count(n, "cell"), rest, of)})
	}
	for _, line := range c.Foreign {
		c.add(Concern{Kind: Foreign, Text: line, Advice: "say so, or select the passes that are meant"})
	}
}

// card is what a cell's card is, and the maker that its detected name begins with.
func (c *checker) card(p record.Pass) (name, maker, driver string) {
	s := c.Systems[p.System]
	field := func(n string) string {
		f, _ := s.Get(n)
		return f.Value
	}
	detected := field(record.FieldGraphicsName)
	maker, _, _ = strings.Cut(detected, " ")
	return cmp.Or(p.Tags.Value(record.TagGraphics), detected), maker,
		cmp.Or(field(record.FieldGraphicsDriver), p.Tags.Value(record.TagDriver))
}

// drivers looks for cards, and for cards of one maker, that were measured with several drivers.
func (c *checker) drivers() {
	type use struct {
		passes map[string]int // by driver
		cells  map[string][]map[string]string
	}
	cards, makers := map[string]*use{}, map[string]*use{}
	note := func(to map[string]*use, key, driver string, values map[string]string) {
		if key == "" || driver == "" {
			return
		}
		u := to[key]
		if u == nil {
			u = &use{map[string]int{}, map[string][]map[string]string{}}
			to[key] = u
		}
		u.passes[driver]++
		if n := len(u.cells[driver]); n == 0 || c.name(u.cells[driver][n-1]) != c.name(values) {
			u.cells[driver] = append(u.cells[driver], values)
		}
	}
	for _, k := range c.Cells {
		for _, u := range k.Passes.Used {
			name, maker, driver := c.card(c.of[u.ID])
			note(cards, name, driver, k.Factors)
			note(makers, maker, driver, k.Factors)
		}
	}
	several := false
	tell := func(of map[string]*use, what string) {
		for _, key := range slices.Sorted(maps.Keys(of)) {
			u := of[key]
			if len(u.passes) < 2 {
				continue
			}
			several = true
			list := slices.SortedFunc(maps.Keys(u.passes),
				func(a, b string) int { return cmp.Or(u.passes[b]-u.passes[a], analysis.Naturally(a, b)) })
			var said []string
			x := Concern{Kind: Driver, Advice: "measure the cells with the other driver again, or name the drivers beside them"}
			for i, d := range list {
				said = append(said, fmt.Sprintf("%s (%s)", d, record.Count(u.passes[d], "pass")))
				if i > 0 {
					x.Cells = append(x.Cells, u.cells[d]...)
				}
			}
			x.Text = fmt.Sprintf(what, key, strings.Join(said, ", "))
			c.add(x)
		}
	}
	tell(cards, "%s was measured with several drivers: %s")
	if !several { // else it is said of the cards
		tell(makers, "cards of %s were measured with different drivers: %s")
	}
}

func (c *checker) mixed() {
	what := map[string][]map[string]string{}
	values := map[string]map[string]bool{}
	for _, k := range c.Cells {
		for _, m := range k.Mixed {
			if m.What == record.FieldGraphicsDriver || m.What == record.TagDriver {
				continue // said of the card
			}
			what[m.What] = append(what[m.What], k.Factors)
			if values[m.What] == nil {
				values[m.What] = map[string]bool{}
			}
			for v := range m.Values {
				values[m.What][cmp.Or(v, "unknown")] = true
			}
		}
	}
	for _, w := range slices.Sorted(maps.Keys(what)) {
		text := fmt.Sprintf("in %s the mean is of passes of more than one %s: %s", record.Count(len(what[w]), "cell"),
			spoken(w), few(slices.Sorted(maps.Keys(values[w]))))
		if w == "time" {
			text = fmt.Sprintf("in %s the mean is of passes months apart", record.Count(len(what[w]), "cell"))
		}
		c.add(Concern{Kind: Mixed, Text: text, Cells: what[w],
			Advice: "select one kind with --since, --system or --bench, or measure them again"})
	}
}

func spoken(name string) string { return strings.NewReplacer(".", " ", "_", " ").Replace(name) }

// owed are the facts about a test system that readers are owed (common practice of
// disclosure), each with the tag that may say it too.
var owed = []struct{ field, tag, text string }{
	{record.FieldProcessorName, record.TagProcessor, "the processor"},
	{record.FieldGraphicsName, record.TagGraphics, "the graphics card"},
	{record.FieldGraphicsDriver, record.TagDriver, "the graphics driver"},
	{record.FieldMemorySize, "", "the size of the memory"},
	{record.FieldMemorySpeed, "", "the speed of the memory"},
	{record.FieldBoardName, "", "the board"},
	{record.FieldFirmwareVersion, "", "the version of the firmware"},
	{record.FieldOSName, "", "the operating system"},
	{record.FieldOSBuild, "", "the build of the operating system"},
}

// disclosure gathers the facts that are unknown of the same passes into one concern.
func (c *checker) disclosure() {
	lacks := map[string][]string{} // passes, by what they lack
	texts := map[string]string{}
	total := 0
	for _, k := range c.Cells {
		for _, u := range k.Passes.Used {
			total++
			p := c.of[u.ID]
			s := c.Systems[p.System]
			var missing []string
			for _, o := range owed {
				if _, ok := s.Get(o.field); !ok && (o.tag == "" || p.Tags.Value(o.tag) == "") {
					missing = append(missing, o.text)
				}
			}
			if len(missing) > 0 {
				key := strings.Join(missing, ", ")
				lacks[key] = append(lacks[key], u.ID)
				texts[key] = key
			}
		}
	}
	for _, key := range slices.SortedFunc(maps.Keys(lacks),
		func(a, b string) int { return cmp.Or(len(lacks[b])-len(lacks[a]), cmp.Compare(a, b)) }) {
		of := record.Count(len(lacks[key]), "pass")
		if len(lacks[key]) == total {
			of = "all passes"
		}
		c.add(Concern{Kind: Disclosure, Text: fmt.Sprintf("not known of %s: %s", of, texts[key]), Passes: lacks[key],
			Advice: "find out and write it beside the results; 'capctl system show' says what this machine reports"})
	}
}
