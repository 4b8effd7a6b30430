package gather

import (
	"testing"

	"capd.example/control"
	"capd.example/page/view"
)

// A pass is said once, though it leaves the latest and comes back to them.
func TestLabSaysEachPassOnce(t *testing.T) {
	l := &Lab{Events: &control.Hub{}}
	told := l.Events.Follow()
	defer told.Close()
	for _, ids := range [][]string{{"a", "b"}, {"c", "b"}, {"a", "c"}, {"d"}} {
		var list []view.Pass
		for _, id := range ids {
			list = append(list, view.Pass{ID: id})
		}
		l.tell(list)
	}
	got := ""
	for _, e := range told.Take() {
		got += e.Pass.ID
	}
	if got != "cd" {
		t.Errorf("%q are said as new, not c and d", got)
	}
}
