package main

import (
	"testing"

	"capd.example/internal/testlab"
)

// Every command that --help lists is in the documentation, and the other way round.
func TestCommandsAreDocumented(t *testing.T) {
	wrong, err := testlab.Undocumented("capctl", &grammar{})
	if err != nil {
		t.Fatal(err)
	}
	for _, w := range wrong {
		t.Error(w)
	}
}
