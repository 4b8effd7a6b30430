// Package routes builds the alert channels that a configuration asks for.
package routes

import (
	"fmt"
	"io"
	"time"

	"capd.example/notify"
	"capd.example/notify/desktop"
	"capd.example/notify/service"
)

// Options say which channels there are. An empty setting means: not this channel.
type Options struct {
	Out          io.Writer  // the agent's terminal or log; always told
	Width        func() int // columns of a terminal; nil for a log
	Colour, Bell bool       // for terminals only
	Command      []string
	WebHook      string
	Secret       string // signs what is posted to the web hook
	Services     []string
	Desktop      bool
	Sound        bool

	Queue   notify.Queue                     // survives the agent; for all but desktop and sound
	Timeout time.Duration                    // for one delivery
	Group   time.Duration                    // desktop, sound and services: repeated causes become one
	Rule    func(channel string) notify.Rule // by the channel's key in the configuration; nil for everything
}

// tries is how often a command or a service is tried: unlike a web hook, neither can
// tell a repetition by its identity, and neither is worth hearing days later.
const tries = 10

// Build returns the routes, or an error that names the setting. Every alert goes to the
// terminal through the queue too, so that the store has a record of each.
func Build(o Options) ([]notify.Route, error) {
	if o.Rule == nil {
		o.Rule = func(string) notify.Rule { return notify.Rule{} }
	}
	b := builder{o: o}
	b.add("terminal", notify.Route{Channel: notify.Terminal{Out: o.Out, Width: o.Width, Colour: o.Colour, Bell: o.Bell},
		Queue: o.Queue})
	if len(o.Command) > 0 {
		c, err := notify.NewCommand(o.Command)
		if err != nil {
			return nil, fmt.Errorf("notify.command: %w", err)
		}
		b.add("command", notify.Route{Channel: c, Queue: o.Queue, Attempts: tries})
	}
	if o.WebHook != "" {
		h, err := notify.NewHook(o.WebHook, o.Secret)
		if err != nil {
			return nil, fmt.Errorf("notify.web_hook: %w", err)
		}
		b.add("web_hook", notify.Route{Channel: h, Queue: o.Queue})
	}
	for i, address := range o.Services {
		s, err := service.New(fmt.Sprintf("service %d", i+1), address)
		if err != nil {
			return nil, fmt.Errorf("notify.services[%d]: %w", i, err)
		}
		b.add("services", notify.Route{Channel: s, Queue: o.Queue, Group: o.Group, Attempts: 4 * tries})
	}
	if o.Desktop {
		b.add("desktop", notify.Route{Channel: desktop.Notification{}, Group: o.Group, Attempts: 1})
	}
	if o.Sound {
		b.add("sound", notify.Route{Channel: desktop.Sound{}, Group: o.Group, Attempts: 1})
	}
	return b.routes, nil
}

type builder struct {
	o      Options
	routes []notify.Route
}

func (b *builder) add(key string, r notify.Route) {
	r.Rule, r.Timeout = b.o.Rule(key), b.o.Timeout
	b.routes = append(b.routes, r)
}
