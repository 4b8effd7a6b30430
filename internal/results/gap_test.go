package results

import (
	"fmt"
	"testing"
)

// What is said after a missing tag can be typed as it stands, or is no command.
func TestHowPassesGetTags(t *testing.T) {
	var many []string
	for i := range 40 {
		many = append(many, fmt.Sprintf("%012x", i))
	}
	values := map[string]string{"preset": "very high"}
	for _, c := range []struct {
		lab   string
		ids   []string
		names []string
		want  string
	}{
		{"", many[:2], []string{"preset", "gpu"}, "capctl tag 000000000000 000000000001 preset=\"very high\" gpu=..."},
		{"", many[:8], []string{"gpu"}, "capctl tag 000000000000 000000000001 000000000002 000000000003 000000000004 000000000005 000000000006 000000000007 gpu=..."},
		{"", many, []string{"gpu"}, "give them gpu=... with 'capctl tag'; the first is 000000000000, and 'capctl passes' lists them"},
		{"postgres://lab.example/capd", many[:2], []string{"preset"}, "give them preset=\"very high\" on their bench, which sends it to the lab"},
	} {
		if got := tagging(c.lab != "", c.ids, c.names, values); got != c.want {
			t.Errorf("got  %s\nwant %s", got, c.want)
		}
	}
}
