package tomlerror

import (
	"strings"
	"testing"

	"github.com/pelletier/go-toml/v2"
)

func TestExplain(t *testing.T) {
	type part struct {
		Name  string
		Seats int
		Share float64
		On    bool
		Tags  []string
	}
	moved := func(key string) string {
		if key == "part.old" {
			return ", which is part.name now"
		}
		return ""
	}
	for text, want := range map[string]string{
		"[part]\nname = 3":                   "line 2, column 8: part.name: needs text in quotes, not an integer",
		"[part]\nseats = \"x\"":              "line 2, column 9: part.seats: needs a whole number, not a string",
		"[part]\non = 1":                     "needs true or false, not an integer",
		"[part]\ntags = 1":                   "another kind of value",
		"[part]\nold = 3":                    `line 2, column 1: unknown key "part.old", which is part.name now`,
		"[part]\nodd = 3\neven = 4":          `unknown key "part.odd"; line 3, column 1: unknown key "part.even"`,
		"[part]\nname = \"C:\\Users\\mo\"\n": `write Windows paths in single quotes`,
		"[part":                              "line 1, column",
	} {
		var to struct{ Part part }
		err := toml.NewDecoder(strings.NewReader(text)).DisallowUnknownFields().Decode(&to)
		if err == nil {
			t.Errorf("%q was taken", text)
			continue
		}
		got := Explain(err, moved).Error()
		if !strings.Contains(got, want) {
			t.Errorf("%q: %s; want %s", text, got, want)
		}
		for _, word := range []string{"struct", "toml:", "float64", "Go value"} {
			if strings.Contains(got, word) {
				t.Errorf("%q: %s names %s", text, got, word)
			}
		}
	}
}
