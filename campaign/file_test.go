package campaign_test

import (
	"math"
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"testing"
	"time"

	"capd.example/campaign"
	"capd.example/config"
	"capd.example/internal/testlab"
	"capd.example/record"
)

func TestTheExampleSaysWhatItSays(t *testing.T) {
	c := example(t)
	if got := strings.Join(c.FactorNames(), " "); got != "cpu gpu game resolution preset" {
		t.Errorf("factors %s", got)
	}
	e := c.Expect(record.Tags{"game": {Value: "Salt Flats"}})
	if e.DurationS != 60 || e.ToleranceS != 2 || e.Passes != 3 || len(e.RefreshHz) != 2 || e.From != "campaign" {
		t.Errorf("expected of a pass: %+v", e)
	}
	if e := c.Expect(record.Tags{"game": {Value: "another"}}); e.DurationS != 0 || e.Passes != 3 {
		t.Errorf("expected of an unknown game: %+v", e)
	}
	a := c.Aliases()
	if a["game"]["Nimbus Drift"][0] != "nimbus*.exe" || a["gpu"]["Arctis 70"][0] != "Nordwind Arctis 70*" {
		t.Errorf("aliases %v", a)
	}
	if _, ok := a["resolution"]["1920x1080"]; !ok {
		t.Errorf("a level without other names stands for itself: %v", a["resolution"])
	}
	if c.Prices["gpu"]["Corona 9"] != 629 {
		t.Errorf("prices %v", c.Prices)
	}
}

func TestGamesHaveTheirOwnScenesPresetsAndTimes(t *testing.T) {
	c := parse(t, `
name = "own"
since = "2026-02-03T04:05:06Z"
length_s = 60
[factors]
cpu = ["a"]
memory_speed = ["slow", "fast"]
[[game]]
name = "with"
scenes = ["pier", "quarry"]
presets = ["low", "high"]
length_s = 90
lead_in_s = 30
[[game]]
name = "without"
`)
	if got := strings.Join(c.FactorNames(), " "); got != "cpu game scene preset memory_speed" {
		t.Errorf("factors %s", got)
	}
	p := plan(t, c)
	if p.Len() != 2*(4+1) {
		t.Errorf("%d cells, want 10", p.Len())
	}
	without, err := p.Find(map[string]string{"game": "without"})
	if err != nil || len(without) != 2 {
		t.Fatal(without, err)
	}
	if _, has := p.Cell(without[0])["preset"]; has {
		t.Errorf("a game without presets has the cell %v", p.Cell(without[0]))
	}
	if cell, why := p.Place(record.Tags{"game": {Value: "without"}, "memory_speed": {Value: "fast"}, "preset": {Value: "low"}}); cell < 0 {
		t.Errorf("a preset does no harm where the game has none: %s", why)
	}
	if g, _ := c.Game("with"); g.PassMinutes != 2 {
		t.Errorf("a pass of 90 s with a lead-in of 30 s takes %g minutes", g.PassMinutes)
	}
	if !c.Since.Equal(time.Date(2026, 2, 3, 4, 5, 6, 0, time.UTC)) {
		t.Errorf("since %v", c.Since)
	}
}

