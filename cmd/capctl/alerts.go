package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"maps"
	"os/user"
	"slices"
	"sort"
	"strings"
	"time"

	safe "capd.example/internal/text"

	"github.com/jedib0t/go-pretty/v6/table"

	"capd.example/control"
	"capd.example/internal/cli"
	"capd.example/internal/output"
	"capd.example/notify"
	"capd.example/record"
	"capd.example/store"
)

// alertsCmd is `capctl alerts`.
type alertsCmd struct {
	JSON    bool     `name:"json" help:"One JSON object per alert."`
	Open    bool     `help:"Only alerts that nobody has acknowledged."`
	Limit   int      `default:"50" placeholder:"N" help:"At most N alerts, the latest."`
	Ack     []string `placeholder:"ID" help:"Acknowledge this alert (beginning of its identity). May be repeated."`
	AckAll  bool     `help:"Acknowledge every open alert."`
	Test    bool     `help:"Let the running agent try its channels."`
	Channel string   `placeholder:"NAME" help:"With --test: only this channel."`
}

// told is one alert with what became of it on every channel.
type told struct {
	ID       string        `json:"id"`
	At       time.Time     `json:"at"`
	Kind     notify.Kind   `json:"kind"`
	Text     string        `json:"text"`
	Advice   string        `json:"advice,omitempty"`
	Settings []string      `json:"settings,omitempty"` // configuration lines to choose one of
	Pass     string        `json:"pass,omitempty"`
	Channels []toldChannel `json:"channels"`
	SeenAt   time.Time     `json:"seen_at,omitzero"`
	SeenBy   string        `json:"seen_by,omitempty"`

	rows []string // identities in the store's queue
}

type toldChannel struct {
	Channel     string    `json:"channel"`
	State       string    `json:"state"` // delivered, waiting, given up
	Attempts    int       `json:"attempts,omitempty"`
	Error       string    `json:"error,omitempty"`
	DeliveredAt time.Time `json:"delivered_at,omitzero"`
}

func (c *alertsCmd) Run(a *app) error {
	switch {
	case c.Test:
		return c.test(a)
	case len(c.Ack) > 0 || c.AckAll:
		return c.acknowledge(a)
	case c.Channel != "":
		return cli.UsageError(errors.New("--channel needs --test"))
	}
	s, err := openToRead(a)
	if err != nil {
		return err
	}
	defer s.Close()
	list, err := readAlerts(a.ctx, s, c.Open, c.Limit)
	if err != nil {
		return cli.FailedError(err)
	}
	return c.print(a, list)
}

// readAlerts gathers the rows of the queue, one for each channel, into alerts, newest first.
func readAlerts(ctx context.Context, s *store.Store, open bool, limit int) ([]*told, error) {
	rows, err := s.Alerts(ctx, open, 0)
	if err != nil {
		return nil, err
	}
	var list []*told
	known := map[string]*told{}
	for _, row := range rows {
		id, _, _ := strings.Cut(row.ID, "/")
		t := known[id]
		if t == nil {
			if limit > 0 && len(list) == limit {
				continue
			}
			t = newTold(id, row)
			known[id] = t
			list = append(list, t)
		}
		t.rows = append(t.rows, row.ID)
		t.Channels = append(t.Channels, channelState(row))
	}
	for _, t := range list {
		sort.Slice(t.Channels, func(i, j int) bool { return t.Channels[i].Channel < t.Channels[j].Channel })
	}
	return list, nil
}

func newTold(id string, row store.Alert) *told {
	var alert notify.Alert
	if err := json.Unmarshal(row.Payload, &alert); err != nil {
		alert = notify.Alert{Kind: notify.Trouble, At: row.MadeAt, Text: "this alert cannot be read: " + err.Error()}
	}
	return &told{ID: id, At: alert.At, Kind: alert.Kind, Text: alert.Text, Advice: alert.Advice, Settings: alert.Settings, Pass: row.PassID, SeenAt: row.SeenAt, SeenBy: row.SeenBy}
}

func channelState(row store.Alert) toldChannel {
	c := toldChannel{Channel: row.Channel, State: "waiting", Attempts: row.Attempts, Error: row.Error, DeliveredAt: row.DoneAt}
	switch {
	case !row.DoneAt.IsZero():
		c.State = "delivered"
	case row.DueAt.IsZero():
		c.State = "given up"
	}
	return c
}

func (c *alertsCmd) print(a *app, list []*told) error {
	if c.JSON {
		for _, t := range list {
			if err := output.JSON(a.stdout, t); err != nil {
				return cli.FailedError(err)
			}
		}
		return nil
	}
	if len(list) == 0 {
		what := "there was no alert"
		if c.Open {
			what = "no alert is open"
		}
		nothing(a, what, "'capctl alerts --test' tries the channels of the running agent")
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
			notify.Line(notify.Alert{Kind: t.Kind, Text: t.Text, Advice: a.carry(t.Advice)}), strings.Join(states, ", "), seen})
	}
	output.Table(a.stdout, table.Row{"id", "at", "alert", "channels", "acknowledged"}, rows)
	return nil
}

func (c *alertsCmd) acknowledge(a *app) error {
	if _, err := openToReadClose(a); err != nil {
		return err // acknowledging must not make a store where there is none
	}
	s, err := openStore(a, false)
	if err != nil {
		return err
	}
	defer s.Close()
	list, err := readAlerts(a.ctx, s, c.AckAll, 0)
	if err != nil {
		return cli.FailedError(err)
	}
	if !c.AckAll {
		if list, err = choose(list, c.Ack); err != nil {
			return err
		}
	}
	for _, t := range list {
		for _, row := range t.rows {
			if err := s.Acknowledge(a.ctx, row, userName()); err != nil {
				return cli.FailedError(err)
			}
		}
	}
	safe.Fprintf(a.stderr, "capctl: acknowledged %d\n", len(list))
	return nil
}

// choose finds each wanted alert by the beginning of its identity.
func choose(list []*told, ids []string) (out []*told, err error) {
	for _, id := range ids {
		var found []*told
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

func userName() string {
	if u, err := user.Current(); err == nil {
		return u.Username
	}
	return "somebody"
}

func (c *alertsCmd) test(a *app) error {
	return withAgent(a, func(agent *control.Client) error {
		answers, err := agent.TestAlert(a.ctx, c.Channel)
		if err != nil {
			return err
		}
		if len(answers) == 0 {
			return cli.FailedError(fmt.Errorf("the agent has no channel %q", c.Channel), "'capctl alerts --test' tries all and names them")
		}
		failed := false
		for _, name := range slices.Sorted(maps.Keys(answers)) {
			if answers[name] != nil {
				failed = true
				safe.Fprintf(a.stdout, "%s: %v\n", name, answers[name])
				continue
			}
			safe.Fprintf(a.stdout, "%s: delivered\n", name)
		}
		if failed {
			return cli.ErrFound
		}
		return nil
	})
}
