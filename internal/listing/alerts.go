package listing

import (
	"context"
	"encoding/json"
	"fmt"
	"sort"
	"strings"
	"time"

	"github.com/jedib0t/go-pretty/v6/table"

	"capd.example/internal/cli"
	"capd.example/internal/output"
	"capd.example/notify"
	"capd.example/record"
	"capd.example/store"
)

// Alert is one alert with what became of it on every channel.
type Alert struct {
	ID       string      `json:"id"`
	At       time.Time   `json:"at"`
	Kind     notify.Kind `json:"kind"`
	Text     string      `json:"text"`
	Advice   string      `json:"advice,omitempty"`
	Settings []string    `json:"settings,omitempty"` // configuration lines to choose one of
	Pass     string      `json:"pass,omitempty"`
	Channels []Channel   `json:"channels"`
	SeenAt   time.Time   `json:"seen_at,omitzero"`
	SeenBy   string      `json:"seen_by,omitempty"`
	Settled  bool        `json:"settled,omitempty"` // its pass is clean now

	Rows []string `json:"-"` // identities in the store's queue
}

// Channel is what became of an alert on one channel.
type Channel struct {
	Channel     string    `json:"channel"`
	State       string    `json:"state"` // delivered, waiting, given up
	Attempts    int       `json:"attempts,omitempty"`
	Error       string    `json:"error,omitempty"`
	DeliveredAt time.Time `json:"delivered_at,omitzero"`
}

// Alerts gathers the rows of the queue, one for each channel, into alerts, newest first. Open are
// those that nobody has acknowledged and that are not settled.
func Alerts(ctx context.Context, s *store.Store, open bool, limit int) ([]*Alert, error) {
	rows, err := s.Alerts(ctx, open, 0)
	if err != nil {
		return nil, err
	}
	var list []*Alert
	known := map[string]*Alert{}
	for _, row := range rows {
		id, _, _ := strings.Cut(row.ID, "/")
		t := known[id]
		if t == nil {
			if limit > 0 && len(list) == limit {
				continue
			}
			t = newTold(id, row)
			if open && t.Settled {
				continue
			}
			known[id] = t
			list = append(list, t)
		}
		t.Rows = append(t.Rows, row.ID)
		t.Channels = append(t.Channels, channelState(row))
	}
	for _, t := range list {
		sort.Slice(t.Channels, func(i, j int) bool { return t.Channels[i].Channel < t.Channels[j].Channel })
	}
	return list, nil
}

func newTold(id string, row store.Alert) *Alert {
	var alert notify.Alert
	if err := json.Unmarshal(row.Payload, &alert); err != nil {
		alert = notify.Alert{Kind: notify.Trouble, At: row.MadeAt, Text: "this alert cannot be read: " + err.Error()}
	}
	return &Alert{ID: id, At: alert.At, Kind: alert.Kind, Text: alert.Text, Advice: alert.Advice,
		Settings: alert.Settings, Pass: row.PassID, SeenAt: row.SeenAt, SeenBy: row.SeenBy,
		Settled: alert.Settled(row.Verdict)}
}

func channelState(row store.Alert) Channel {
	c := Channel{Channel: row.Channel, State: "waiting", Attempts: row.Attempts, Error: row.Error, DeliveredAt: row.DoneAt}
	switch {
	case !row.DoneAt.IsZero():
		c.State = "delivered"
	case row.DueAt.IsZero():
		c.State = "given up"
	}
	return c
}

// PrintAlerts lists alerts with what became of them.
func PrintAlerts(a *cli.Streams, list []*Alert, open, asJSON bool) error {
	if asJSON {
		for _, t := range list {
			if err := output.JSON(a.Out, t); err != nil {
				return cli.FailedError(err)
			}
		}
		return nil
	}
	if len(list) == 0 {
		what := "there was no alert"
		if open {
			what = "no alert is open"
		}
		a.Nothing(what, "'capctl alerts --test' tries the channels of the running agent")
		return nil
	}
	var rows []table.Row
	for _, t := range list {
		var states []string
		for _, ch := range t.Channels {
			state := ch.Channel + ": " + ch.State
			if ch.State != "delivered" && ch.Attempts > 0 {
				state += " after " + record.Count(ch.Attempts, "failure")
			}
			states = append(states, state)
		}
		seen := ""
		if !t.SeenAt.IsZero() {
			seen = t.SeenBy + " " + t.SeenAt.Local().Format("01-02 15:04")
		}
		rows = append(rows, table.Row{t.ID[:min(12, len(t.ID))], t.At.Local().Format("01-02 15:04:05"),
			t.line(a), strings.Join(states, ", "), seen})
	}
	output.Table(a.Out, table.Row{"id", "at", "alert", "channels", "acknowledged"}, rows)
	return nil
}

// line is what the alert says now: what a settled one advised is not to be done any more.
func (t *Alert) line(a *cli.Streams) string {
	said := notify.Alert{Kind: t.Kind, Text: t.Text, Advice: a.Carry(t.Advice)}
	if t.Settled {
		said.Advice = ""
		return "settled: clean now; it was " + notify.Line(said)
	}
	return notify.Line(said)
}

// ChooseAlerts finds each wanted alert by the beginning of its identity.
func ChooseAlerts(list []*Alert, ids []string) (out []*Alert, err error) {
	for _, id := range ids {
		var found []*Alert
		for _, t := range list {
			if id != "" && strings.HasPrefix(t.ID, id) {
				found = append(found, t)
			}
		}
		switch len(found) {
		case 1:
			out = append(out, found[0])
		case 0:
			return nil, cli.FailedError(fmt.Errorf("there is no alert %q", id), "'capctl alerts' lists the identities")
		default:
			return nil, cli.FailedError(fmt.Errorf("%d alerts begin with %q", len(found), id), "type more of the identity")
		}
	}
	return out, nil
}
