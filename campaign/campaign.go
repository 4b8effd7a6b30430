package campaign

import (
	"fmt"
	"maps"
	"slices"
	"time"

	"capd.example/internal/text"
	"capd.example/record"
)

// Campaign is a planned matrix. It is made by [Load] or [Parse] and not changed after
// that.
type Campaign struct {
	Name        string
	Was         []string // names that it had before, which its passes and orders may bear
	Passes      int      // wanted per cell
	HoursPerDay float64  // of work at the bench
	Accept      []record.Verdict
	Since       time.Time // passes that started before do not count; zero for all
	Factors     []Factor  // in the order of record.CellFactors, then the reviewer's own by name
	Games       []Game    // in the order of the file
	Excludes    []Exclude
	RefreshHz   []float64 // rates at which a frame cap is suspected
	CapFPS      float64   // a cap that is meant; 0 for none
	Control     *Control  // nil where control cells are not asked for
	Currency    string
	Prices      map[string]map[string]float64 // factor, level, price

	aliases map[string]map[string][]string
}

// Factor is one dimension of the matrix; its name is the name of a tag.
type Factor struct {
	Name          string
	Levels        []string // in the order of the file
	ChangeMinutes float64  // cost of going from any level to any other
}

// Game is one level of the factor game with what holds for its passes.
type Game struct {
	Name        string
	Scenes      []string // none where the campaign has no scenes
	Presets     []string // none where the campaign has no presets
	LengthS     float64  // of the scene as logged; 0 for unknown
	ToleranceS  float64  // on the length; 0 for the check's default
	LeadInS     float64  // from the start of the scene to the start of the log
	PassMinutes float64  // bench time of one pass without changes; 0 for unknown
}

// Exclude takes cells out of the matrix: those that have one of the given levels in
// every factor it names.
type Exclude struct {
	Levels map[string][]string
	Why    string
}

// Factor returns the named factor and whether there is one.
func (c *Campaign) Factor(name string) (Factor, bool) {
	i := slices.IndexFunc(c.Factors, func(f Factor) bool { return f.Name == name })
	if i < 0 {
		return Factor{}, false
	}
	return c.Factors[i], true
}

// Lacks is an error for a level that the factor does not have: it names those that it has, and the
// one that was probably meant.
func (f Factor) Lacks(level string) error {
	if slices.Contains(f.Levels, level) {
		return nil
	}
	known := map[string]bool{}
	for _, l := range f.Levels {
		known[l] = true
	}
	like := ""
	if meant := text.Nearest(level, known); meant != "" {
		like = fmt.Sprintf("; do you mean %q?", meant)
	}
	return fmt.Errorf("%s has no level %q; it has %s%s", f.Name, level, few(f.Levels), like)
}

// FactorNames returns the names of the factors, which are the tags that make a cell.
func (c *Campaign) FactorNames() []string {
	names := make([]string, len(c.Factors))
	for i, f := range c.Factors {
		names[i] = f.Name
	}
	return names
}

// Game returns the named game and whether there is one.
func (c *Campaign) Game(name string) (Game, bool) {
	i := slices.IndexFunc(c.Games, func(g Game) bool { return g.Name == name })
	if i < 0 {
		return Game{}, false
	}
	return c.Games[i], true
}

// Aliases returns, for every factor and level, the other names under which machines
// report it; a game's programs are among them. Every level has an entry.
func (c *Campaign) Aliases() map[string]map[string][]string {
	all := map[string]map[string][]string{}
	for _, f := range c.Factors {
		all[f.Name] = map[string][]string{}
		for _, l := range f.Levels {
			all[f.Name][l] = nil
		}
	}
	for factor, levels := range c.aliases {
		if all[factor] == nil {
			all[factor] = map[string][]string{}
		}
		for level, names := range levels {
			all[factor][level] = append(slices.Clone(all[factor][level]), names...)
		}
	}
	return all
}

// Expect says what is expected of a pass with these tags.
func (c *Campaign) Expect(tags record.Tags) record.Expectation {
	e := record.Expectation{Passes: c.Passes, RefreshHz: slices.Clone(c.RefreshHz), CapFPS: c.CapFPS, From: "campaign"}
	if g, ok := c.Game(tags.Value(record.TagGame)); ok {
		e.DurationS, e.ToleranceS = g.LengthS, g.ToleranceS
	}
	return e
}

// Accepts reports whether a pass with this verdict counts as done.
func (c *Campaign) Accepts(v record.Verdict) bool { return slices.Contains(c.Accept, v) }

// clone returns a copy that can be changed without touching c.
func (c *Campaign) clone() *Campaign {
	d := *c
	d.Factors = slices.Clone(c.Factors)
	for i := range d.Factors {
		d.Factors[i].Levels = slices.Clone(c.Factors[i].Levels)
	}
	d.Games = slices.Clone(c.Games)
	for i := range d.Games {
		d.Games[i].Scenes, d.Games[i].Presets = slices.Clone(c.Games[i].Scenes), slices.Clone(c.Games[i].Presets)
	}
	d.Excludes = slices.Clone(c.Excludes)
	for i := range d.Excludes {
		d.Excludes[i].Levels = maps.Clone(c.Excludes[i].Levels)
	}
	return &d
}
