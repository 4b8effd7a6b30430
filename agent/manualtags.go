package agent

import (
	"context"
	"encoding/json"
	"errors"
	"maps"
	"sync"
	"time"

	"capd.example/internal/text"
	"capd.example/store"
)

// manualTags are the tags that the reviewer gives by hand for the coming passes. Its methods
// may be called from several goroutines.
type manualTags struct {
	mu   sync.Mutex
	hand said // until they are taken back
	once said // for the next pass alone; an empty value hides one of hand

	handed map[string]string // of once, what the pass gets that is on its way into the store

	keeping sync.Mutex
}

// said are tags given by hand.
type said struct {
	tags map[string]string
	at   time.Time
}

// tagsKey is where the store keeps the tags by hand, so that a crash or a restart loses none.
const tagsKey = "agent.tags"

// keptTags is their form there.
type keptTags struct {
	Hand   map[string]string `json:"hand,omitempty"`
	HandAt time.Time         `json:"hand_at"`
	Once   map[string]string `json:"once,omitempty"`
	OnceAt time.Time         `json:"once_at"`
}

func (m *manualTags) load(ctx context.Context, s *store.Store) error {
	value, there, err := s.Setting(ctx, tagsKey)
	if err != nil || !there {
		return err
	}
	var k keptTags
	if json.Unmarshal([]byte(value), &k) == nil { // rubbish is none
		m.mu.Lock()
		defer m.mu.Unlock()
		m.hand, m.once = said{k.Hand, k.HandAt}, said{k.Once, k.OnceAt}
	}
	return nil
}

func (m *manualTags) keep(ctx context.Context, s *store.Store) error {
	m.keeping.Lock() // what is written last is what holds
	defer m.keeping.Unlock()
	m.mu.Lock()
	value, err := m.form(m.once)
	m.mu.Unlock()
	if err != nil {
		return err
	}
	return s.SetSetting(ctx, tagsKey, value)
}

// form is how the tags are kept, with those for the next pass alone.
func (m *manualTags) form(once said) (string, error) {
	value, err := json.Marshal(keptTags{m.hand.tags, m.hand.at, once.tags, once.at})
	return string(value), err
}

// slack allows for a pass that the reviewer started just before saying what it is.
const slack = 30 * time.Second

// meets reports whether the tags are meant for a pass that started then: a log that is late
// does not get tags that were meant for the passes after it.
func (s said) meets(started time.Time) bool { return !started.Before(s.at.Add(-slack)) }

// set gives tags from now on: they join those in force, an empty value takes one back,
// and no tags take all back. A value is one line. Those for the next pass alone leave the others as they are.
func (m *manualTags) set(tags map[string]string, once bool) error {
	if _, unnamed := tags[""]; unnamed {
		return errors.New("a tag needs a name")
	}
	m.mu.Lock()
	defer m.mu.Unlock()
	now := time.Now()
	if len(tags) == 0 {
		m.hand, m.once = said{at: now}, said{}
		return nil
	}
	hand, next := filled(m.hand.tags), filled(m.once.tags)
	for name, value := range tags {
		value = text.Line(value)
		switch {
		case once && (value != "" || hand[name] != ""):
			next[name] = value
		case value != "":
			hand[name] = value
			delete(next, name) // what was said last holds
		default:
			delete(next, name)
			if !once {
				delete(hand, name)
			}
		}
	}
	if once {
		m.once = said{next, now}
	} else {
		m.hand, m.once.tags = said{hand, now}, next
	}
	return nil
}

// filled returns a copy that can be written to.
func filled(m map[string]string) map[string]string {
	out := map[string]string{}
	maps.Copy(out, m)
	return out
}

// coming returns the tags that the next pass gets, and those that the ones after it get.
func (m *manualTags) coming() (next, then map[string]string) {
	m.mu.Lock()
	defer m.mu.Unlock()
	return over(m.hand.tags, m.once.tags), over(m.hand.tags, nil)
}

// over puts tags for one pass over those that stay.
func over(hand, once map[string]string) map[string]string {
	out := filled(hand)
	maps.Copy(out, once)
	maps.DeleteFunc(out, func(_, value string) bool { return value == "" })
	return out
}

// at returns what was said for a pass that started then and is about to be stored.
func (m *manualTags) at(started time.Time) map[string]string {
	m.mu.Lock()
	defer m.mu.Unlock()
	var hand map[string]string
	if m.hand.meets(started) {
		hand = m.hand.tags
	}
	if m.handed = nil; m.once.meets(started) {
		m.handed = filled(m.once.tags)
	}
	return over(hand, m.handed)
}

// storing stores the pass that got its tags last. What it got of those for one pass is gone
// then. That is kept in the same step as the pass, in settings of the store, so that no crash
// between the two gives them to another pass.
func (m *manualTags) storing(save func(settings map[string]string) (created bool, err error)) error {
	m.keeping.Lock()
	defer m.keeping.Unlock()
	var settings map[string]string
	m.mu.Lock()
	if len(m.handed) > 0 {
		value, err := m.form(m.once.less(m.handed))
		if err != nil {
			m.mu.Unlock()
			return err
		}
		settings = map[string]string{tagsKey: value}
	}
	m.mu.Unlock()
	created, err := save(settings)
	if err != nil || !created {
		return err
	}
	m.mu.Lock()
	defer m.mu.Unlock()
	m.once, m.handed = m.once.less(m.handed), nil
	return nil
}

// less returns what is left without the tags that were handed out. What was said anew
// meanwhile stays.
func (s said) less(handed map[string]string) said {
	tags := filled(s.tags)
	maps.DeleteFunc(tags, func(name, value string) bool {
		old, is := handed[name]
		return is && old == value
	})
	return said{tags, s.at}
}
