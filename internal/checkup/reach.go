package checkup

import (
	"context"
	"errors"
	"fmt"
	"io"
	"maps"
	"net"
	"net/url"
	"slices"
	"strings"
	"time"

	"github.com/rs/zerolog"

	"capd.example/notify"
	"capd.example/notify/routes"
	"capd.example/plugins/host"
	"capd.example/store/lab"
)

// reachTime is how long anything on the network may take to answer.
const reachTime = 5 * time.Second

// validators reports which validators of the reviewer's own would not be started, and whether
// the standard ones are.
func (l *looker) validators() {
	const subject, means = "validators", "its check is missing from every pass"
	o := host.Settings(l.c.Checks, l.Validator, l.Version, zerolog.Nop())
	if l.c.Checks.Folder == "" {
		l.ok(subject, "the standard ones")
		return
	}
	list, err := host.Examine(o)
	if err != nil {
		l.wrong(subject, err.Error(), "the agent does not start", "mend that, or correct checks.folder and checks.pinned in "+l.place())
		return
	}
	before := len(l.found)
	for _, v := range list {
		var changed *host.Changed
		var plain *host.NotExecutable
		switch {
		case !v.Pinned:
			l.note(subject, v.File+" is not started: its checksum is not pinned", means, `'capd check --settings' shows [checks.pinned]; add `+v.File+` = "SHA-256 of the file" there`)
		case errors.As(v.Refused, &changed):
			l.wrong(subject, changed.Error(), means, fmt.Sprintf("if it was you who changed it: %s = %q under [checks.pinned] in %s", v.File, changed.SHA256, l.place()))
		case errors.As(v.Refused, &plain):
			l.wrong(subject, plain.Error(), means, "chmod u+x "+plain.Path)
		case v.Refused != nil:
			l.wrong(subject, v.Refused.Error(), means, "mend what it says, or take "+v.File+" out of checks.pinned in "+l.place())
		}
	}
	if len(l.found) == before {
		l.ok(subject, "the standard ones, and %d in %s", len(list), l.c.Checks.Folder)
	}
}

// channels reports whether alerts can reach people.
func (l *looker) channels(ctx context.Context) {
	const subject, means = "alerts", "a bad pass is told nowhere but where the agent runs"
	n := l.c.Notify
	list, err := routes.Build(routes.Options{
		Out: io.Discard, Command: n.Command, WebHook: n.WebHook, Secret: n.Secret, Services: n.Services, Desktop: n.Desktop, Sound: n.Sound,
		Timeout: time.Duration(n.TimeoutS * float64(time.Second)),
	})
	if err != nil {
		return // it is among the wrong settings
	}
	list = slices.DeleteFunc(list, func(r notify.Route) bool { return r.Channel.Name() == "terminal" })
	before := len(l.found)
	if len(list) == 0 {
		l.note(subject, "no channel but the agent's own output is set", means, "set desktop = true under [notify] in "+l.place()+", or another channel")
		return
	}
	if n.Desktop && l.Linux {
		if err := l.Bus(); err != nil {
			l.wrong(subject, "desktop: "+err.Error(), "no notification is shown", "log in to a desktop, or choose another channel in "+l.place())
		}
	}
	if u, err := url.Parse(n.WebHook); n.WebHook != "" && err == nil {
		if err := answers(ctx, u); err != nil {
			l.wrong(subject, fmt.Sprintf("web_hook: %s does not answer: %v", u.Host, err), "alerts wait until it does", "see that it runs and that notify.web_hook in "+l.place()+" is right")
		}
	}
	if l.Send {
		l.send(ctx, list)
	}
	if len(l.found) == before {
		l.ok(subject, "%d of %d channels are set up; 'capd check --send' tries them", len(list), len(list))
	}
}

// send tries the channels with a real message.
func (l *looker) send(ctx context.Context, list []notify.Route) {
	d, err := notify.New(list, nil)
	if err != nil {
		l.wrong("alerts", err.Error(), "no alert is sent", "correct [notify] in "+l.place())
		return
	}
	answers := d.Try(ctx, "", notify.FromTest(l.c.Bench, l.Now))
	for _, name := range slices.Sorted(maps.Keys(answers)) {
		if err := answers[name]; err != nil {
			l.wrong("alerts", name+": "+err.Error(), "alerts do not arrive there", "correct the channel under [notify] in "+l.place()+", then 'capd check --send'")
		} else {
			l.ok("alerts", "%s: sent a test", name)
		}
	}
}

// answers reports why nobody listens at an address.
func answers(ctx context.Context, u *url.URL) error {
	port := u.Port()
	if port == "" {
		port = map[string]string{"http": "80", "https": "443"}[u.Scheme]
	}
	d := net.Dialer{Timeout: reachTime}
	c, err := d.DialContext(ctx, "tcp", net.JoinHostPort(u.Hostname(), port))
	if err != nil {
		return err
	}
	return c.Close()
}

// lab reports whether the database of many benches can be reached.
func (l *looker) lab(ctx context.Context) {
	const subject, means = "lab", "passes stay here and are sent later"
	if l.c.Lab.Address == "" || !l.c.Lab.Postgres() || lab.Check(l.c.Lab.Address) != nil {
		return // not wanted, or among the wrong settings
	}
	ctx, stop := context.WithTimeout(ctx, reachTime)
	defer stop()
	db, err := lab.Open(ctx, l.c.Lab.Address)
	if err != nil {
		l.wrong(subject, line(err), means, map[lab.Why]string{
			lab.Unreachable: "see that the database runs and can be reached from here, and that host and port of lab.address in " + l.place() + " are right",
			lab.NotLetIn:    "correct user and password: PGPASSWORD, .pgpass, or lab.address in " + l.place(),
			lab.BadIdentity: "have the database's certificate renewed, or correct the host in lab.address in " + l.place(),
			lab.NoDatabase:  "correct the database's name in lab.address in " + l.place() + ", or have it made",
		}[lab.Reason(err)])
		return
	}
	defer db.Close()
	if _, err := db.Status(ctx); errors.Is(err, lab.ErrNotLab) {
		l.wrong(subject, line(err), means, "'capctl lab setup' makes the tables")
	} else if err != nil {
		l.wrong(subject, line(err), means, "have the rights of the user in lab.address corrected: 'capctl lab setup' makes the role capd_agent")
	} else {
		l.ok(subject, "%s", db.Name())
	}
}

// line makes one line of an error.
func line(err error) string { return strings.Join(strings.Fields(err.Error()), " ") }
