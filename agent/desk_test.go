package agent

import (
	"fmt"
	"maps"
	"testing"
	"time"

	"capd.example/record"
)

// begun is a desk and what a person types at it.
type begun struct {
	*desk
	t *testing.T
}

func (b begun) begin(once bool, pairs ...string) {
	b.t.Helper()
	tags := map[string]string{}
	for i := 0; i < len(pairs); i += 2 {
		tags[pairs[i]] = pairs[i+1]
	}
	if err := b.Begin(b.t.Context(), tags, once); err != nil {
		b.t.Fatal(err)
	}
}

// pass lets a pass come that started then, and checks the tags that it gets.
func (b begun) pass(started time.Time, want ...string) {
	b.t.Helper()
	tags := map[string]string{}
	for i := 0; i < len(want); i += 2 {
		tags[want[i]] = want[i+1]
	}
	if got := b.tags(started); !maps.Equal(got, tags) {
		b.t.Errorf("the pass gets %v, want %v", got, tags)
	}
	b.judged(record.Pass{ID: "p", StartedAt: started})
}

// Tags for one pass go after it, those that stay stay, in whichever order they were said.
func TestTagsForOnePassLeaveTheOthers(t *testing.T) {
	now := time.Now()
	for name, say := range map[string]func(b begun){
		"once last":  func(b begun) { b.begin(false, "gpu", "A70"); b.begin(true, "note", "retry") },
		"once first": func(b begun) { b.begin(true, "note", "retry"); b.begin(false, "gpu", "A70") },
	} {
		t.Run(name, func(t *testing.T) {
			b := begun{&desk{}, t}
			say(b)
			b.pass(now.Add(-time.Hour)) // it is late, and meant by neither
			b.pass(now, "gpu", "A70", "note", "retry")
			b.pass(now, "gpu", "A70")
			b.begin(true, "gpu", "A80") // in the place of one that stays
			b.pass(now, "gpu", "A80")
			b.begin(true, "gpu", "") // and without it
			b.pass(now)
			b.pass(now, "gpu", "A70")
			b.begin(true, "gpu", "A80")
			b.begin(false, "gpu", "A90") // what was said last holds
			b.pass(now, "gpu", "A90")
			b.begin(true, "note", "again")
			b.begin(true, "note", "")
			b.pass(now, "gpu", "A90")
			b.begin(true, "note", "again")
			b.begin(false)
			b.pass(now)
		})
	}
	if err := new(desk).Begin(t.Context(), map[string]string{"": "x"}, false); err == nil {
		t.Error("a tag without a name is taken")
	}
}

// The agent remembers only the latest passes each, and still counts all.
func TestTallyIsBounded(t *testing.T) {
	var c tally
	for i := range 3 * mostLatest {
		p := record.Pass{ID: fmt.Sprint("p", i), Verdict: record.Clean}
		if i%10 == 0 {
			p.Verdict = record.VerdictBad
		}
		c.add(p)
	}
	if c.passes != 3*mostLatest || len(c.latest) != mostLatest || c.badBefore != 2*mostLatest/10 || c.latest[0].id != fmt.Sprint("p", 2*mostLatest) {
		t.Errorf("%d passes, %d remembered from %v, %d bad before", c.passes, len(c.latest), c.latest[0], c.badBefore)
	}
}
