package steering

import (
	"context"
	"fmt"
	"maps"
	"math"
	"slices"
	"strings"
	"time"

	"github.com/jedib0t/go-pretty/v6/table"

	"capd.example/campaign"
	"capd.example/campaign/precision"
	"capd.example/internal/cli"
	"capd.example/internal/logbook"
	"capd.example/internal/output"
	safe "capd.example/internal/text"
	"capd.example/record"
	"capd.example/store"
)

// GoOn ends staying at a cell: it is left if it is complete. At the start of a session the
// control cell comes first.
func GoOn(_ context.Context, b *logbook.Book, _ *store.Store, page logbook.Page) ([]campaign.Order, error) {
	if cell, ok := page.Coverage.ControlNow(page.Position); ok {
		return []campaign.Order{{Verb: campaign.Measure, Cell: b.Plan.Cell(cell), At: time.Now().UTC()}}, nil
	}
	to := page.Position.Cell
	// Where there are control cells, no longer staying is enough: going on by itself the
	// position passes by them.
	if to >= 0 && page.Coverage.State(to).Complete() && b.Campaign.Control == nil {
		to = page.Coverage.Next(page.Position)
	}
	if to < 0 {
		return nil, nil
	}
	return []campaign.Order{{Verb: campaign.Next, Cell: b.Plan.Cell(to), At: time.Now().UTC()}}, nil
}

// PositionLine is the object of `capctl next --json`.
type PositionLine struct {
	Campaign string            `json:"campaign"`
	Cell     int               `json:"cell"` // from 1 in the order of the plan; 0 for none
	Cells    int               `json:"cells"`
	Tags     map[string]string `json:"tags,omitempty"`
	Pass     int               `json:"pass,omitempty"` // the pass to record
	Wanted   int               `json:"wanted,omitempty"`
	Clean    int               `json:"clean"`
	Bad      int               `json:"bad"`
	Change   []string          `json:"change,omitempty"` // what to change for it
	Stay     bool              `json:"stay,omitempty"`   // does not go on by itself
	Advice   string            `json:"advice"`
	Passes   int               `json:"left_passes"` // with those of skipped cells
	Minutes  float64           `json:"left_minutes"`
	Skipped  int               `json:"skipped_cells,omitempty"` // that are open
	Out      int               `json:"skipped_passes,omitempty"`
	// Control is there where the cell is measured as the control cell of a session.
	Control *campaign.ControlCell `json:"control,omitempty"`
}

// ShowPosition prints where the campaign stands; from is the cell before, -1 for none.
func ShowPosition(a *cli.Streams, b *logbook.Book, page logbook.Page, from int, asJSON bool) error {
	pos, cover := page.Position, page.Coverage
	l := PositionLine{Campaign: b.Campaign.Name, Cell: pos.Cell + 1, Cells: b.Plan.Len(), Stay: pos.Stay}
	l.Passes, l.Minutes = cover.All(pos)
	l.Skipped, l.Out = cover.Skipped(pos)
	if pos.Cell >= 0 {
		s := cover.State(pos.Cell)
		l.Tags, l.Pass, l.Wanted, l.Clean, l.Bad = b.Plan.Cell(pos.Cell), cover.NextPass(pos.Cell), s.Wanted, s.Clean, s.Bad
		if from != pos.Cell && from >= 0 {
			l.Change = b.Plan.Moves(from, pos.Cell)
		}
	}
	if k, ok := cover.Control(max(pos.Cell, 0)); ok && pos.Control {
		l.Control = &k
	}
	l.Advice = cover.Advice(pos.Cell, pos)
	if asJSON {
		return output.JSON(a.Out, l)
	}
	l.Advice = a.Carry(l.Advice)
	if pos.Cell < 0 {
		safe.Fprintf(a.Out, "%s: %s\n", l.Campaign, l.Advice)
		return nil
	}
	safe.Fprintf(a.Out, "%s (%s)\n", b.Plan.Where(pos.Cell), b.Plan.Name(pos.Cell))
	if len(l.Change) > 0 {
		safe.Fprintf(a.Out, "change: %s\n", strings.Join(l.Change, ", "))
	}
	if l.Control != nil {
		safe.Fprintf(a.Out, "control cell of this session: %s\n", l.Advice)
	} else {
		safe.Fprintf(a.Out, "%d of %s good, %d bad; %s\n", cover.State(pos.Cell).Done, record.Count(l.Wanted, "pass"), l.Bad,
			l.Advice)
	}
	if next := cover.Next(pos); next >= 0 {
		safe.Fprintf(a.Out, "then: %s: %s\n", b.Plan.Where(next), strings.Join(b.Plan.Moves(pos.Cell, next), ", "))
	}
	sayLeft(a, b, page)
	for _, o := range pos.Lost {
		safe.Fprintf(a.Err, "capctl: note: ignored: %s names a cell that is no longer in the campaign: %s\n", o.Verb,
			Pairs(o.Cell))
	}
	return nil
}

// sayLeft says what is left to be done, and how much of it is skipped.
func sayLeft(a *cli.Streams, b *logbook.Book, page logbook.Page) {
	passes, minutes := page.Coverage.All(page.Position)
	safe.Fprintf(a.Out, "left: %s, %s", record.Count(passes, "pass"), remaining(minutes, b.Campaign.HoursPerDay))
	if cells, out := page.Coverage.Skipped(page.Position); cells > 0 {
		fmt.Fprint(a.Out, a.Carry(fmt.Sprintf("; %d of them in %s; 'capctl skip --undo' brings the last ones back", out,
			record.Count(cells, "skipped cell"))))
	}
	safe.Fprintln(a.Out)
}

