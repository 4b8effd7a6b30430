package agent

import (
	"context"
	"maps"
	"path/filepath"
	"testing"
	"time"

	"capd.example/internal/judging"
	"capd.example/pipeline"
	"capd.example/record"
	"capd.example/store"
)

// begun are the tags by hand and what a person types.
type begun struct {
	*manualTags
	t *testing.T
}

func (b begun) begin(once bool, pairs ...string) {
	b.t.Helper()
	tags := map[string]string{}
	for i := 0; i < len(pairs); i += 2 {
		tags[pairs[i]] = pairs[i+1]
	}
	if err := b.set(tags, once); err != nil {
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
	if got := b.at(started); !maps.Equal(got, tags) {
		b.t.Errorf("the pass gets %v, want %v", got, tags)
	}
	if err := b.storing(func(map[string]string) (bool, error) { return true, nil }); err != nil {
		b.t.Error(err)
	}
}

// Tags for one pass go after it, those that stay stay, in whichever order they were said.
func TestTagsForOnePassLeaveTheOthers(t *testing.T) {
	now := time.Now()
	for name, say := range map[string]func(b begun){
		"once last":  func(b begun) { b.begin(false, "gpu", "A70"); b.begin(true, "note", "retry") },
		"once first": func(b begun) { b.begin(true, "note", "retry"); b.begin(false, "gpu", "A70") },
	} {
		t.Run(name, func(t *testing.T) {
			b := begun{&manualTags{}, t}
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
	b := begun{&manualTags{}, t}
	b.begin(false, "note", " two\r\nlines\x1b[2J ")
	b.pass(now, "note", "two lines\uFFFD[2J")
	if err := new(manualTags).set(map[string]string{"": "x"}, false); err == nil {
		t.Error("a tag without a name is taken")
	}
}

// A crash or a restart loses no tags by hand, and gives none for one pass a second time.
func TestTagsByHandOutliveTheAgent(t *testing.T) {
	s, err := store.Open(t.Context(), filepath.Join(t.TempDir(), "passes.db"), store.Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	ag := &Agent{store: s}
	serves := &service{agent: ag}
	for _, once := range []bool{false, true} {
		if err := serves.Begin(t.Context(), map[string]string{map[bool]string{false: "gpu", true: "note"}[once]: "A70"}, once); err != nil {
			t.Fatal(err)
		}
	}
	again := func() begun {
		m := &manualTags{}
		if err := m.load(t.Context(), s); err != nil {
			t.Fatal(err)
		}
		return begun{m, t}
	}
	now := time.Now()
	again().pass(now, "gpu", "A70", "note", "A70")
	again().pass(now.Add(-time.Hour)) // late, as before
	kept := remembering{ag, passStore{judging.Cells{Store: s}, s}}
	arrives := func(ctx context.Context, sha string, started time.Time) error {
		ag.tags.at(started)
		_, err := kept.Save(ctx, pipeline.Arrival{Pass: record.Pass{SHA256: sha, Bench: "b", Log: sha, StartedAt: started}, Frames: record.Frames{MS: []float64{10, 11}}})
		return err
	}
	if err := arrives(t.Context(), "late", now.Add(-time.Hour)); err != nil {
		t.Fatal(err)
	}
	again().pass(now, "gpu", "A70", "note", "A70")
	broken, stop := context.WithCancel(t.Context())
	stop()
	if err := arrives(broken, "first", now); err == nil {
		t.Fatal("a store that is given no time stores")
	}
	again().pass(now, "gpu", "A70", "note", "A70")
	if err := arrives(t.Context(), "first", now); err != nil {
		t.Fatal(err)
	}
	again().pass(now, "gpu", "A70") // nothing was done since the pass was stored
	begun{&ag.tags, t}.pass(now, "gpu", "A70")
}

// Tags for the next pass that are said while one is being stored are not its tags.
func TestTagsThatAreSaidMeanwhileStay(t *testing.T) {
	b := begun{&manualTags{}, t}
	now := time.Now()
	b.begin(true, "note", "first")
	b.at(now)
	b.begin(true, "note", "second", "fan", "low")
	if err := b.storing(func(map[string]string) (bool, error) { return true, nil }); err != nil {
		t.Fatal(err)
	}
	b.pass(now, "note", "second", "fan", "low")
	b.pass(now)
}
