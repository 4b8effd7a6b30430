package control

import (
	"context"
	"time"

	"capd.example/record"
)

// Status is what the agent is and does. Its JSON form is that of `capctl status --json`;
// new fields may appear.
type Status struct {
	Bench   string    `json:"bench"`
	Version string    `json:"version"`
	PID     int       `json:"pid"`
	Since   time.Time `json:"since"` // start of the agent

	Watch        string `json:"watch"`
	WatchMissing bool   `json:"watch_missing,omitempty"` // the folder does not exist now
	Polling      bool   `json:"polling,omitempty"`       // no events: the folder is looked at now and then
	Folders      int    `json:"folders"`                 // watched folders
	Growing      int    `json:"growing"`                 // logs that are not complete yet
	Waiting      int    `json:"waiting"`                 // complete logs that wait to be read
	Paused       string `json:"paused,omitempty"`        // why logs wait
	WaitingFor   string `json:"waiting_for,omitempty"`   // the file being written that they wait for

	Recording *Recording `json:"recording,omitempty"` // the log that is being recorded

	Store  string `json:"store"`
	Passes int    `json:"passes"` // ingested since the start
	Bad    int    `json:"bad"`    // of these, bad
	Alerts int    `json:"alerts"` // not yet delivered

	Troubles []Trouble `json:"troubles,omitempty"` // what weakens checking or telling now, oldest first

	Campaign string `json:"campaign,omitempty"` // where its plan stands and what is next

	Next map[string]string `json:"next,omitempty"` // tags by hand for the next pass
	Then map[string]string `json:"then,omitempty"` // tags by hand for the passes after it
	Last *record.Pass      `json:"last,omitempty"` // latest judged pass
}

// Recording is a log that a logger is writing over time.
type Recording struct {
	Log   string    `json:"log"`
	Since time.Time `json:"since"` // when its writing began
}

// Trouble is something that weakens checking or telling for as long as it stands.
type Trouble struct {
	Text   string    `json:"text"`
	Advice string    `json:"advice"` // what to do about it
	Since  time.Time `json:"since"`
}

// Kinds of events.
const (
	KindPass   = "pass"   // a pass was judged
	KindAlert  = "alert"  // people were told something
	KindMissed = "missed" // this receiver was too slow; some events are gone
	KindState  = "state"  // the status is another one; only within the agent
)

// Event is one line of `capctl follow`. Its JSON form is that of `capctl follow --json`.
type Event struct {
	Kind   string    `json:"kind"`
	At     time.Time `json:"at"`
	Text   string    `json:"text,omitempty"`   // one line for people
	Advice string    `json:"advice,omitempty"` // what to do next
	// Settings are configuration lines to choose one of, each some lines of TOML.
	Settings []string     `json:"settings,omitempty"`
	Missed   int          `json:"missed,omitempty"`
	Pass     *record.Pass `json:"pass,omitempty"`
}

// Agent is what the service needs of the agent. Methods are called from several
// goroutines and must return quickly; an error is shown to the caller as it is.
type Agent interface {
	Status(ctx context.Context) (Status, error)
	Overhead(ctx context.Context) (Overhead, error)
	// Begin sets tags by hand: for the next pass only, or until the next Begin. An empty
	// value takes a tag back.
	Begin(ctx context.Context, tags map[string]string, once bool) error
	Pause(ctx context.Context, reason string) error
	Resume(ctx context.Context) error
	// TestAlert tries one alert channel, or all for "", and returns each one's answer.
	TestAlert(ctx context.Context, channel string) (map[string]error, error)
	// Stop has the agent end: at once, or as soon as no pass is being recorded and no
	// complete log waits. It returns before that.
	Stop(ctx context.Context, now bool) error
}
