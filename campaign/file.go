package campaign

import (
	"bytes"
	"errors"
	"fmt"
	"maps"
	"math"
	"os"
	"slices"
	"sort"
	"strings"
	"time"

	"github.com/pelletier/go-toml/v2"
	"golang.org/x/text/encoding/unicode"
	"golang.org/x/text/transform"

	"capd.example/internal/tomlerror"
	"capd.example/record"
)

// file is the campaign file as it is written.
type file struct {
	Name          string                         `toml:"name"`
	Was           []string                       `toml:"was"`
	Passes        int                            `toml:"passes"`
	HoursPerDay   float64                        `toml:"hours_per_day"`
	Accept        []string                       `toml:"accept"`
	Since         string                         `toml:"since"`
	LengthS       float64                        `toml:"length_s"`
	ToleranceS    float64                        `toml:"tolerance_s"`
	LeadInS       float64                        `toml:"lead_in_s"`
	PassMinutes   float64                        `toml:"pass_minutes"`
	RefreshHz     []float64                      `toml:"refresh_hz"`
	CapFPS        float64                        `toml:"cap_fps"`
	Currency      string                         `toml:"currency"`
	Factors       map[string][]string            `toml:"factors"`
	ChangeMinutes map[string]float64             `toml:"change_minutes"`
	Games         []fileGame                     `toml:"game"`
	Excludes      []map[string]any               `toml:"exclude"`
	Control       map[string]any                 `toml:"control"`
	Aliases       map[string]map[string][]string `toml:"aliases"`
	Prices        map[string]map[string]float64  `toml:"prices"`
}

type fileGame struct {
	Name        string   `toml:"name"`
	Programs    []string `toml:"programs"`
	Scenes      []string `toml:"scenes"`
	Presets     []string `toml:"presets"`
	LengthS     *float64 `toml:"length_s"`
	ToleranceS  *float64 `toml:"tolerance_s"`
	LeadInS     *float64 `toml:"lead_in_s"`
	PassMinutes *float64 `toml:"pass_minutes"`
}

// Load reads the campaign file at path.
func Load(path string) (*Campaign, error) {
	text, err := os.ReadFile(path)
	if err != nil {
		return nil, fmt.Errorf("read campaign: %w", err)
	}
	c, err := Parse(text)
	if err != nil {
		return nil, fmt.Errorf("campaign %s: %w", path, err)
	}
	return c, nil
}

// Parse reads a campaign file. Errors name line and column, from 1, of the key that is
// wrong; all that is wrong is reported at once where it can be told apart.
func Parse(text []byte) (*Campaign, error) {
	f := file{Passes: 3, HoursPerDay: 8}
	// Editors and shells of Windows write a byte order mark, or UTF-16.
	text, _, err := transform.Bytes(unicode.BOMOverride(transform.Nop), text)
	if err != nil {
		return nil, err
	}
	dec := toml.NewDecoder(bytes.NewReader(text)).DisallowUnknownFields()
	if err := dec.Decode(&f); err != nil {
		return nil, tomlerror.Explain(err, nil)
	}
	b := builder{file: f, at: places(text)}
	c := b.build()
	if len(b.wrong) > 0 {
		return nil, errors.Join(b.wrong...)
	}
	return c, nil
}

// builder turns a file into a campaign and gathers what is wrong with it.
type builder struct {
	file  file
	at    map[string]place
	wrong []error
}

// bad notes that the value of a key makes no sense.
func (b *builder) bad(key, format string, args ...any) {
	what := key + ": " + fmt.Sprintf(format, args...)
	if p, ok := nearest(b.at, key); ok {
		what = fmt.Sprintf("line %d, column %d: %s", p.row, p.col, what)
	}
	b.wrong = append(b.wrong, errors.New(what))
}

func (b *builder) build() *Campaign {
	f := b.file
	c := &Campaign{Name: strings.TrimSpace(f.Name), Was: f.Was, Passes: f.Passes, HoursPerDay: f.HoursPerDay,
		RefreshHz: f.RefreshHz,
		CapFPS:    f.CapFPS, Currency: f.Currency, Prices: f.Prices, aliases: map[string]map[string][]string{}}
	b.plain(c)
	b.games(c)
	b.factors(c)
	if len(b.wrong) > 0 {
		return nil // what follows would only repeat it
	}
	b.costs(c)
	b.excludes(c)
	b.control(c)
	b.aliases(c)
	b.prices(c)
	if len(b.wrong) == 0 {
		b.size(c)
	}
	return c
}

