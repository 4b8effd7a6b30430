package export

import (
	"context"
	"fmt"
	"testing"

	"capd.example/store"
)

// ReadWithin is [Read] with so many bytes for a part.
func ReadWithin(ctx context.Context, s *store.Store, name string, bytes int64) (Taken, error) {
	return read(ctx, s, name, budget(bytes))
}

// A part is full where it has many passes or many frames, and no pass is left out.
func TestGroupsStayWithinWhatReadHolds(t *testing.T) {
	var passes []entry
	for i := range 3 * perPart {
		frames := 1000
		if i >= 2*perPart {
			frames = maxFrames
		}
		passes = append(passes, entry{fmt.Sprint(i), frames})
	}
	next := 0
	for _, g := range groups(passes) {
		frames := 0
		for _, id := range g {
			if id != passes[next].id {
				t.Fatalf("pass %s where %s is due", id, passes[next].id)
			}
			frames += passes[next].frames
			next++
		}
		if len(g) > perPart || frames*heldOfValue > maxHeld/2 || next <= 2*perPart && len(g) != perPart {
			t.Errorf("%d passes with %d frames in one part", len(g), frames)
		}
	}
	if next != len(passes) {
		t.Errorf("%d of %d passes", next, len(passes))
	}
}
