package tag_test

import (
	"reflect"
	"slices"
	"strings"
	"testing"

	"capd.example/record"
	"capd.example/tag"
	"pgregory.net/rapid"
)

func claim(name, value string, from record.Origin) record.Claim {
	return record.Claim{Name: name, Value: value, From: from}
}

var lab = map[string]map[string][]string{
	"gpu": {
		"Lumen 40":  {"Maker Lumen 40 16GB", "Maker Lumen 40 1?GB*"},
		"Lumen 60":  {"*Lumen 60*"},
		"Corvid G3": nil,
	},
	"game": {"Delta Halyard": {"dhalyard*.exe"}},
}

func aliases(t testing.TB) tag.Aliases {
	t.Helper()
	a, err := tag.NewAliases(lab)
	if err != nil {
		t.Fatal(err)
	}
	return a
}

func TestShort(t *testing.T) {
	a := aliases(t)
	for _, c := range []struct {
		name, reported, want string
		kind                 tag.Kind
	}{
		{"gpu", "Maker Lumen 40 16GB", "Lumen 40", tag.Exact},
		{"gpu", "maker  LUMEN(TM) 40 16gb", "Lumen 40", tag.Exact},
		{"gpu", "Lumen 40", "Lumen 40", tag.Exact},
		{"gpu", "Maker Lumen 40 12GB rev 2", "Lumen 40", tag.Pattern},
		{"gpu", "Other Lumen 60", "Lumen 60", tag.Pattern},
		{"gpu", "Maker Lumen 80", "Maker Lumen 80", tag.Unmatched},
		{"cpu", "Corvid 8", "Corvid 8", tag.NoTable},
	} {
		got, m := a.Short(c.name, c.reported)
		if got != c.want || m.Kind != c.kind {
			t.Errorf("%s %q: %q (%s), want %q (%s)", c.name, c.reported, got, m.Kind, c.want, c.kind)
		}
	}
}

func TestShortSaysAmbiguous(t *testing.T) {
	a, err := tag.NewAliases(map[string]map[string][]string{"gpu": {"A": {"*Lumen*"}, "B": {"*60*"}, "C": {"twin"}, "D": {"twin"}}})
	if err != nil {
		t.Fatal(err)
	}
	for reported, want := range map[string][]string{"Lumen 60": {"A", "B"}, "Twin": {"C", "D"}} {
		got, m := a.Short("gpu", reported)
		if got != reported || m.Kind != tag.Ambiguous || !slices.Equal(m.Candidates, want) {
			t.Errorf("%q: %q %+v", reported, got, m)
		}
	}
}

func TestNewAliasesRefusesEmptyNames(t *testing.T) {
	for _, bad := range []map[string]map[string][]string{{"gpu": {"": nil}}, {"gpu": {"A": {" "}}}} {
		if _, err := tag.NewAliases(bad); err == nil {
			t.Errorf("%v was taken", bad)
		}
	}
}

func TestTrust(t *testing.T) {
	all := []record.Claim{
		claim("gpu", "hand", record.FromHand), claim("gpu", "plan", record.FromPlan), claim("gpu", "detected", record.FromDetected),
		claim("gpu", "header", record.FromHeader), claim("gpu", "path", record.FromPath),
	}
	for n := len(tag.DefaultOrder); n > 0; n-- {
		top := tag.DefaultOrder[n-1]
		tags, _ := tag.Resolve(all, nil)
		if tags["gpu"] != (record.Tag{Value: string(top), From: top}) {
			t.Errorf("of %v wins %v", all, tags["gpu"])
		}
		all = slices.DeleteFunc(all, func(c record.Claim) bool { return c.From == top })
	}
	tags, _ := tag.Resolve([]record.Claim{claim("game", "a", record.FromPath), claim("game", "b", record.FromHeader)},
		[]record.Origin{record.FromHeader, record.FromPath})
	if tags.Value("game") != "a" {
		t.Errorf("the configured order was not used: %v", tags)
	}
	tags, _ = tag.Resolve([]record.Claim{claim("game", "first", record.FromHand), claim("game", "last", record.FromHand)}, nil)
	if tags.Value("game") != "last" {
		t.Errorf("the last word by hand lost: %v", tags)
	}
}

