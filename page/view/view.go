// Package view holds what the page shows as plain values.
package view

import (
	"context"
	"errors"
	"html/template"
	"time"

	"capd.example/control"
	"capd.example/record"
)

// ErrNone says that there is no such pass, cell or campaign.
var ErrNone = errors.New("there is none")

// Source is what the page asks when somebody looks. Methods may be called from several
// goroutines.
type Source interface {
	Now(ctx context.Context) Bench
	// Readings are the latest samples of the bench.
	Readings(ctx context.Context) []Fact
	// Pass is one pass by its whole identity; the error may be [ErrNone].
	Pass(ctx context.Context, id string) (FullPass, error)
	// Cell is a cell of the campaign, from 1; the error may be [ErrNone].
	Cell(ctx context.Context, n int) (Cell, error)
	// Map is the part of the campaign with these levels of factors; the error may be [ErrNone].
	Map(ctx context.Context, only map[string]string) (Part, error)
	// Said is what an event says to who cannot see the page, if it says anything.
	Said(e control.Event) (say Say, ok bool)
}

// Bench is how things stand on a bench.
type Bench struct {
	Bench, Version string
	Passes         []Pass // the newest first
	Recording      *Recording
	Growing        int // logs that are being written
	Waiting        int // complete logs that wait to be read
	Paused         string
	Watch          string // the watched folder where it is missing, else ""
	Plan           *Plan  // nil without a campaign
	ByHand         []Fact // tags by hand for the next pass
	Alerts         []Alert
	MoreAlerts     int // that are not in Alerts
	Troubles       []Trouble
	Parts          []Fact // of the bench
	Problem        string // why something is not shown
	Orders         bool   // whoever looks may give orders
	Lab            bool   // it is a lab, or one of its benches as the lab knows it
	Stations       []Station
}

// Stations is a [Source] that knows several benches.
type Stations interface {
	// Station is one of them; the error may be [ErrNone].
	Station(ctx context.Context, name string) (Bench, error)
}

// Station is one of a lab's benches.
type Station struct {
	Name     string
	SeenAt   time.Time // when it last sent
	Bad      int       // bad passes of the last while
	Backlog  int       // passes that it still had to send
	Campaign string
	Open     int  // passes that its campaign still wanted
	Alarm    bool // it needs somebody
}

// Pass is a judged pass in short.
type Pass struct {
	ID      string
	Number  string // of the pass in its cell, "" for unknown
	Name    string // of its cell without the parts
	Parts   string // processor and graphics card
	Verdict record.Verdict
	Why     string // "" for a clean one
	Advice  string
	FPS     float64
	Low1    float64
	At      time.Time // when its log was complete
	ByHand  bool      // the verdict was set by hand
	Bench   string    // where several are shown
}

// Recording is the log that a logger is writing.
type Recording struct {
	Log      string // its name below the watched folder
	Since    time.Time
	Readings []Fact
}

// Fact is a name with a value.
type Fact struct{ Name, Value string }

// Alert is what people were told and nobody has acknowledged.
type Alert struct {
	ID, Text, Advice string
	At               time.Time
	Pass             string // identity of its pass, "" for none
}

// Trouble weakens checking or telling for as long as it stands.
type Trouble struct {
	Text, Advice string
	Since        time.Time
}

// Plan is where a campaign stands.
type Plan struct {
	Name    string
	Where   string // "cell 3 of 40", "" where none is current
	Cell    int    // from 1, 0 for none
	Key     string // of that cell, whatever its number
	Next    string // name of the cell to record
	Pass    int    // number of the pass to record, 0 for none
	Advice  string
	Stay    bool // it goes on only where somebody orders that
	Done    int  // of the current cell
	Wanted  int
	Ahead   []Ahead
	Passes  int     // still to be recorded
	Minutes float64 // that this takes, with changes of parts
	Left    string  // the same for people
	Cells   map[State]int
	Total   int // passes wanted in all
	Have    int // of them, done
	Map     Map
}

// Ahead is a cell that comes later, and what to change for it.
type Ahead struct {
	Cell   int
	Change string
	Passes int // missing
}

// Map is the coverage of a campaign.
type Map struct {
	Caption string
	Heads   [][]Head // levels of the columns, the outermost first
	Corner  string
	Rows    []Row
}

// Head is the name of one or several columns.
type Head struct {
	Name string
	Span int
}

// Row is a row of a map.
type Row struct {
	Group  string // what this row and the following have in common; "" where it is that of the row before
	Name   string
	Fields []Field
}

// Span is how many columns the row has with its name.
func (r Row) Span() int { return len(r.Fields) + 1 }

// Field is one field of a map: a cell, or several together.
type Field struct {
	Text  string
	State State
	Now   bool   // the current cell is here
	Link  string // where it leads, "" for nowhere
	Title string // what it says in words
}

// State is how far a field is.
type State string

// The states.
const (
	Absent  State = "x" // the campaign has no such cell
	Open    State = "o" // nothing counts yet
	Begun   State = "h" // some passes count
	Done    State = "d"
	Failed  State = "b" // not done, and a pass was bad
	Skipped State = "s"
)

// FullPass is one pass in full.
type FullPass struct {
	Pass
	Bench    string
	Began    time.Time
	Cell     int // from 1, 0 for none
	Log      string
	Findings []record.Finding // what is not plainly fine first
	Figures  []Fact
	Tags     []Fact
	Charts   []Drawn
	NoCharts string // why there are none
	Seen     string // [record.Pass.VerdictKey]
	Orders   bool   // whoever looks may give orders
}

// Drawn is a chart in two widths. The drawing escapes every text itself.
type Drawn struct{ Desk, Phone template.HTML }

// Cell is a cell with its passes.
type Cell struct {
	Bench  string
	Number int    // from 1
	Key    string // of the cell, whatever its number
	Cells  int    // of the campaign
	Name   string
	State  string // in words
	Change string // what to change for it from the current cell, "" for nothing
	Now    bool
	Passes []Pass // the oldest first
	Charts []Drawn
	Skip   bool // it is skipped
	Orders bool // whoever looks may give orders
}

// Part is a part of a campaign's map.
type Part struct {
	Bench, Name string
	Map         Map
}

// Say is a sentence for who cannot see the page.
type Say struct {
	Text string `json:"text"`
	Bad  bool   `json:"bad,omitempty"`   // it cannot wait
	GoOn bool   `json:"go_on,omitempty"` // the next pass may begin
}
