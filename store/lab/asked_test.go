package lab_test

import (
	"errors"
	"fmt"
	"net/url"
	"reflect"
	"testing"

	"capd.example/record"
	"capd.example/store"
	"capd.example/store/lab"
)

// Passes that are asked for together are those that are asked for one by one, copies and damaged
// ones too, at a fraction of the way through the network.
func TestManyPassesAreAskedForAtOnce(t *testing.T) {
	a := address(t)
	setup(t, a, false)
	s := newStore(t)
	var ids []string
	for i := range 120 { // more than a statement asks for
		ids = append(ids, add(t, s, "bench-1", i, 0.1))
	}
	if _, err := (&lab.Forwarder{Store: s, Bench: "bench-1", Address: a}).Forward(ctx); err != nil {
		t.Fatal(err)
	}
	whole, err := s.Whole(ctx, ids[5])
	if err != nil {
		t.Fatal(err)
	}
	second := newStore(t)
	whole.Pass.Bench = "aaa"
	if _, err := second.Save(ctx, whole); err != nil {
		t.Fatal(err)
	}
	if err := second.Finish(ctx, ids[5], whole.Pass.Findings, whole.Pass.Verdict); err != nil {
		t.Fatal(err)
	}
	if _, err := (&lab.Forwarder{Store: second, Bench: "aaa", Address: a}).Forward(ctx); err != nil {
		t.Fatal(err)
	}
	ask(t, a, `UPDATE capd.archives SET telemetry = 'rubbish' WHERE id = '`+ids[7]+`'`)
	ask(t, a, `DELETE FROM capd.archives WHERE id = '`+ids[9]+`'`)

	u, err := url.Parse(a)
	if err != nil {
		t.Fatal(err)
	}
	net := newSwamp(t, u.Host)
	u.Host = net.l.Addr().String()
	read := func(fn func(l *lab.Lab)) (asked int64, notes string) {
		before := net.asked.Load()
		l, err := lab.Open(ctx, u.String())
		if err != nil {
			t.Fatal(err)
		}
		defer l.Close()
		fn(l)
		list, _ := l.Notes()
		return net.asked.Load() - before, fmt.Sprint(list)
	}
	type answer struct {
		t   *record.Telemetry
		bad bool
	}
	one, many := map[string]answer{}, map[string]answer{}
	single, noted := read(func(l *lab.Lab) {
		for _, id := range ids {
			x, err := l.Telemetry(ctx, id)
			one[id] = answer{x, errors.Is(err, store.ErrCorrupt)}
		}
	})
	together, notedToo := read(func(l *lab.Lab) {
		if err := l.Telemetries(ctx, ids, func(id string, x *record.Telemetry, err error) error {
			many[id] = answer{x, errors.Is(err, store.ErrCorrupt)}
			return nil
		}); err != nil {
			t.Fatal(err)
		}
	})
	if !reflect.DeepEqual(one, many) || len(one) != len(ids) {
		t.Errorf("one by one\n%v\ntogether\n%v", one, many)
	}
	if noted != notedToo {
		t.Errorf("noted one by one\n%s\ntogether\n%s", noted, notedToo)
	}
	if together*5 > single {
		t.Errorf("%d bytes of questions together, %d one by one", together, single)
	}
	read(func(l *lab.Lab) {
		n := 0
		sound := append(append([]string(nil), ids[:9]...), ids[10:]...)
		if err := l.Wholes(ctx, sound, func(got store.Arrival) error {
			want, err := l.Whole(ctx, sound[n])
			if err != nil || !reflect.DeepEqual(got, want) {
				t.Errorf("pass %s together\n%+v\nby itself\n%+v, %v", sound[n], got, want, err)
			}
			n++
			return nil
		}); err != nil || n != len(sound) {
			t.Errorf("%d passes, %v", n, err)
		}
		if err := l.Wholes(ctx, ids, func(store.Arrival) error { return nil }); !errors.Is(err, store.ErrCorrupt) {
			t.Errorf("a damaged pass: %v", err)
		}
		if err := l.Wholes(ctx, []string{"0123456789ab"}, func(store.Arrival) error { return nil }); !errors.Is(err, store.ErrNotFound) {
			t.Errorf("an unknown pass: %v", err)
		}
	})
}
