// Command labels measures the standard validators on passes whose condition is known and
// prints, per validator, what it found and where it cried wolf.
//
//	go run ./internal/labels [-cells N] [-limiters FOLDER]
//
// Three sets are judged: the recorded passes of testdata/real-passes with the telemetry
// that was taken beside them, those of testdata/live that the agent itself recorded (see
// internal/labels/record), and simulated cells, for what could not be recorded (sensors).
// Conditions come from the manifest, a tag and the simulation, never from a file's name;
// the validators see none of them.
package main

import (
	"context"
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"github.com/jedib0t/go-pretty/v6/table"

	"capd.example/plugins"
	"capd.example/plugins/bundled"
	"capd.example/record"
	"capd.example/tag"
)

// labelled is one pass with what is known of it.
type labelled struct {
	name      string
	condition string
	want      []string // validators of which at least one should speak up; empty: none should
	allowed   []string // validators that may speak up as well, with reason
	evidence  record.Evidence
}

func main() {
	cells := flag.Int("cells", 100,
		"simulated cells of three clean passes, plus one disturbed pass of each kind every tenth cell")
	verbose := flag.Bool("v", false, "print every finding that is not ok")
	livePath := flag.String("live", "", "store that internal/labels/record left (default: testdata/live/passes.db.gz)")
	loops := flag.String("limiters", "",
		"folder of logs that 'internal/labels/record -role limiters' left, judged as well")
	root := flag.String("root", ".", "folder of the repository")
	flag.Parse()
	real, err := recorded(filepath.Join(*root, "testdata", "real-passes"))
	if err != nil {
		fmt.Fprintln(os.Stderr, "labels: error:", err)
		os.Exit(3)
	}
	report("recorded passes", real, *verbose)
	if *livePath == "" {
		*livePath = liveSet(*root)
	}
	set, err := live(*livePath)
	if err != nil {
		fmt.Fprintln(os.Stderr, "labels: error: live set:", err)
		os.Exit(3)
	}
	report("passes recorded live by the agent", set, *verbose)
	report("simulated passes", simulated(*cells), *verbose)
	if *loops == "" {
		return
	}
	if set, err = limited(*loops); err != nil {
		fmt.Fprintln(os.Stderr, "labels: error:", err)
		os.Exit(3)
	}
	report("frame loops recorded live", set, *verbose)
}

func liveSet(root string) string { return filepath.Join(root, "testdata", "live", "passes.db.gz") }

// score counts what one validator did.
type score struct {
	wanted, hits  int
	clean, alarms int // of the passes in which nobody should speak up, those checked
	notChecked    int
	otherwise     int // spoke up about a pass that was disturbed in another way
	missed, cried []string
}

func report(title string, set []labelled, verbose bool) {
	names, scores := judge(set, verbose)
	print(title, len(set), names, scores)
}

// judge has every validator look at every pass.
func judge(set []labelled, verbose bool) (names []string, scores map[string]*score) {
	validators := bundled.Validators()
	names = []string{tag.CheckName}
	for _, v := range validators {
		names = append(names, v.Describe().Name)
	}
	scores = map[string]*score{}
	for _, name := range names {
		scores[name] = &score{}
	}
	for _, l := range set {
		_, against := tag.Resolve(l.evidence.Pass.Claims, nil)
		findings := []record.Finding{tag.Finding(against)} // made by the agent itself
		for _, v := range validators {
			findings = append(findings, plugins.Run(context.Background(), v, l.evidence, nil))
		}
		for _, f := range findings {
			scores[f.Check].count(l, f)
			if verbose && (f.Outcome == record.Bad || f.Outcome == record.Doubtful) {
				fmt.Printf("%s [%s] %s %s: %s\n", l.name, l.condition, f.Check, f.Outcome, f.Reason)
			}
		}
	}
	return names, scores
}

func (s *score) count(l labelled, f record.Finding) {
	spoke := f.Outcome == record.Bad || f.Outcome == record.Doubtful
	named := fmt.Sprintf("%s (%s)", l.name, l.condition)
	if f.Outcome == record.NotChecked {
		s.notChecked++
	}
	switch {
	case slices.Contains(l.want, f.Check):
		s.wanted++
		if spoke {
			s.hits++
		} else {
			s.missed = append(s.missed, named+": "+f.Reason)
		}
	case slices.Contains(l.allowed, f.Check):
	case len(l.want) == 0:
		if f.Outcome != record.NotChecked {
			s.clean++
		}
		if spoke {
			s.alarms++
			s.cried = append(s.cried, named+": "+f.Reason)
		}
	case spoke:
		s.otherwise++
	}
}

func print(title string, n int, names []string, scores map[string]*score) {
	t := table.NewWriter()
	t.SetTitle("%s (%d)", title, n)
	t.AppendHeader(table.Row{"validator", "found", "of", "false alarms", "of clean passes", "not checked",
		"spoke up on passes disturbed otherwise"})
	var notes []string
	for _, name := range names {
		s := scores[name]
		t.AppendRow(table.Row{name, s.hits, s.wanted, s.alarms, s.clean, s.notChecked, s.otherwise})
		for _, m := range s.missed {
			notes = append(notes, name+" missed "+m)
		}
		for _, m := range s.cried {
			notes = append(notes, name+" false alarm "+m)
		}
	}
	fmt.Println(t.Render())
	fmt.Println(strings.Join(notes, "\n"))
}
