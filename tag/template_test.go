package tag_test

import (
	"errors"
	"reflect"
	"strings"
	"testing"

	"capd.example/record"
	"capd.example/tag"
	"pgregory.net/rapid"
)

func templates(t testing.TB, texts ...string) []tag.Template {
	t.Helper()
	out, err := tag.ParseTemplates(texts)
	if err != nil {
		t.Fatal(err)
	}
	return out
}

func values(claims []record.Claim) map[string]string {
	out := map[string]string{}
	for _, c := range claims {
		out[c.Name] = c.Value
	}
	return out
}

func TestFromPath(t *testing.T) {
	const usual = "{game}/{resolution}-{preset}/pass{pass}.csv"
	for _, c := range []struct {
		name      string
		templates []string
		path      string
		want      map[string]string
	}{
		{"usual", []string{usual}, "Delta Halyard/1080p-ultra/pass2.csv",
			map[string]string{"game": "Delta Halyard", "resolution": "1080p", "preset": "ultra", "pass": "2"}},
		{"backslashes", []string{usual}, `Delta Halyard\1080p-ultra\pass2.csv`,
			map[string]string{"game": "Delta Halyard", "resolution": "1080p", "preset": "ultra", "pass": "2"}},
		{"template with backslashes", []string{`{game}\pass{pass}.csv`}, "a/pass1.csv", map[string]string{"game": "a", "pass": "1"}},
		{"leading zeros", []string{"{game}/{pass}.csv"}, "a/003.csv", map[string]string{"game": "a", "pass": "3"}},
		{"first that fits wins", []string{"{game}/x{pass}.csv", "{scene}/{pass}.csv"}, "a/1.csv", map[string]string{"scene": "a", "pass": "1"}},
		{"wildcard", []string{"{game}/{*}.csv"}, "a/anything-at-all.csv", map[string]string{"game": "a"}},
		{"wildcard takes nothing", []string{"{game}/pass{pass}-{*}"}, "a/pass1-", map[string]string{"game": "a", "pass": "1"}},
		{"repeated name", []string{"{game}/{game}_{pass}.csv"}, "a_b/a_b_1.csv", map[string]string{"game": "a_b", "pass": "1"}},
		{"letters beyond ASCII", []string{"{game}/{pass}.csv"}, "Größe ÿ/1.csv", map[string]string{"game": "Größe ÿ", "pass": "1"}},
		{"line break in a folder", []string{"{game}/{pass}.csv"}, "a\nb/1.csv", map[string]string{"game": "a b", "pass": "1"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			claims, err := tag.FromPath(templates(t, c.templates...), c.path)
			if err != nil {
				t.Fatal(err)
			}
			if got := values(claims); !reflect.DeepEqual(got, c.want) {
				t.Errorf("got %v, want %v", got, c.want)
			}
		})
	}
}

func TestFromPathWithoutMatch(t *testing.T) {
	ts := templates(t, "{game}/pass{pass}.csv")
	for _, path := range []string{"", "pass1.csv", "a/b/pass1.csv", "a/pass.csv", "a/passx.csv", "a/Pass1.csv", "a/pass1.csv.gz", "/pass1.csv"} {
		claims, err := tag.FromPath(ts, path)
		if claims != nil || !errors.Is(err, tag.ErrNoTemplate) {
			t.Errorf("%q: claims %v, err %v; want none and ErrNoTemplate", path, claims, err)
		}
	}
	if claims, err := tag.FromPath(nil, "a/pass1.csv"); claims != nil || err != nil {
		t.Errorf("no templates: %v, %v", claims, err)
	}
}

func TestAmbiguousPathKeepsWhatIsCertain(t *testing.T) {
	ts := templates(t, "{game}/{resolution}-{preset}/{pass}.csv")
	claims, err := tag.FromPath(ts, "Delta/1080p-very-high/1.csv")
	var ambiguous *tag.AmbiguousError
	if !errors.As(err, &ambiguous) {
		t.Fatalf("err = %v", err)
	}
	if got, want := values(claims), map[string]string{"game": "Delta", "pass": "1"}; !reflect.DeepEqual(got, want) {
		t.Errorf("claims %v, want %v", got, want)
	}
	for _, want := range []string{"resolution=1080p preset=very-high", "resolution=1080p-very preset=high", "separator"} {
		if !strings.Contains(err.Error(), want) {
			t.Errorf("note %q lacks %q", err, want)
		}
	}
}

