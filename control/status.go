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

// Order is what a person has done through the page.
type Order struct {
	Verb    Verb
	Cell    int    // from 1, 0 for none named
	Key     string // of that cell, as it was for who ordered
	Current string // key of the cell that was current for who ordered, "" where that is no matter
	Pass    string // identity
	Seen    string // [record.Pass.VerdictKey] of the pass as it was for who ordered
	Verdict record.Verdict
	Why     string
	Alert   string // identity
	Who     string
}

// Verb is what is ordered.
type Verb string

// The orders, by the commands that do the same.
const (
	VerbBegin    Verb = "begin"
	VerbNext     Verb = "next"
	VerbSkip     Verb = "skip"
	VerbKeep     Verb = "keep" // skip --undo
	VerbOverrule Verb = "overrule"
	VerbTakeBack Verb = "take-back" // overrule --undo
	VerbAck      Verb = "acknowledge"
	VerbPause    Verb = "pause"
	VerbResume   Verb = "resume"
)

// Invitation lets one device see the page and give orders through it.
type Invitation struct {
	Addresses []string  `json:"addresses"` // of the page, the likeliest first
	Local     bool      `json:"local"`     // only this machine can open them
	Code      string    `json:"code"`      // for one device
	Until     time.Time `json:"until"`
}

// Open is the address that pairs a device when it is opened. What stands behind # is sent to
// nobody and stands in no log.
func (i Invitation) Open() string { return i.Addresses[0] + "/pair#" + i.Code }

// Device is one that may see the page and give orders through it, or a program that may read
// the figures for a lab's monitoring.
type Device struct {
	ID      string    `json:"id"`
	Name    string    `json:"name"`
	Program bool      `json:"program,omitempty"`
	From    string    `json:"from,omitempty"` // the address that it was paired from
	Since   time.Time `json:"since"`
	Seen    time.Time `json:"seen"` // to a day
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
	// Invite lets a device of this name be paired with the page. Monitor returns a token for a
	// program that reads the figures for a lab's monitoring.
	Invite(ctx context.Context, name string) (Invitation, error)
	Monitor(ctx context.Context, name string) (token string, err error)
	// Devices lists what was let in, and Revoke takes one of them back.
	Devices(ctx context.Context) ([]Device, error)
	Revoke(ctx context.Context, id string) error
	// Stop has the agent end: at once, or as soon as no pass is being recorded and no
	// complete log waits. It returns before that.
	Stop(ctx context.Context, now bool) error
}