func (b *builder) plain(c *Campaign) {
	f := b.file
	if c.Name == "" {
		b.bad("name", "is missing or empty: every pass is tagged with the campaign's name")
	}
	for i, was := range f.Was {
		if was = strings.TrimSpace(was); was == "" || was == c.Name {
			b.bad("was", "%q is no earlier name", f.Was[i])
		}
		c.Was[i] = was
	}
	if f.Passes < 1 {
		b.bad("passes", "%d is less than 1", f.Passes)
	}
	if !(f.HoursPerDay > 0 && f.HoursPerDay <= 24) {
		b.bad("hours_per_day", "%g is not between 0 and 24", f.HoursPerDay)
	}
	b.positive("length_s", f.LengthS)
	b.positive("tolerance_s", f.ToleranceS)
	b.positive("lead_in_s", f.LeadInS)
	b.positive("pass_minutes", f.PassMinutes)
	b.positive("cap_fps", f.CapFPS)
	for _, r := range f.RefreshHz {
		if !(r > 0) || math.IsInf(r, 0) {
			b.bad("refresh_hz", "%g is not a rate", r)
		}
	}
	c.Accept = []record.Verdict{record.Clean}
	if f.Accept != nil {
		c.Accept = nil
	}
	for _, v := range f.Accept {
		switch record.Verdict(v) {
		case record.Clean, record.Unverified, record.VerdictDoubtful:
			c.Accept = append(c.Accept, record.Verdict(v))
		default:
			b.bad("accept", "%q is none of clean, unverified, doubtful", v)
		}
	}
	if f.Accept != nil && !slices.Contains(c.Accept, record.Clean) {
		b.bad("accept", "clean is missing: no cell would ever be complete")
	}
	if f.Since != "" {
		var err error
		if c.Since, err = time.Parse(time.DateOnly, f.Since); err != nil {
			if c.Since, err = time.Parse(time.RFC3339, f.Since); err != nil {
				b.bad("since", "%q is not a time: write 2006-01-02 or 2006-01-02T15:04:05Z", f.Since)
			}
		}
	}
}

func (b *builder) positive(key string, x float64) {
	if !(x >= 0) || math.IsInf(x, 0) {
		b.bad(key, "%g is not zero or more", x)
	}
}

func (b *builder) games(c *Campaign) {
	f := b.file
	if len(f.Games) == 0 {
		b.bad("game", "there is no [[game]]: a campaign needs one at least")
	}
	seen := map[string]bool{}
	for i, g := range f.Games {
		key := fmt.Sprintf("game[%d]", i+1)
		name := strings.TrimSpace(g.Name)
		switch {
		case name == "":
			b.bad(key+".name", "is missing or empty")
		case seen[strings.ToLower(name)]:
			b.bad(key+".name", "%q is there twice", name)
		}
		seen[strings.ToLower(name)] = true
		or := func(what string, own *float64, common float64) float64 {
			if own == nil {
				return common
			}
			b.positive(key+"."+what, *own)
			return *own
		}
		out := Game{Name: name, Scenes: g.Scenes, Presets: g.Presets,
			LengthS: or("length_s", g.LengthS, f.LengthS), ToleranceS: or("tolerance_s", g.ToleranceS, f.ToleranceS),
			LeadInS: or("lead_in_s", g.LeadInS, f.LeadInS), PassMinutes: or("pass_minutes", g.PassMinutes, f.PassMinutes)}
		if out.PassMinutes == 0 && out.LengthS > 0 {
			out.PassMinutes = (out.LengthS + out.LeadInS) / 60
		}
		b.levels(key+".scenes", g.Scenes)
		b.levels(key+".presets", g.Presets)
		if len(g.Programs) > 0 {
			c.addAliases(record.TagGame, name, g.Programs)
		}
		c.Games = append(c.Games, out)
	}
}

// levels notes empty and repeated names.
func (b *builder) levels(key string, levels []string) {
	seen := map[string]bool{}
	for _, l := range levels {
		if strings.TrimSpace(l) == "" {
			b.bad(key, "a name is empty")
		} else if strings.TrimSpace(l) != l {
			b.bad(key, "%q begins or ends with a blank", l)
		} else if seen[strings.ToLower(l)] {
			b.bad(key, "%q is there twice (upper and lower case are the same)", l)
		}
		seen[strings.ToLower(l)] = true
	}
}