func TestMistakesInTheFile(t *testing.T) {
	const game = "[[game]]\nname = \"g\"\n"
	for name, x := range map[string]struct{ text, want string }{
		"a key with a typo":        {"name = \"n\"\npases = 4\n" + game, `line 2, column 1: unknown key "pases"`},
		"a key of a game":          {"name = \"n\"\n" + game + "lenght_s = 4\n", `line 4, column 1: unknown key "game.lenght_s"`},
		"no TOML":                  {"name = \"n\"\npasses = = 3\n", "line 2, column 10"},
		"a wrong kind":             {"name = \"n\"\npasses = \"many\"\n", "line 2, column 10: passes"},
		"no name":                  {game, "name: is missing"},
		"no game":                  {"name = \"n\"\n", "there is no [[game]]"},
		"two games of a name":      {"name = \"n\"\n" + game + game, `line 5, column 1: game[2].name: "g" is there twice`},
		"a level twice":            {"name = \"n\"\n[factors]\ngpu = [\"A\", \"a\"]\n" + game, "line 3, column 1: factors.gpu"},
		"an empty factor":          {"name = \"n\"\n[factors]\ngpu = []\n" + game, "line 3, column 1: factors.gpu: has no levels"},
		"another word for a tag":   {"name = \"n\"\n[factors]\nprocessor = [\"A\"]\n" + game, `the tag is called "cpu"`},
		"games as a factor":        {"name = \"n\"\n[factors]\ngame = [\"A\"]\n" + game, "line 3, column 1: factors.game: games are listed"},
		"a cost of nothing":        {"name = \"n\"\n[change_minutes]\ngpus = 3\n" + game, `line 3, column 1: change_minutes.gpus: the campaign has no factor "gpus"`},
		"a negative cost":          {"name = \"n\"\n[change_minutes]\ngame = -3\n" + game, "line 3, column 1: change_minutes.game: -3"},
		"no passes":                {"name = \"n\"\npasses = 0\n" + game, "line 2, column 1: passes: 0"},
		"a day of 25 hours":        {"name = \"n\"\nhours_per_day = 25\n" + game, "line 2, column 1: hours_per_day"},
		"a verdict":                {"name = \"n\"\naccept = [\"clean\", \"bad\"]\n" + game, "line 2, column 1: accept"},
		"a time":                   {"name = \"n\"\nsince = \"last week\"\n" + game, "line 2, column 1: since"},
		"an unknown level":         {"name = \"n\"\n" + game + "[[exclude]]\ngame = \"h\"\n", `line 5, column 1: exclude[1].game: game has no level "h"; it has g`},
		"an unknown factor":        {"name = \"n\"\n" + game + "[[exclude]]\ngam = \"g\"\n", `line 5, column 1: exclude[1].gam: the campaign has no factor`},
		"an exclusion of nothing":  {"name = \"n\"\n" + game + "[[exclude]]\nwhy = \"g\"\n", "line 4, column 3: exclude[1]: names no factor"},
		"everything excluded":      {"name = \"n\"\n" + game + "[[exclude]]\ngame = \"g\"\n", "line 4, column 3: exclude: the exclusions remove every cell"},
		"a name for two":           {"name = \"n\"\n[factors]\ngpu = [\"A\", \"B\"]\n" + game + "[aliases.gpu]\nA = [\"X\"]\nB = [\"x\"]\n", `"x" stands for "A" as well`},
		"a name of an unknown":     {"name = \"n\"\n[factors]\ngpu = [\"A\"]\n" + game + "[aliases.gpu]\nC = [\"X\"]\n", `line 7, column 1: aliases.gpu.C: gpu has no level "C"`},
		"a price of an unknown":    {"name = \"n\"\n[factors]\ngpu = [\"A\"]\n" + game + "[prices.gpu]\nC = 3\n", `line 7, column 1: prices.gpu.C`},
		"a matrix without an end":  {"name = \"n\"\n[factors]\n" + many("a", 1001) + many("b", 1001) + game, "1002001 cells before exclusions; at most 1000000"},
		"an exclusion of a number": {"name = \"n\"\n" + game + "[[exclude]]\ngame = 3\n", "neither a text nor a list"},
	} {
		t.Run(name, func(t *testing.T) {
			_, err := campaign.Parse([]byte(x.text))
			if err == nil || !strings.Contains(err.Error(), x.want) {
				t.Errorf("got %v\nwant %s", err, x.want)
			}
		})
	}
}

func many(factor string, n int) string {
	return factor + " = [" + joined(n) + "]\n"
}

func joined(n int) string {
	var b strings.Builder
	for i := range n {
		b.WriteString("\"l")
		b.WriteString(strings.Repeat("i", i%7))
		b.WriteString(string(rune('0' + i%10)))
		b.WriteString(string(rune('0' + i/10%10)))
		b.WriteString(string(rune('0' + i/100%10)))
		b.WriteString(string(rune('0' + i/1000%10)))
		b.WriteString("\",")
	}
	return b.String()
}

func TestWhatIf(t *testing.T) {
	c := example(t)
	for changes, want := range map[string][2]int{ // cells, passes
		"drop preset=low":                         {192, 576},
		"drop preset=low, drop preset=medium":     {96, 288},
		"add game=Ember Coast":                    {360, 1080},
		"add gpu=Arctis 80, passes=5":             {360, 1800},
		"minutes gpu=60":                          {288, 864},
		"drop game=Salt Flats,drop gpu=Arctis 60": {162, 486},
	} {
		got, err := c.WhatIf(changes)
		if err != nil {
			t.Errorf("%s: %v", changes, err)
			continue
		}
		if e := plan(t, got).Estimate(0); e.Cells != want[0] || e.Passes != want[1] {
			t.Errorf("%s: %d cells, %d passes, want %v", changes, e.Cells, e.Passes, want)
		}
	}
	if e := plan(t, c).Estimate(8); e.Passes != 864 || math.Abs(e.Days-2*plan(t, c).Estimate(16).Days) > 1e-9 {
		t.Errorf("a what-if changed the campaign, or hours do not count: %+v", e)
	}
	for changes, want := range map[string]string{
		"drop preset=ultra":    `preset has no level "ultra"`,
		"drop card=A":          `no factor "card"`,
		"passes=none":          "not a number of passes",
		"forget gpu=Arctis 60": "none of drop, add, minutes",
		"":                     "none of drop FACTOR=LEVEL",
		"add gpu=Arctis 60":    "already",
		"minutes gpu=-1":       "not a number of minutes",
	} {
		if _, err := c.WhatIf(changes); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%q: %v, want %s", changes, err, want)
		}
	}
}