func TestContradictions(t *testing.T) {
	detected := func(v string) record.Claim { return claim("gpu", v, record.FromDetected) }
	const none = record.OK
	for _, c := range []struct {
		name    string
		aliases bool
		claims  []record.Claim
		want    record.Outcome
		value   string
	}{
		{"alias says the same", true, []record.Claim{claim("gpu", "Lumen 40", record.FromPath), detected("Maker Lumen 40 16GB")}, none, "Lumen 40"},
		{"plan against bench", true, []record.Claim{claim("gpu", "Lumen 40", record.FromPlan), detected("Maker Lumen 60 24GB")}, record.Bad, "Lumen 60"},
		{"another card than the planned one declares", true, []record.Claim{claim("gpu", "Lumen 40", record.FromPlan), detected("Radiant 5")}, record.Bad, "Radiant 5"},
		{"planned card declares no names", true, []record.Claim{claim("gpu", "Corvid G3", record.FromPlan), detected("Radiant 5")}, record.NotChecked, "Radiant 5"},
		{"reviewer's word kept where the machine's contains it", true, []record.Claim{claim("gpu", "Corvid G3", record.FromPath), detected("Maker Corvid G3 8GB")}, none, "Corvid G3"},
		{"no alias, contained", false, []record.Claim{claim("gpu", "Card A", record.FromPath), detected("Vendor Card A 16GB")}, none, "Vendor Card A 16GB"},
		{"no alias, other number", false, []record.Claim{claim("gpu", "Lumen 40", record.FromPath), detected("Maker Lumen 60 24GB")}, record.Bad, "Maker Lumen 60 24GB"},
		{"no alias, number is the memory", false, []record.Claim{claim("gpu", "Lumen 16", record.FromPath), detected("Maker Lumen 40 16GB")}, record.NotChecked, "Maker Lumen 40 16GB"},
		{"no alias, other words", false, []record.Claim{claim("gpu", "the red one", record.FromPath), detected("Maker Lumen 60")}, record.NotChecked, "Maker Lumen 60"},
		{"spelling only", false, []record.Claim{claim("game", "delta_halyard", record.FromPath), claim("game", "Delta Halyard", record.FromHeader)}, none, "Delta Halyard"},
		{"other game", false, []record.Claim{claim("game", "Delta Halyard", record.FromPath), claim("game", "Iron Vale", record.FromHeader)}, record.Bad, "Iron Vale"},
		{"edition of a game", false, []record.Claim{claim("game", "Delta Halyard", record.FromPath), claim("game", "Delta Halyard II", record.FromHeader)}, record.NotChecked, "Delta Halyard II"},
		{"presets", false, []record.Claim{claim("preset", "ultra", record.FromPath), claim("preset", "high", record.FromHeader)}, record.Bad, "high"},
		{"resolution written two ways", false, []record.Claim{claim("resolution", "1080p", record.FromPath), claim("resolution", "1920x1080", record.FromHeader)}, none, "1920x1080"},
		{"plan at another cell than the folder", false, []record.Claim{claim("game", "Delta Halyard", record.FromPlan), claim("game", "Iron Vale", record.FromPath)}, none, "Iron Vale"},
		{"plan against the program that ran", false, []record.Claim{claim("game", "Delta Halyard", record.FromPlan), claim("game", "Iron Vale", record.FromDetected)}, record.Bad, "Iron Vale"},
		{"hand settles", true, []record.Claim{claim("gpu", "Lumen 40", record.FromHand), detected("Maker Lumen 60")}, none, "Lumen 40"},
		{"number of the pass", false, []record.Claim{claim("pass", "1", record.FromPath), claim("pass", "2", record.FromHeader)}, none, "2"},
		{"header against itself", false, []record.Claim{claim("scene", "dam", record.FromHeader), claim("scene", "pier", record.FromHeader)}, record.Bad, "dam"},
	} {
		t.Run(c.name, func(t *testing.T) {
			var a tag.Aliases
			if c.aliases {
				a = aliases(t)
			}
			tags, cs := a.Resolve(c.claims, nil)
			f := tag.Finding(cs)
			if f.Outcome != c.want {
				t.Errorf("outcome %s (%s), want %s", f.Outcome, f.Reason, c.want)
			}
			if got := tags.Value(c.claims[0].Name); got != c.value {
				t.Errorf("tag %q, want %q", got, c.value)
			}
			if c.want == record.Bad {
				for _, cl := range c.claims {
					if !strings.Contains(f.Reason, cl.Value) {
						t.Errorf("reason %q lacks %q", f.Reason, cl.Value)
					}
				}
			}
			// Replacing the names first, as a pipeline may, changes nothing.
			if c.aliases && c.value != "Radiant 5" {
				applied, cs2 := a.Resolve(a.Apply(c.claims), nil)
				if !reflect.DeepEqual(applied, tags) || len(cs2) != len(cs) {
					t.Errorf("after Apply: %v %v, before: %v %v", applied, cs2, tags, cs)
				}
			}
		})
	}
}

