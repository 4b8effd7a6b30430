package cli_test

import (
	"testing"

	"capd.example/internal/cli"
)

func TestCarry(t *testing.T) {
	given := cli.Given{
		{Name: "--config", Value: "my bench/capd.toml"}, {Name: "--data", Value: "data"},
		{Name: "--store", Value: "postgres://lab/all", For: []string{"passes", "show"}},
		{Name: "--campaign", Value: "c.toml", For: []string{"next"}, Own: true}, {Value: "c.toml", For: []string{"plan"}, Own: true}, {Name: "--watch", For: []string{"run"}},
	}
	const both = `--config "my bench/capd.toml" --data data`
	tests := []struct{ text, want string }{
		{"'capctl passes' lists them", "'capctl " + both + " --store postgres://lab/all passes' lists them"},
		{"type: capctl tag ID game=x", "type: capctl " + both + " tag ID game=x"},
		{"`capctl verify` and 'capd run'", "`capctl " + both + " verify` and 'capd " + both + " run'"},
		{"say so, then capctl recheck", "say so, then capctl " + both + " recheck"},
		{"'capctl next --by precision'", "'capctl " + both + " next --campaign c.toml --by precision'"},
		{"('capctl plan --cells' lists it)", "('capctl " + both + " plan c.toml --cells' lists it)"},
		{"install capd and capctl of one version", "install capd and capctl of one version"},
		{"capctl passes --help says what it takes", "capctl passes --help says what it takes"},
	}
	for _, tt := range tests {
		got := given.Carry(tt.text)
		if got != tt.want {
			t.Errorf("%s:\n%s\nwant\n%s", tt.text, got, tt.want)
		}
		if again := given.Carry(got); again != got {
			t.Errorf("carried twice: %s", again)
		}
		if got := (cli.Given{}).Carry(tt.text); got != tt.text {
			t.Errorf("nothing was given, and yet: %s", got)
		}
	}
}
