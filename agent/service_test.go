package agent

import (
	"context"
	"errors"
	"fmt"
	"testing"

	"github.com/rs/zerolog"

	"capd.example/control"
	"capd.example/notify"
	"capd.example/record"
)

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

// A page whose address another program has is a trouble, and no more.
func TestPageThatCannotBeHad(t *testing.T) {
	ag := &Agent{log: zerolog.Nop(), service: &service{}}
	ag.troubles.Send = func(context.Context, notify.Alert) error { return nil }
	turned := 0
	ag.troubles.Turned = func() { turned++ }
	taken := errors.New("the page cannot have the address")
	if err := ag.show(t.Context(), func(context.Context, Inside) error { return taken }); !errors.Is(err, taken) {
		t.Error(err)
	}
	if list := ag.troubles.List(); len(list) != 1 || list[0].Text != taken.Error() || turned != 1 {
		t.Errorf("%+v, told %d times", list, turned)
	}
	ag.troubles.Clear("page")
	ag.troubles.Clear("page")
	if turned != 2 {
		t.Errorf("told %d times that it is over", turned-1)
	}
	ended, stop := context.WithCancel(t.Context())
	stop()
	ag.show(ended, func(context.Context, Inside) error { return taken })
	if list := ag.troubles.List(); len(list) != 0 {
		t.Errorf("at its end: %+v", list)
	}
}

// Who counts the alerts that wait hears when one has arrived.
func TestDeliveryIsTold(t *testing.T) {
	ag := &Agent{}
	f := ag.hub.Follow()
	defer f.Close()
	ag.channel(t.Context(), notify.Outcome{Channel: "desk"})
	if got := f.Take(); len(got) != 1 || got[0].Kind != control.KindState {
		t.Errorf("%+v", got)
	}
}
