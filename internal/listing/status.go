package listing

import (
	"fmt"
	"maps"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"capd.example/control"
	"capd.example/internal/cli"
	"capd.example/internal/output"
	safe "capd.example/internal/text"
	"capd.example/record"
)

// Status prints what a running agent says of itself.
func Status(a *cli.Streams, s control.Status, required []string, now time.Time) {
	out := func(name, format string, args ...any) {
		safe.Fprintf(a.Out, "%-10s %s\n", name, fmt.Sprintf(format, args...))
	}
	out("bench", "%s", s.Bench)
	out("agent", "%s, process %d, for %v", s.Version, s.PID, now.Sub(s.Since).Round(time.Second))
	watch := s.Watch
	switch {
	case s.WatchMissing:
		watch += " (does not exist)"
	case s.Polling:
		watch += " (checked now and then: the system sends no events)"
	}
	out("watch", "%s", watch)
	waiting := ""
	if s.WaitingFor != "" {
		waiting = " until " + s.WaitingFor + " is written"
	}
	out("logs", "%d being written, %d waiting%s", s.Growing, s.Waiting, waiting)
	if s.Recording != nil {
		out("recording", "%s, for %v", s.Recording.Log, now.Sub(s.Recording.Since).Round(time.Second))
	}
	if s.Paused != "" {
		out("paused", "%s", s.Paused)
	}
	out("store", "%s", s.Store)
	out("passes", "%d since the start, %d of them bad", s.Passes, s.Bad)
	if s.Alerts > 0 {
		out("alerts", "%d not yet delivered", s.Alerts)
	}
	for _, t := range s.Troubles {
		out("trouble", "since %s: %s -> %s", t.Since.Local().Format("01-02 15:04:05"), t.Text, a.Carry(t.Advice))
	}
	if s.Campaign != "" {
		out("campaign", "%s", a.Carry(s.Campaign))
	}
	for _, name := range slices.Sorted(maps.Keys(s.Next)) {
		alone := ""
		if s.Then[name] != s.Next[name] {
			alone = ", for the next pass alone"
		}
		out("next", "%s = %s (by hand%s)", name, s.Next[name], alone)
	}
	for _, name := range slices.Sorted(maps.Keys(s.Then)) {
		if s.Then[name] != s.Next[name] {
			out("then", "%s = %s (by hand, after the next pass)", name, s.Then[name])
		}
	}
	if s.Last != nil {
		out("last", "%s", PassLine(*s.Last, required))
	}
}

// PassLine is a judged pass as one line for people.
func PassLine(p record.Pass, required []string) string {
	parts := []string{strings.ToUpper(string(p.Verdict)), p.ID, CellName(p.Tags)}
	if n := p.Tags.Value(record.TagPass); n != "" {
		parts = append(parts, "pass "+n)
	} else if p.Log != "" {
		parts = append(parts, safe.Plain(filepath.Base(p.Log)))
	}
	parts = append(parts, output.FPS(p.Metrics.AvgFPS)+" FPS, 1% low "+output.FPS(p.Metrics.Low1FPS))
	if why := DecidedBy(p, required); why != "" {
		parts = append(parts, why)
	}
	return strings.Join(parts, "  ")
}