// near maps names that are meant for a known tag to it.
var near = map[string]string{
	"processor": record.TagProcessor, "processors": record.TagProcessor, "cpus": record.TagProcessor,
	"graphics": record.TagGraphics, "card": record.TagGraphics, "cards": record.TagGraphics, "gpus": record.TagGraphics,
	"graphics_card": record.TagGraphics,
	"resolutions":   record.TagResolution, "presets": record.TagPreset, "quality": record.TagPreset,
	"scenes": record.TagScene, "drivers": record.TagDriver,
}

// reserved are tags that cannot be factors of their own.
var reserved = map[string]string{
	record.TagGame: "games are listed as [[game]]", record.TagPass: "the ordinal of a pass is no factor",
	record.TagBoot: "a start of the machine is no factor", record.TagSession: "a session is no factor",
	record.TagCampaign: "the campaign is no factor", "why": "the name is taken for [[exclude]]",
}

func (b *builder) factors(c *Campaign) {
	own := map[string][]string{}
	for name, levels := range b.file.Factors {
		key := "factors." + name
		if why, ok := reserved[name]; ok {
			b.bad(key, "%s", why)
			continue
		}
		if meant, ok := near[strings.ToLower(name)]; ok {
			b.bad(key, "the tag is called %q", meant)
			continue
		}
		if len(levels) == 0 {
			b.bad(key, "has no levels: name one at least, or leave the factor out")
		}
		b.levels(key, levels)
		own[name] = levels
	}
	c.fillGames(own)
	var games []string
	for _, g := range c.Games {
		games = append(games, g.Name)
	}
	own[record.TagGame] = games
	own[record.TagScene] = union(c.Games, func(g Game) []string { return g.Scenes })
	own[record.TagPreset] = union(c.Games, func(g Game) []string { return g.Presets })
	b.levels("game.scenes", own[record.TagScene])
	b.levels("game.presets", own[record.TagPreset])
	for _, name := range order(own) {
		c.Factors = append(c.Factors, Factor{Name: name, Levels: own[name]})
	}
}

// fillGames gives games that list no scenes or presets those of the factors.
func (c *Campaign) fillGames(own map[string][]string) {
	for i := range c.Games {
		g := &c.Games[i]
		if len(g.Scenes) == 0 {
			g.Scenes = own[record.TagScene]
		}
		if len(g.Presets) == 0 {
			g.Presets = own[record.TagPreset]
		}
	}
}

func union(games []Game, of func(Game) []string) []string {
	var all []string
	seen := map[string]bool{}
	for _, g := range games {
		for _, l := range of(g) {
			if !seen[l] {
				seen[l] = true
				all = append(all, l)
			}
		}
	}
	return all
}

// order returns the names of factors that have levels: the project's own, then the rest.
func order(own map[string][]string) []string {
	var names []string
	for _, n := range record.CellFactors {
		if len(own[n]) > 0 {
			names = append(names, n)
		}
	}
	var rest []string
	for n, levels := range own {
		if len(levels) > 0 && !slices.Contains(record.CellFactors, n) {
			rest = append(rest, n)
		}
	}
	sort.Strings(rest)
	return append(names, rest...)
}

func (b *builder) costs(c *Campaign) {
	for name, m := range b.file.ChangeMinutes {
		i := slices.IndexFunc(c.Factors, func(f Factor) bool { return f.Name == name })
		if i < 0 {
			b.bad("change_minutes."+name, "the campaign has no factor %q; it has %s", name, strings.Join(c.FactorNames(), ", "))
			continue
		}
		b.positive("change_minutes."+name, m)
		c.Factors[i].ChangeMinutes = m
	}
}

func (b *builder) excludes(c *Campaign) {
	for i, raw := range b.file.Excludes {
		e := Exclude{Levels: map[string][]string{}}
		for name, v := range raw {
			key := fmt.Sprintf("exclude[%d].%s", i+1, name)
			levels, ok := texts(v)
			switch {
			case !ok:
				b.bad(key, "is neither a text nor a list of texts")
			case name == "why":
				e.Why = strings.Join(levels, "; ")
			default:
				b.known(c, key, name, levels)
				e.Levels[name] = levels
			}
		}
		if len(e.Levels) == 0 {
			b.bad(fmt.Sprintf("exclude[%d]", i+1), "names no factor: it would remove every cell")
		}
		c.Excludes = append(c.Excludes, e)
	}
}

