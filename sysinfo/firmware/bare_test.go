package firmware

import (
	"bytes"
	"math/rand/v2"
	"reflect"
	"testing"
)

// TestBare: what is read of a table is read of the bare one too, and nothing else is in it.
func TestBare(t *testing.T) {
	table := append(structure(3, 9, map[int]any{4: 1, 7: 2}, "maker of the case", "SERIAL of the case"),
		structure(1, 27, map[int]any{4: 1, 5: 2, 7: 3, 8: uint32(0xFEEDFACE)}, "Halden", "Arc", "SERIAL of the machine")...)
	table = append(table, sampleTable()...)
	bare := Bare(table)
	want, err := ParseSMBIOS(table)
	if err != nil {
		t.Fatal(err)
	}
	if got, err := ParseSMBIOS(bare); err != nil || !reflect.DeepEqual(got, want) {
		t.Errorf("of the bare table %+v, %v\nof the whole one %+v", got, err, want)
	}
	for _, secret := range []string{"SERIAL", "case", "\xCE\xFA\xED\xFE"} {
		if bytes.Contains(bare, []byte(secret)) {
			t.Errorf("%q is in it", secret)
		}
	}
	if again := Bare(bare); !bytes.Equal(again, bare) {
		t.Error("the bare table has something to take out")
	}
	dice := rand.New(rand.NewPCG(1, 1))
	for range 2000 { // a damaged table is read as far as the whole one, or less
		damaged := bytes.Clone(table)
		for range 1 + dice.IntN(3) {
			damaged[dice.IntN(len(damaged))] = byte(dice.IntN(256))
		}
		want, err := ParseSMBIOS(damaged)
		if got, bareErr := ParseSMBIOS(Bare(damaged)); err == nil && (bareErr != nil || !reflect.DeepEqual(got, want)) {
			t.Fatalf("%x: %+v, %v, want %+v", damaged, got, bareErr, want)
		}
	}
}
