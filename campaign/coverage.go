package campaign

import (
	"fmt"
	"slices"
	"sort"
	"strings"

	"capd.example/record"
)

// State is how far a cell is. A pass is counted by its verdict; Done are those whose
// verdict the campaign accepts, also beyond what is wanted.
type State struct {
	Wanted     int `json:"wanted"`
	Done       int `json:"done"`
	Clean      int `json:"clean"`
	Unverified int `json:"unverified"`
	Doubtful   int `json:"doubtful"`
	Bad        int `json:"bad"`
}

// Missing returns how many passes are still to be recorded.
func (s State) Missing() int { return max(0, s.Wanted-s.Done) }

// Complete reports whether nothing is missing.
func (s State) Complete() bool { return s.Missing() == 0 }

// Unplaced is a pass that belongs to no cell, or to nobody knows which.
type Unplaced struct {
	Pass record.Pass
	Why  string
}

// Coverage says which passes fill which cells of a plan.
type Coverage struct {
	Plan     *Plan
	Unplaced []Unplaced // in the order of the passes
	Others   int        // passes of other campaigns or from before Campaign.Since

	state   []State
	passes  map[int][]record.Pass
	seen    map[string]bool
	control *controlled // nil where the campaign has no control cells
}

// Cover places passes. Names that machines report must have been replaced by the
// campaign's own before. A pass that is tagged with another campaign is only counted as
// such; one without the tag campaign is placed.
func (p *Plan) Cover(passes []record.Pass) *Coverage {
	c := p.cover()
	c.control = p.controlled(passes, Now{})
	for i := range passes {
		c.add(&passes[i])
	}
	return c
}

func (p *Plan) cover() *Coverage {
	c := &Coverage{Plan: p, state: make([]State, p.n), passes: map[int][]record.Pass{}, seen: map[string]bool{}}
	for i := range c.state {
		c.state[i].Wanted = p.Campaign.Passes
	}
	return c
}

// add counts a pass once and returns its cell, -1 where it has none.
func (c *Coverage) add(pass *record.Pass) int {
	camp := c.Plan.Campaign
	if c.seen[pass.ID] && pass.ID != "" {
		return -1
	}
	c.seen[pass.ID] = true
	if !camp.Belongs(*pass, Era{}) {
		c.Others++
		return -1
	}
	i, why := c.Plan.Place(pass.Tags)
	if i < 0 {
		c.Unplaced = append(c.Unplaced, Unplaced{*pass, why})
		return -1
	}
	of := c.passes[i]
	if of == nil {
		of = make([]record.Pass, 0, max(1, camp.Passes))
	}
	c.passes[i] = append(of, *pass)
	s := &c.state[i]
	switch pass.Verdict {
	case record.Clean:
		s.Clean++
	case record.Unverified:
		s.Unverified++
	case record.VerdictDoubtful:
		s.Doubtful++
	case record.VerdictBad:
		s.Bad++
	}
	accepted := camp.Accepts(pass.Verdict)
	if accepted {
		s.Done++
	}
	c.control.add(i, pass, accepted)
	return i
}

// State returns how far cell i is.
func (c *Coverage) State(i int) State { return c.state[i] }

// Passes returns the passes of cell i, whatever their verdict, in the order given.
func (c *Coverage) Passes(i int) []record.Pass { return c.passes[i] }

// Sum adds up the cells that a filter of factor values selects; none selects all. Done
// counts no pass beyond what is wanted.
func (c *Coverage) Sum(values map[string]string) (sum State, cells, complete int) {
	for i := range c.state {
		if !c.Plan.has(i, values) {
			continue
		}
		s := c.state[i]
		cells++
		if s.Complete() {
			complete++
		}
		sum.Wanted += s.Wanted
		sum.Done += min(s.Done, s.Wanted)
		sum.Clean += s.Clean
		sum.Unverified += s.Unverified
		sum.Doubtful += s.Doubtful
		sum.Bad += s.Bad
	}
	return sum, cells, complete
}

// has reports whether a cell has all of the given values.
func (p *Plan) has(i int, values map[string]string) bool {
	for name, v := range values {
		d := p.Depth(name)
		if d < 0 {
			return false
		}
		l := p.Level(i, d)
		if l == None || p.Campaign.Factors[p.nest[d]].Levels[l] != v {
			return false
		}
	}
	return true
}

// Find returns the cells that have all of the given values, in the order of the plan. An
// unknown factor or level is an error.
func (p *Plan) Find(values map[string]string) ([]int, error) {
	for name, v := range values {
		f, ok := p.Campaign.Factor(name)
		if !ok {
			return nil, fmt.Errorf("the campaign has no factor %q; it has %s", name,
				strings.Join(p.Campaign.FactorNames(), ", "))
		}
		if err := f.Lacks(v); err != nil {
			return nil, err
		}
	}
	var out []int
	for i := range p.n {
		if p.has(i, values) {
			out = append(out, i)
		}
	}
	return out, nil
}

