package config

import (
	"fmt"
	"maps"
	"net/url"
	"path"
	"slices"
	"strings"
)

// Notify says who is told about a doubtful or bad pass, and how.
type Notify struct {
	Command  []string `toml:"command" comment:"program and arguments; gets the pass as JSON on standard input"`
	WebHook  string   `toml:"web_hook" comment:"address that the pass is posted to as JSON"`
	Secret   string   `toml:"secret" comment:"key that signs what is posted to the web hook; empty for no signature"`
	TimeoutS float64  `toml:"timeout_s" comment:"seconds for one delivery"`

	Verdicts []string `toml:"verdicts" comment:"verdicts that raise an alert: bad, doubtful, unverified, clean"`
	Bell     bool     `toml:"bell" comment:"ring the terminal's bell"`
	Desktop  bool     `toml:"desktop" comment:"desktop notifications; they can cover a running game"`
	Sound    bool     `toml:"sound" comment:"play tones: falling for a bad pass, rising for a good one where verdicts holds clean"`
	Services []string `toml:"services" comment:"addresses of chat rooms and mail boxes (docs/alerts.md)"`
	GroupS   float64  `toml:"group_s" comment:"desktop, sound and services: alerts of one cause within so many seconds become one; 0 for never"`

	Rules map[string]NotifyRule `toml:"rules" comment:"[notify.rules.CHANNEL]; channels: terminal, command, web_hook, desktop, sound, services"`
}

// NotifyRule narrows what goes to one channel. An empty list means all.
type NotifyRule struct {
	Verdicts  []string `toml:"verdicts" comment:"instead of notify.verdicts"`
	Benches   []string `toml:"benches" comment:"names of benches, as glob patterns"`
	Campaigns []string `toml:"campaigns" comment:"names of campaigns, as glob patterns"`
}

// NotifyChannels are the names under which rules can be set.
var NotifyChannels = []string{"terminal", "command", "web_hook", "desktop", "sound", "services"}

func defaultNotify() Notify {
	return Notify{TimeoutS: 10, Verdicts: []string{"bad", "doubtful"}, Bell: true, GroupS: 300}
}

// Rule returns what is in force for a channel.
func (n Notify) Rule(channel string) NotifyRule {
	r := n.Rules[channel]
	if len(r.Verdicts) == 0 {
		r.Verdicts = n.Verdicts
	}
	return r
}

// Hidden is the same with every secret masked, for printing.
func (n Notify) Hidden() Notify {
	if n.Secret != "" {
		n.Secret = "(hidden)"
	}
	if u, err := url.Parse(n.WebHook); n.WebHook != "" && err == nil {
		n.WebHook = u.Scheme + "://" + u.Host + "/(hidden)"
	} else if n.WebHook != "" {
		n.WebHook = "(hidden)"
	}
	services := make([]string, len(n.Services))
	for i, s := range n.Services {
		scheme, _, _ := strings.Cut(s, "://")
		services[i] = scheme + "://(hidden)"
	}
	n.Services = services
	return n
}

func (n Notify) check(w *wrong) {
	w.where(!(n.TimeoutS > 0), "notify.timeout_s", "%g is not a time", n.TimeoutS)
	w.where(n.GroupS < 0, "notify.group_s", "%g is negative", n.GroupS)
	w.where(n.Secret != "" && n.WebHook == "", "notify.secret", "signs nothing without notify.web_hook")
	for i, s := range n.Services {
		scheme, rest, ok := strings.Cut(s, "://")
		w.where(!ok || scheme == "" || rest == "", fmt.Sprintf("notify.services[%d]", i),
			"is not an address of the form service://...")
	}
	checkVerdicts(w, "notify.verdicts", n.Verdicts)
	for _, name := range slices.Sorted(maps.Keys(n.Rules)) {
		n.Rules[name].check(w, "notify.rules."+name, name)
	}
}

func (r NotifyRule) check(w *wrong, key, channel string) {
	w.where(!slices.Contains(NotifyChannels, channel), key, "is no channel: there are %s",
		strings.Join(NotifyChannels, ", "))
	for _, p := range slices.Concat(r.Benches, r.Campaigns) {
		_, err := path.Match(p, "x")
		w.where(err != nil, key, "%q is not a glob pattern", p)
	}
	checkVerdicts(w, key+".verdicts", r.Verdicts)
}

func checkVerdicts(w *wrong, key string, verdicts []string) {
	for _, v := range verdicts {
		known := v == "bad" || v == "doubtful" || v == "unverified" || v == "clean"
		w.where(!known, key, "%q is none of bad, doubtful, unverified, clean", v)
	}
}
