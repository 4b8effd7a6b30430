package routes

import (
	"io"
	"os"
	"strings"
	"testing"
	"time"

	"capd.example/notify"
)

func TestBuild(t *testing.T) {
	list, err := Build(Options{
		Out: io.Discard, Command: []string{os.Args[0]}, WebHook: "http://127.0.0.1:1/", Desktop: true, Sound: true,
		Services: []string{"generic://127.0.0.1:1/a", "generic://127.0.0.1:1/b"}, Timeout: 3 * time.Second, Group: time.Minute,
		Rule: func(channel string) notify.Rule { return notify.Rule{Benches: []string{channel}} },
	})
	if err != nil {
		t.Fatal(err)
	}
	want := map[string]string{ // channel = its key in the configuration
		"terminal": "terminal", "command": "command", "web hook": "web_hook", "service 1": "services", "service 2": "services",
		"desktop": "desktop", "sound": "sound",
	}
	if len(list) != len(want) {
		t.Errorf("%d routes, want %d", len(list), len(want))
	}
	for _, r := range list {
		if r.Rule.Benches[0] != want[r.Channel.Name()] || r.Timeout != 3*time.Second {
			t.Errorf("%s: %+v", r.Channel.Name(), r)
		}
		if name := r.Channel.Name(); r.Group > 0 && (name == "web hook" || name == "terminal" || name == "command") {
			t.Errorf("%s must get every alert by its identity", name)
		}
	}
	if _, err := notify.New(list, nil); err != nil {
		t.Error(err)
	}
	if list, err = Build(Options{Out: io.Discard}); err != nil || len(list) != 1 {
		t.Errorf("nothing configured: %d routes, %v", len(list), err)
	}
}

func TestBuildNamesTheSetting(t *testing.T) {
	for want, o := range map[string]Options{
		"notify.command":     {Command: []string{"/nowhere/t0ken"}},
		"notify.web_hook":    {WebHook: "ftp://host/t0ken"},
		"notify.services[1]": {Services: []string{"generic://127.0.0.1:1/a", "nosuch://t0ken"}},
	} {
		_, err := Build(o)
		if err == nil || !strings.HasPrefix(err.Error(), want) {
			t.Errorf("%v, want %s", err, want)
		} else if want != "notify.command" && strings.Contains(err.Error(), "t0ken") {
			t.Errorf("a secret is shown: %v", err)
		}
	}
}