// Place returns the cell that a pass with these tags belongs to. A missing tag does no
// harm where one cell alone fits. Where none or several do, the cell is -1 and why says
// it for people.
func (p *Plan) Place(tags record.Tags) (cell int, why string) {
	row := make([]uint16, len(p.nest))
	var missing []int
	for d, f := range p.nest {
		factor := p.Campaign.Factors[f]
		v := strings.TrimSpace(tags.Value(factor.Name))
		if v == "" {
			missing = append(missing, d)
			continue
		}
		l, ok := p.levelOf(d, v)
		if !ok {
			return -1, fmt.Sprintf("%s %q is no level of the campaign: add it, or name it under [aliases.%s]", factor.Name, v,
				factor.Name)
		}
		row[d] = l
	}
	p.absent(row, &missing)
	if len(missing) > 0 {
		return p.placePartly(row, missing)
	}
	if i, ok := p.find(row); ok {
		return i, ""
	}
	return -1, p.whyNot(row)
}

// absent sets the scene and preset of a game that has none, whatever the tags say.
func (p *Plan) absent(row []uint16, missing *[]int) {
	gd := p.Depth(record.TagGame)
	if slices.Contains(*missing, gd) {
		return
	}
	g := p.Campaign.Games[row[gd]]
	for _, x := range []struct {
		tag    string
		levels []string
	}{{record.TagScene, g.Scenes}, {record.TagPreset, g.Presets}} {
		if d := p.Depth(x.tag); d >= 0 && len(x.levels) == 0 {
			row[d] = None
			*missing = slices.DeleteFunc(*missing, func(m int) bool { return m == d })
		}
	}
}

// levelOf finds a level by its name, upper and lower case being the same.
func (p *Plan) levelOf(depth int, name string) (uint16, bool) {
	if p.levels == nil {
		p.prepare()
	}
	l, ok := p.levels[depth][strings.ToLower(name)]
	return l, ok
}

// prepare makes the indexes by name.
func (p *Plan) prepare() {
	p.levels = make([]map[string]uint16, len(p.nest))
	for d, f := range p.nest {
		p.levels[d] = map[string]uint16{}
		for i, l := range p.Campaign.Factors[f].Levels {
			p.levels[d][strings.ToLower(l)] = uint16(i)
		}
	}
	p.index = make(map[string]int32, p.n)
	for i := range p.n {
		p.index[string(appendKey(nil, p.row(i)))] = int32(i)
	}
	p.partly = map[string][2]int{}
}

func appendKey(b []byte, row []uint16) []byte {
	for _, l := range row {
		b = append(b, byte(l), byte(l>>8))
	}
	return b
}

func (p *Plan) find(row []uint16) (int, bool) {
	if p.index == nil {
		p.prepare()
	}
	i, ok := p.index[string(appendKey(make([]byte, 0, 64), row))]
	return int(i), ok
}

// placePartly looks for the only cell that fits what is known.
func (p *Plan) placePartly(row []uint16, missing []int) (int, string) {
	if p.index == nil {
		p.prepare()
	}
	key := fmt.Sprint(row, missing)
	hit, known := p.partly[key]
	if !known {
		hit = [2]int{-1, 0}
		for i := range p.n {
			if p.fits(i, row, missing) {
				hit[1]++
				hit[0] = i
			}
		}
		p.partly[key] = hit
	}
	var names []string
	for _, d := range missing {
		names = append(names, p.Campaign.Factors[p.nest[d]].Name)
	}
	sort.Strings(names)
	switch hit[1] {
	case 1:
		return hit[0], ""
	case 0:
		return -1, "its tags fit no cell; it lacks " + strings.Join(names, ", ")
	}
	return -1, fmt.Sprintf("the pass has no tag %s: %d cells fit", strings.Join(names, ", "), hit[1])
}

func (p *Plan) fits(i int, row []uint16, missing []int) bool {
	for d, l := range p.row(i) {
		if l != row[d] && !slices.Contains(missing, d) {
			return false
		}
	}
	return true
}

// whyNot says why a cell whose levels all exist is not in the plan.
func (p *Plan) whyNot(row []uint16) string {
	c := p.Campaign
	for _, e := range c.Excludes {
		hit := true
		for d, f := range p.nest {
			levels, named := e.Levels[c.Factors[f].Name]
			if named && (row[d] == None || !slices.Contains(levels, c.Factors[f].Levels[row[d]])) {
				hit = false
			}
		}
		if hit {
			if e.Why != "" {
				return "the campaign excludes this cell: " + e.Why
			}
			return "the campaign excludes this cell"
		}
	}
	game := c.Games[row[p.Depth(record.TagGame)]].Name
	for _, tag := range []string{record.TagScene, record.TagPreset} {
		d := p.Depth(tag)
		if d < 0 || row[d] == None {
			continue
		}
		g, _ := c.Game(game)
		levels := g.Scenes
		if tag == record.TagPreset {
			levels = g.Presets
		}
		if l := c.Factors[p.nest[d]].Levels[row[d]]; !slices.Contains(levels, l) {
			return fmt.Sprintf("%s has no %s %q in the campaign", game, tag, l)
		}
	}
	return "the campaign has no such cell"
}

// Name names a cell for people: its values in the order of the campaign's factors.
func (p *Plan) Name(i int) string {
	cell := p.Cell(i)
	var parts []string
	for _, f := range p.Campaign.Factors {
		if v := cell[f.Name]; v != "" {
			parts = append(parts, v)
		}
	}
	return strings.Join(parts, " / ")
}