// Pairs prints values as name=value in the order of the names.
func Pairs(values map[string]string) string {
	var out []string
	for _, name := range slices.Sorted(maps.Keys(values)) {
		out = append(out, name+"="+values[name])
	}
	return strings.Join(out, " ")
}

// ShowAhead lists the next cells to record, at most so many.
func ShowAhead(a *cli.Streams, b *logbook.Book, page logbook.Page, most int, asJSON bool) error {
	var rows []table.Row
	from := -1
	for _, i := range page.Coverage.Ahead(page.Position, most) {
		s := page.Coverage.State(i)
		change := strings.Join(b.Plan.Moves(from, i), ", ")
		if asJSON {
			if err := output.JSON(a.Out, map[string]any{"cell": i + 1, "tags": b.Plan.Cell(i), "missing": s.Missing(),
				"change": b.Plan.Moves(from, i)}); err != nil {
				return cli.FailedError(err)
			}
		}
		rows = append(rows, table.Row{i + 1, change, s.Missing()})
		from = i
	}
	switch {
	case asJSON:
	case len(rows) == 0:
		a.Nothing("no cell is left to record", "'capctl coverage' shows what is done and what is skipped")
	default:
		output.Table(a.Out, table.Row{"cell", "change", "passes missing"}, rows)
	}
	return nil
}

// needLine is a line of `capctl next --by precision --json`. Shares are relative: 0.01 is
// one per cent; what is not known is left out.
type needLine struct {
	Cell    int               `json:"cell"`
	Tags    map[string]string `json:"tags"`
	Have    int               `json:"have"`
	Needed  int               `json:"needed,omitempty"` // passes in all
	SD      *float64          `json:"sd,omitempty"`     // repeatability of the average rate
	DF      float64           `json:"df,omitempty"`
	From    string            `json:"from"`
	Open    int               `json:"undecided"` // comparisons with other cells
	Width   *float64          `json:"half_width,omitempty"`
	Then    *float64          `json:"half_width_then,omitempty"` // after one more pass
	Minutes float64           `json:"change_minutes"`            // from the current cell

	Sessions int `json:"sessions"` // with passes that count
	// in all; left out where what they shift is not known
	SessionsNeeded int      `json:"sessions_needed,omitempty"`
	SessionSD      *float64 `json:"session_sd,omitempty"`              // what a session shifts
	ThenSession    *float64 `json:"half_width_then_session,omitempty"` // after one more pass in another session
}

// ShowNeeds lists what further passes of cells would add.
func ShowNeeds(a *cli.Streams, b *logbook.Book, page logbook.Page, needs []precision.Need, w precision.Wish,
	asJSON bool) error {
	var rows []table.Row
	for _, n := range needs {
		l := needLine{Cell: n.Cell + 1, Tags: b.Plan.Cell(n.Cell), Have: n.Have, Needed: n.Passes, SD: optional(n.SD),
			DF: n.DF, From: n.From,
			Open: n.Open, Width: optional(n.Width), Then: optional(n.Then), Minutes: b.Plan.Cost(page.Position.Cell, n.Cell),
			Sessions: n.HaveSessions, SessionsNeeded: n.Sessions, ThenSession: optional(n.ThenSession)}
		if n.SessionFrom != "" {
			l.SessionSD = &n.SessionSD
		}
		if asJSON {
			if err := output.JSON(a.Out, l); err != nil {
				return cli.FailedError(err)
			}
			continue
		}
		rows = append(rows, table.Row{l.Cell, b.Plan.Name(n.Cell), n.Have, orNothing(n.Passes), n.HaveSessions,
			orNothing(n.Sessions), share(n.SD), share(n.Width), share(n.Then), share(n.ThenSession), n.Open, minutes(l.Minutes),
			n.From})
	}
	if !asJSON {
		output.Table(a.Out, table.Row{"cell", "name", "have", "needed", "sessions", "needed", "repeats to", "margin +-",
			"then +-", "new session +-", "not certain", "change min", "repeatability of"}, rows)
		safe.Fprintf(a.Out, "passes needed to find a difference of %g %%, with %g %% power at the 5 %% level\n",
			100*w.Difference, 100*w.Power)
		saySessions(a, needs)
	}
	return nil
}

// saySessions says what passes of one session cannot narrow.
func saySessions(a *cli.Streams, needs []precision.Need) {
	switch {
	case len(needs) == 0:
	case needs[0].SessionFrom == "":
		safe.Fprintln(a.Out,
			"what a rebuild, a restart or another day shifts is not known and not in these figures: repeat cells in several sessions, or state session_sd_percent under [analysis]")
	default:
		safe.Fprintf(a.Out, "a session shifts rates by %s (sd, %s)\n", share(needs[0].SessionSD), needs[0].SessionFrom)
		lacking := func(n precision.Need) bool { return n.Sessions > n.HaveSessions && n.Have > 0 }
		if slices.ContainsFunc(needs, lacking) {
			safe.Fprintln(a.Out,
				"more passes in the same session do not narrow that: measure cells that lack sessions after a restart, an exchange of parts or on another day")
		}
	}
}

// optional returns a number for JSON, nil where there is none.
func optional(x float64) *float64 {
	if math.IsNaN(x) || math.IsInf(x, 0) {
		return nil
	}
	return &x
}

func share(x float64) string {
	if optional(x) == nil {
		return "-"
	}
	return fmt.Sprintf("%.2f %%", 100*x)
}

func orNothing(n int) string {
	if n == 0 {
		return "-"
	}
	return fmt.Sprint(n)
}