// Property: whatever the text, Parse gives an error or a campaign that can be planned, each
// cell of which is placed where it is.
func FuzzParse(f *testing.F) {
	f.Add(small)
	f.Add("name = \"n\"\n[[game]]\nname = \"g\"\nscenes = [\"a\"]\n[[exclude]]\nscene = [\"a\"]\n")
	f.Add("name = \"n\"\n[factors]\nx = [\"A\"]\n[[game]]\nname = \"g\"\n[aliases.x]\nA = [\"b*\"]\n")
	f.Fuzz(func(t *testing.T, text string) {
		c, err := campaign.Parse([]byte(text))
		if err != nil {
			return
		}
		p, err := campaign.NewPlan(c)
		if err != nil {
			t.Fatalf("a campaign that cannot be planned: %v", err)
		}
		for _, i := range []int{0, p.Len() / 2, p.Len() - 1} {
			tags := record.Tags{}
			for name, v := range p.Cell(i) {
				tags[name] = record.Tag{Value: v}
			}
			if got, why := p.Place(tags); got != i {
				t.Fatalf("cell %d %v is placed at %d: %s", i, tags, got, why)
			}
		}
	})
}

// Property: a what-if is refused or gives a campaign that can be planned, and never touches
// the campaign it came from.
func FuzzWhatIf(f *testing.F) {
	for _, s := range []string{"drop preset=low", "add game=Ember Coast, passes=2", "minutes gpu=3,drop cpu=B8", "drop preset=high, drop preset=low", "passes=", "add scene=x"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, changes string) {
		c := parse(t, small)
		before := plan(t, c).Estimate(0)
		changed, err := c.WhatIf(changes)
		if after := plan(t, c).Estimate(0); !reflect.DeepEqual(before, after) {
			t.Fatalf("%q changed the campaign: %+v, was %+v", changes, after, before)
		}
		if err != nil {
			return
		}
		p := plan(t, changed)
		if e := p.Estimate(0); e.ChangeTime < p.Bound()*(1-tiny) || e.Passes != p.Len()*changed.Passes {
			t.Fatalf("%q: %+v, bound %g", changes, e, p.Bound())
		}
	})
}

// Property: whatever is kept as orders, the position is none or a cell of the plan.
func FuzzOrders(f *testing.F) {
	p := plan(f, parse(f, small))
	text, err := campaign.EncodeOrders(append(begin(p, 3), campaign.Order{Verb: campaign.Skip, Cell: p.Cell(3)}))
	if err != nil {
		f.Fatal(err)
	}
	f.Add(text)
	f.Add(`[{"verb":"nothing","cell":null,"at":"9999-12-31T23:59:59Z"}]`)
	passes := []record.Pass{made(p, 3, 0, record.Clean), made(p, 4, 1, record.Clean)}
	f.Fuzz(func(t *testing.T, text string) {
		orders, err := campaign.DecodeOrders(text)
		if err != nil {
			return
		}
		pos, cover := p.Replay(orders, passes)
		if pos.Cell < -1 || pos.Cell >= p.Len() || cover.Next(pos) >= p.Len() {
			t.Fatalf("at cell %d", pos.Cell)
		}
		if again, err := campaign.EncodeOrders(orders); err != nil {
			t.Fatal(err)
		} else if back, err := campaign.DecodeOrders(again); err != nil || len(back) != len(orders) {
			t.Fatalf("%s comes back as %v, %v", again, back, err)
		}
	})
}

// The examples of the page are what they claim to be.
func TestThePageIsTrue(t *testing.T) {
	text, err := os.ReadFile(filepath.Join(testlab.Root(), "docs", "campaigns.md"))
	if err != nil {
		t.Fatal(err)
	}
	var blocks []string
	for i, part := range strings.Split(string(text), "```") {
		if body, ok := strings.CutPrefix(part, "toml\n"); ok && i%2 == 1 {
			blocks = append(blocks, body)
		}
	}
	if len(blocks) != 2 {
		t.Fatalf("%d examples, want the campaign and the configuration", len(blocks))
	}
	if p := plan(t, parse(t, blocks[0])); p.Len() != 4 {
		t.Errorf("the page says 4 cells, its example has %d", p.Len())
	}
	dir := t.TempDir()
	file := filepath.Join(dir, "capd.toml")
	if err := os.WriteFile(file, []byte(blocks[1]), 0o600); err != nil {
		t.Fatal(err)
	}
	c, err := config.Load(file)
	if err != nil || c.Campaign != filepath.Join(dir, "campaign.toml") {
		t.Errorf("%v, %v", c.Campaign, err)
	}
}

// TestCampaignWrittenByWindows: a byte order mark, UTF-16 and lines of CR LF are no fault of
// the file's.
func TestCampaignWrittenByWindows(t *testing.T) {
	const text = "name = \"näh\"\r\n[factors]\r\ngpu = [\"A\", \"B\"]\r\n[[game]]\r\nname = \"River\"\r\n"
	utf16 := []byte{0xFF, 0xFE}
	for _, r := range text { // all of it lies in the first plane
		utf16 = append(utf16, byte(r), byte(r>>8))
	}
	for _, data := range [][]byte{[]byte(text), []byte("\xef\xbb\xbf" + text), utf16} {
		if c, err := campaign.Parse(data); err != nil || c.Name != "näh" {
			t.Errorf("% x...: %+v, %v", data[:4], c, err)
		}
	}
}