// known notes levels that a factor does not have.
func (b *builder) known(c *Campaign, key, factor string, levels []string) bool {
	f, ok := c.Factor(factor)
	if !ok {
		b.bad(key, "the campaign has no factor %q; it has %s", factor, strings.Join(c.FactorNames(), ", "))
		return false
	}
	for _, l := range levels {
		if err := f.Lacks(l); err != nil {
			b.bad(key, "%v", err)
			ok = false
		}
	}
	return ok
}

// few lists names for people, not more than a line takes.
func few(names []string) string {
	const most = 8
	if len(names) > most {
		return fmt.Sprintf("%s and %d more", strings.Join(names[:most], ", "), len(names)-most)
	}
	return strings.Join(names, ", ")
}

// control reads [control]: levels of factors that are no parts, passes, repeats and
// restart_minutes. An empty table leaves all to the plan.
func (b *builder) control(c *Campaign) {
	if _, stated := b.at["control"]; !stated && b.file.Control == nil { // an empty table is no map
		return
	}
	k := Control{Levels: map[string]string{}, Passes: c.Passes, Repeats: enoughRepeats, RestartMinutes: restartMinutes}
	whole := func(key string, v any, to *int) {
		n, ok := v.(int64)
		if !ok || n < 1 || n > 1000 {
			b.bad(key, "%v is no number from 1 to 1000", v)
			return
		}
		*to = int(n)
	}
	for _, name := range slices.Sorted(maps.Keys(b.file.Control)) {
		key, v := "control."+name, b.file.Control[name]
		switch {
		case name == "passes":
			whole(key, v, &k.Passes)
		case name == "repeats":
			whole(key, v, &k.Repeats)
		case name == "restart_minutes":
			switch x := v.(type) {
			case float64:
				k.RestartMinutes = x
			case int64:
				k.RestartMinutes = float64(x)
			default:
				b.bad(key, "%v is no number of minutes", v)
			}
			b.positive(key, k.RestartMinutes)
		case isPart(name):
			b.bad(key, "a control cell is measured with every part: leave it out")
		default:
			level, ok := v.(string)
			if !ok {
				b.bad(key, "is no text: name one level")
				continue
			}
			if b.known(c, key, name, []string{level}) {
				k.Levels[name] = level
			}
		}
	}
	c.Control = &k
}

func texts(v any) ([]string, bool) {
	switch v := v.(type) {
	case string:
		return []string{v}, true
	case []any:
		var out []string
		for _, x := range v {
			s, ok := x.(string)
			if !ok {
				return nil, false
			}
			out = append(out, s)
		}
		return out, len(out) > 0
	}
	return nil, false
}

func (b *builder) aliases(c *Campaign) {
	for factor, levels := range b.file.Aliases {
		for level, names := range levels {
			key := "aliases." + factor + "." + level
			if _, ok := c.Factor(factor); ok {
				b.known(c, key, factor, []string{level})
			}
			for _, n := range names {
				if strings.TrimSpace(n) == "" {
					b.bad(key, "a name is empty")
				}
			}
			c.addAliases(factor, level, names)
		}
	}
	b.twice(c)
}

// twice notes plain names that stand for two levels of one factor.
func (b *builder) twice(c *Campaign) {
	for factor, levels := range c.aliases {
		of := map[string]string{}
		f, _ := c.Factor(factor)
		for _, l := range f.Levels {
			of[strings.ToLower(l)] = l
		}
		shorts := make([]string, 0, len(levels))
		for l := range levels {
			shorts = append(shorts, l)
		}
		sort.Strings(shorts)
		for _, l := range shorts {
			for _, n := range levels[l] {
				low := strings.ToLower(strings.TrimSpace(n))
				if other, ok := of[low]; ok && other != l {
					b.bad("aliases."+factor+"."+l, "%q stands for %q as well", n, other)
				}
				of[low] = l
			}
		}
	}
}

func (c *Campaign) addAliases(factor, level string, names []string) {
	if c.aliases[factor] == nil {
		c.aliases[factor] = map[string][]string{}
	}
	c.aliases[factor][level] = append(c.aliases[factor][level], names...)
}

func (b *builder) prices(c *Campaign) {
	for factor, levels := range b.file.Prices {
		for level, price := range levels {
			key := "prices." + factor + "." + level
			b.known(c, key, factor, []string{level})
			b.positive(key, price)
		}
	}
}

// MaxCells is how many cells a campaign may have.
const MaxCells = 1_000_000

func (b *builder) size(c *Campaign) {
	if err := c.tooMany(); err != nil {
		b.bad("factors", "%v", err)
		return
	}
	if c.count() == 0 {
		b.bad("exclude", "the exclusions remove every cell")
	}
}