func TestSources(t *testing.T) {
	header := map[string]string{" GPU ": "Lumen 40", "Card": "Lumen 60", "Comment": "x", "Scene": " ", "pass": "02"}
	got := tag.FromHeader(header, map[string]string{"card": "gpu", "comment": "note"})
	want := []record.Claim{
		{Name: "gpu", Value: "Lumen 40", From: record.FromHeader, Detail: "header GPU"},
		{Name: "gpu", Value: "Lumen 60", From: record.FromHeader, Detail: "header Card"},
		{Name: "note", Value: "x", From: record.FromHeader, Detail: "header Comment"},
		{Name: "pass", Value: "2", From: record.FromHeader, Detail: "header pass"},
	}
	if !reflect.DeepEqual(got, want) {
		t.Errorf("header: %v", got)
	}
	s := record.System{Fields: []record.Field{
		{Name: record.FieldProcessorName, Value: "Corvid 8"},
		{Name: record.FieldGraphicsName, Unknown: record.Refused},
		{Name: record.FieldGraphicsDriver, Value: "12.5"},
	}}
	if got := values(tag.FromSystem(s)); !reflect.DeepEqual(got, map[string]string{"cpu": "Corvid 8", "driver": "12.5"}) {
		t.Errorf("system: %v", got)
	}
	for _, c := range tag.FromFixed(map[string]string{"cooler": "tall", "empty": ""}) {
		if c.Name != "cooler" || c.From != record.FromPlan {
			t.Errorf("fixed: %+v", c)
		}
	}
	if got, _ := tag.FromProgram(`C:\Games\DHalyard-win64.exe`, aliases(t)); len(got) != 1 || got[0].Value != "Delta Halyard" || got[0].From != record.FromDetected {
		t.Errorf("program: %v", got)
	}
	if got, m := tag.FromProgram("editor.exe", aliases(t)); got != nil || m.Kind != tag.Unmatched {
		t.Errorf("unknown program: %v %v", got, m)
	}
}

// The order in which sources are asked decides nothing as long as each has one word.
func TestOrderOfClaimsDoesNotMatter(t *testing.T) {
	a := aliases(t)
	rapid.Check(t, func(t *rapid.T) {
		var claims []record.Claim
		for _, name := range []string{"gpu", "game", "preset"} {
			for _, from := range tag.DefaultOrder {
				if rapid.Bool().Draw(t, "has") {
					v := rapid.SampledFrom([]string{"Lumen 40", "Maker Lumen 40 16GB", "Lumen 60", "Corvid G3", "x", "dhalyard1.exe"}).Draw(t, "value")
					claims = append(claims, claim(name, v, from))
				}
			}
		}
		tags, cs := a.Resolve(claims, nil)
		shuffled := rapid.Permutation(claims).Draw(t, "order")
		tags2, cs2 := a.Resolve(shuffled, nil)
		if !reflect.DeepEqual(tags, tags2) || !reflect.DeepEqual(cs, cs2) {
			t.Fatalf("%v gives %v %v; %v gives %v %v", claims, tags, cs, shuffled, tags2, cs2)
		}
	})
}

// compare is symmetric in effect: a table's patterns and text rules never panic and a
// name always equals itself.
func FuzzShort(f *testing.F) {
	f.Add("Maker Lumen 40 16GB", "*Lumen*")
	f.Add("", "?")
	f.Fuzz(func(t *testing.T, reported, pattern string) {
		a, err := tag.NewAliases(map[string]map[string][]string{"gpu": {"Short": {pattern}}})
		if err != nil {
			return
		}
		got, m := a.Short("gpu", reported)
		if known := m.Kind == tag.Exact || m.Kind == tag.Pattern; known != (got == "Short" && m.Kind != tag.Unmatched) {
			t.Errorf("%q with %q: %q %v", reported, pattern, got, m)
		}
		_, cs := a.Resolve([]record.Claim{claim("gpu", reported, record.FromPath), claim("gpu", reported, record.FromDetected)}, nil)
		if len(cs) != 0 {
			t.Errorf("%q contradicts itself: %v", reported, cs)
		}
	})
}