// A path made to be read in very many ways must not take for ever.
func TestAmbiguousPathEnds(t *testing.T) {
	text := "{a}"
	for _, n := range strings.Split("bcdefghij", "") {
		text += "-{" + n + "}"
	}
	long := strings.Repeat("-", 250)
	if claims, err := tag.FromPath(templates(t, text), long); len(claims) != 0 || err == nil {
		t.Errorf("claims %v, err %v", claims, err)
	}
	wild := templates(t, "{*}x{*}x{*}x{*}x{game}x{*}x{*}")
	if _, err := tag.FromPath(wild, strings.Repeat("x", 250)); err == nil {
		t.Error("no note on a path that fits in many ways")
	}
	twice := templates(t, "{a}-{b}-{c}-{d}-{a}!")
	if claims, _ := tag.FromPath(twice, strings.Repeat("-", 250)+"!"); len(claims) == 5 {
		t.Errorf("claims %v", claims)
	}
}

func TestParseTemplateRefuses(t *testing.T) {
	for text, want := range map[string]string{
		"":               "names no tag",
		"x.csv":          "names no tag",
		"{*}.csv":        "names no tag",
		"{game":          "position 1: { is never closed",
		"a/{game}}":      "position 9: } without {",
		"{Game}/x":       "lower-case",
		"{}":             "no tag name",
		"{a}{b}":         "follows {a} directly",
		"{a}{*}":         "follows {a} directly",
		"{1a}":           "no tag name",
		"{a b}":          "no tag name",
		"{game}/{{pass}": "no tag name",
	} {
		if _, err := tag.ParseTemplate(text); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%q: err = %v, want %q", text, err, want)
		}
	}
}

// What a template is filled with is read back, whenever no value holds a separator.
func TestFilledTemplateIsReadBack(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(1, 5).Draw(t, "names")
		text, path := "", ""
		want := map[string]string{}
		for i := range n {
			sep := rapid.SampledFrom([]string{"/", "-", "__", "/x-"}).Draw(t, "separator")
			name := string(rune('a' + i))
			value := rapid.StringMatching(`[A-Za-z0-9.()]{1,6}( [A-Za-z0-9]{1,4})?`).Draw(t, "value")
			want[name] = value
			text += sep + "{" + name + "}"
			path += sep + value
		}
		tpl, err := tag.ParseTemplate(text)
		if err != nil {
			t.Fatal(err)
		}
		claims, err := tag.FromPath([]tag.Template{tpl}, path)
		if err != nil {
			t.Fatalf("%q against %q: %v", path, text, err)
		}
		if got := values(claims); !reflect.DeepEqual(got, want) {
			t.Fatalf("%q against %q: %v, want %v", path, text, got, want)
		}
	})
}

// Whatever parses puts its own text back together, and what it reads from a path, put
// into the template, gives the path again.
func FuzzTemplate(f *testing.F) {
	f.Add("{game}/{resolution}-{preset}/pass{pass}.csv", "Delta/1080p-ultra/pass2.csv")
	f.Add("{a}-{a}", "x-x")
	f.Add(`{a}\{b}`, `x\y`)
	f.Add("{a}x{*}", "xxxx")
	f.Add("{a", "}")
	f.Fuzz(func(t *testing.T, text, path string) {
		tpl, err := tag.ParseTemplate(text)
		if err != nil {
			if tpl.String() != "" {
				t.Error("a refused template is not empty")
			}
			return
		}
		if tpl.String() != text {
			t.Errorf("%q became %q", text, tpl)
		}
		if len(path) > 300 || len(text) > 100 {
			return
		}
		claims, err := tag.FromPath([]tag.Template{tpl}, path)
		if err != nil || strings.Contains(text, "{*}") || strings.Contains(text, "{pass}") {
			return
		}
		filled := strings.ReplaceAll(text, `\`, "/")
		for n, v := range values(claims) {
			filled = strings.ReplaceAll(filled, "{"+n+"}", v)
		}
		if plain(path) == path && len(values(claims)) == len(tpl.Names()) && !strings.ContainsAny(path, "{}") && filled != path {
			t.Errorf("%q read by %q gives %v, which makes %q", path, text, values(claims), filled)
		}
	})
}

// plain leaves only paths that cleaning of values cannot change.
func plain(s string) string {
	return strings.Map(func(r rune) rune {
		if r > ' ' && r < 0x7f && r != '\\' {
			return r
		}
		return -1
	}, s)
}
