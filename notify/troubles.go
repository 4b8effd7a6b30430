package notify

import (
	"context"
	"slices"
	"strings"
	"sync"
	"time"
)

// Standing is something that weakens checking or telling, for as long as it does.
type Standing struct {
	Text   string    `json:"text"`   // what is wrong, one line
	Advice string    `json:"advice"` // what to do about it
	Since  time.Time `json:"since"`
}

// Troubles are the troubles that stand now. Whoever knows of one raises it under a key and
// clears it when it is over; each is told once, and told again only where it comes back
// after it was over for a while. What could not be told is told later. Methods may be
// called from several goroutines; the zero value needs Bench and Send.
type Troubles struct {
	Bench string
	// Send queues an alert; on an error it is handed over again later.
	Send func(context.Context, Alert) error
	// Turned is told that another trouble stands, or one no longer; nil to ignore it. It must
	// return at once.
	Turned func()

	mu       sync.Mutex
	sending  chan struct{} // holds one: who tells, so that nothing is told twice
	standing map[string]*standing
	over     map[string]time.Time // key that was told = when it was over
	once     []Alert              // told and not standing
}

type standing struct {
	Standing
	told bool
}

// calm is how long a trouble must be over to be told again: one that comes and goes is one.
const calm = 10 * time.Minute

// Raise says that a trouble stands. What it says may change while it stands.
func (t *Troubles) Raise(ctx context.Context, key, text, advice string) {
	t.raise(key, text, advice)
	t.Tell(ctx)
}

func (t *Troubles) raise(key, text, advice string) {
	t.mu.Lock()
	defer t.mu.Unlock()
	if s := t.standing[key]; s != nil {
		s.Text, s.Advice = text, advice
		return
	}
	if t.standing == nil {
		t.standing, t.over = map[string]*standing{}, map[string]time.Time{}
	}
	now := time.Now()
	at, was := t.over[key]
	delete(t.over, key)
	t.standing[key] = &standing{Standing{text, advice, now.UTC()}, was && now.Sub(at) < calm}
	t.turn()
}

func (t *Troubles) turn() {
	if t.Turned != nil {
		t.Turned()
	}
}

// Clear says that a trouble is over.
func (t *Troubles) Clear(key string) {
	t.mu.Lock()
	defer t.mu.Unlock()
	t.clear(key)
}

func (t *Troubles) clear(key string) {
	s := t.standing[key]
	if s == nil {
		return
	}
	delete(t.standing, key)
	t.turn()
	now := time.Now()
	for k, at := range t.over {
		if now.Sub(at) >= calm {
			delete(t.over, k)
		}
	}
	if s.told {
		t.over[key] = now
	}
}

// Replace says which troubles of a group stand: those in now, by what tells them apart, and
// no others of that group.
func (t *Troubles) Replace(ctx context.Context, group string, now map[string]Standing) {
	t.mu.Lock()
	for key := range t.standing {
		name, is := strings.CutPrefix(key, group+"/")
		if _, still := now[name]; is && !still {
			t.clear(key)
		}
	}
	t.mu.Unlock()
	for name, s := range now {
		t.raise(group+"/"+name, s.Text, s.Advice)
	}
	t.Tell(ctx)
}

// Say tells something that does not stand, now or later.
func (t *Troubles) Say(ctx context.Context, a Alert) {
	t.mu.Lock()
	t.once = append(t.once, a)
	if len(t.once) > most {
		t.once = t.once[1:]
	}
	t.mu.Unlock()
	t.Tell(ctx)
}

// Tell tells what is not told yet and reports whether nothing is left of it. Where somebody
// else is about it, Tell waits as long as ctx allows: sending waits for the store.
func (t *Troubles) Tell(ctx context.Context) (all bool) {
	t.mu.Lock()
	if t.sending == nil {
		t.sending = make(chan struct{}, 1)
	}
	t.mu.Unlock()
	select {
	case t.sending <- struct{}{}:
		defer func() { <-t.sending }()
	case <-ctx.Done():
		return false
	}
	all = true
	t.mu.Lock()
	once := t.once
	t.once = nil
	untold := map[string]Standing{}
	for key, s := range t.standing {
		if !s.told {
			untold[key] = s.Standing
		}
	}
	t.mu.Unlock()
	for i, a := range once {
		if t.Send(ctx, a) != nil {
			t.mu.Lock()
			t.once = append(slices.Clone(once[i:]), t.once...)
			t.mu.Unlock()
			all = false
			break
		}
	}
	for key, s := range untold {
		if t.Send(ctx, FromTrouble(t.Bench, s.Text, s.Advice, s.Since)) != nil {
			all = false
			continue
		}
		t.mu.Lock()
		if now := t.standing[key]; now != nil && now.Since.Equal(s.Since) {
			now.told = true
		} else {
			t.over[key] = time.Now()
		}
		t.mu.Unlock()
	}
	return all
}

// List returns the troubles that stand, the oldest first.
func (t *Troubles) List() []Standing {
	t.mu.Lock()
	defer t.mu.Unlock()
	out := make([]Standing, 0, len(t.standing))
	for _, s := range t.standing {
		out = append(out, s.Standing)
	}
	slices.SortFunc(out, func(a, b Standing) int {
		if c := a.Since.Compare(b.Since); c != 0 {
			return c
		}
		return strings.Compare(a.Text, b.Text)
	})
	return out
}
