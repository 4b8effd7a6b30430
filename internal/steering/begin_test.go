package steering

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"capd.example/internal/logbook"
	"capd.example/record"
)

// What begin says of parts whose level it cannot tell, on invented benches.
func TestBeginSaysWhichPartItCannotPlace(t *testing.T) {
	path := filepath.Join(t.TempDir(), "c.toml")
	text := `
name = "c"
[factors]
gpu = ["A60", "A70"]
[[game]]
name = "Copper Drift"
[aliases.gpu]
A60 = ["Nordwind Arctis 60*", "*Twin"]
A70 = ["Nordwind Arctis 70*", "Arctis T*"]
`
	if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	b, err := logbook.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	card := func(f record.Field) record.System {
		f.Name = record.FieldGraphicsName
		return record.System{Fields: []record.Field{f, {Name: record.FieldProcessorName, Value: "Onyx 8"}}}
	}
	for _, x := range []struct {
		name         string
		field        record.Field
		parts, asked map[string]string
		want         string // "" for nothing said
	}{
		{name: "matched", field: record.Field{Value: "Nordwind Arctis 70 16GB"}},
		{name: "refused", field: record.Field{Unknown: record.Refused}, want: "could not be detected (refused), so the plan started at the first open cell; name the part with 'capctl begin gpu=...'"},
		{name: "known from the pass before", field: record.Field{Unknown: record.Absent}, parts: map[string]string{"gpu": "A60"}},
		{name: "said", field: record.Field{Unknown: record.Absent}, asked: map[string]string{"gpu": "A60"}},
		{name: "no level", field: record.Field{Value: "Slate 9"}, asked: map[string]string{"gpu": "A60"}, want: `"Slate 9", which is no level of gpu (A60, A70)`},
		{name: "two levels", field: record.Field{Value: "Arctis Twin"}, want: `"Arctis Twin", which fits A60, A70;`},
	} {
		got := strings.Join(Unplaced(b, card(x.field), x.parts, x.asked), "\n")
		if x.want == "" && got != "" || !strings.Contains(got, x.want) {
			t.Errorf("%s: said %q, want %q", x.name, got, x.want)
		}
	}
}
