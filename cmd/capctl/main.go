// Capctl plans the matrix, queries the tagged passes and turns them into averages,
// lows, margins and reports.
package main

import (
	"context"
	"io"
	"os"

	"github.com/alecthomas/kong"

	"capd.example/config"
	"capd.example/internal/cli"
	"capd.example/internal/labtalk"
	"capd.example/store/lab"
)

// grammar is the command line. Each command is a type with a Run method in its own file.
type grammar struct {
	Config  string           `placeholder:"FILE" help:"Configuration file (default: the one 'capd check' names)."`
	Data    string           `placeholder:"DIR" help:"Folder of the store (default: per operating system)."`
	Store   string           `env:"CAPD_STORE" placeholder:"postgres://..." help:"Read a lab's database over all benches instead (docs/store.md); an address with a password is better in the environment variable, since a command line can be read by others."`
	AsSent  bool             `help:"With --store: take figures as the benches sent them, not computed again from the frame times; quicker over many passes."`
	Version kong.VersionFlag `help:"Print the version."`

	Status      statusCmd      `cmd:"" group:"bench" help:"Show what the running agent is doing." example:"capctl status"`
	Follow      followCmd      `cmd:"" group:"bench" help:"Print verdicts and alerts as they come." example:"capctl follow"`
	Alerts      alertsCmd      `cmd:"" group:"bench" help:"List, acknowledge and test alerts." example:"capctl alerts --test"`
	Pause       pauseCmd       `cmd:"" group:"bench" help:"Stop judging for a while; logs wait." example:"capctl pause"`
	Resume      resumeCmd      `cmd:"" group:"bench" help:"Judge the logs that wait, and go on." example:"capctl resume"`
	Page        pageCmd        `cmd:"" group:"bench" help:"Pair a phone or another screen with the live page; list and revoke what is paired." example:"capctl page --name phone"`
	Overhead    overheadCmd    `cmd:"" group:"bench" help:"Show what the running agent itself costs: processor, wake-ups, memory, reads, samples." example:"capctl overhead --over 60s"`
	Disturbance disturbanceCmd `cmd:"" group:"bench" help:"Measure whether the agent slows a game down." example:"capctl disturbance --rounds 75"`

	Measure measureCmd `cmd:"" group:"log" help:"Read logs and print their figures." example:"capctl measure passes/*.csv"`
	Layout  layoutCmd  `cmd:"" group:"log" help:"Explain how a log is read, with its first rows as understood." example:"capctl layout pass.csv"`

	Passes   passesCmd   `cmd:"" group:"pass" help:"List passes with their verdicts." example:"capctl passes --verdict bad --since yesterday"`
	Show     showCmd     `cmd:"" group:"pass" help:"Show one pass with its tags, figures and findings." example:"capctl show 3f2a --history"`
	Tag      tagCmd      `cmd:"" group:"pass" help:"Correct tags of passes, take a correction back, or show the history." example:"capctl tag 3f2a preset=high"`
	Recheck  recheckCmd  `cmd:"" group:"pass" help:"Check stored passes again with today's validators and settings." example:"capctl recheck --since yesterday"`
	Overrule overruleCmd `cmd:"" group:"pass" help:"Set the verdict of a pass by hand, or take that back." example:"capctl overrule 3f2a clean --why \"the pause is part of the scene\""`
	Log      logCmd      `cmd:"" group:"pass" help:"Write the kept log of a pass to standard output, byte for byte." example:"capctl log 3f2a > pass.csv"`
	System   systemCmd   `cmd:"" group:"pass" help:"Show and compare systems; without an identity this machine is detected." example:"capctl system show"`
	Systems  systemsCmd  `cmd:"" group:"pass" help:"List the systems of the store." example:"capctl systems"`

	Plan     planCmd     `cmd:"" group:"matrix" help:"Plan a campaign: cells, passes, changes, days; compare what-ifs." example:"capctl plan"`
	Begin    beginCmd    `cmd:"" group:"matrix" help:"Tell the agent where you are in the plan; without a campaign, tag the coming passes." example:"capctl begin gpu=\"Lumen 60\" preset=high"`
	Next     nextCmd     `cmd:"" group:"matrix" help:"Show the next pass to record." example:"capctl next"`
	Back     backCmd     `cmd:"" group:"matrix" help:"Go back to a cell of the plan and stay there." example:"capctl back preset=high"`
	Skip     skipCmd     `cmd:"" group:"matrix" help:"Leave cells of the plan out, or take them up again." example:"capctl skip preset=high"`
	Shift    shiftCmd    `cmd:"" group:"matrix" help:"Sum up a shift: passes, repeats, time lost, and when the campaign will be done." example:"capctl shift"`
	Coverage coverageCmd `cmd:"" group:"matrix" help:"Show which cells of the campaign are done, bad and missing." example:"capctl coverage --open"`

	conclusions

	SQL     sqlCmd     `cmd:"" name:"sql" group:"store" help:"Run one read-only SQL query over the store's views." example:"capctl sql \"SELECT game, count(*) FROM passes GROUP BY game\""`
	Export  exportCmd  `cmd:"" group:"store" help:"Write passes, frame times and telemetry into a folder for other tools." example:"capctl export --out package"`
	Send    sendCmd    `cmd:"" group:"store" help:"Write passes into one file that a colleague's capctl import takes." example:"capctl send passes.zip --tag campaign=spring"`
	Import  importCmd  `cmd:"" group:"store" help:"Take in the passes of another bench's package, each exactly once." example:"capctl import passes.zip"`
	Backup  backupCmd  `cmd:"" group:"store" help:"Copy the store into a new file while it is in use." example:"capctl backup passes-copy.db"`
	Verify  verifyCmd  `cmd:"" group:"store" help:"Read everything in the store and list what is damaged." example:"capctl verify"`
	Compact compactCmd `cmd:"" group:"store" help:"Give unused space of the store back to the disk." example:"capctl compact"`
	Retain  retainCmd  `cmd:"" group:"store" help:"Show or drop kept logs and samples that are older than the configuration says." example:"capctl retain"`
	Lab     labCmd     `cmd:"" group:"store" help:"The shared database of a lab with many benches." example:"capctl lab status"`
}

// groups are the headings of --help, as docs/commands.md has them.
var groups = kong.ExplicitGroups([]kong.Group{
	{Key: "bench", Title: "On the bench:"}, {Key: "log", Title: "Logs, without agent and store:"},
	{Key: "pass", Title: "Passes:"},
	{Key: "matrix", Title: "The matrix:"}, {Key: "result", Title: "Results:"},
	{Key: "store", Title: "The store and the lab:"},
})

// app is what every command is handed.
type app struct {
	*cli.Streams
	ctx            context.Context
	config         config.Config
	lab            string     // address of the lab that is read instead of the store, "" for none
	asSent         bool       // whose figures are not computed again
	labs           []*lab.Lab // those that were opened, for what they have to note
	json           bool       // the output is for programs
	stdin          io.Reader
	stdout, stderr io.Writer // those of the streams
}

func main() {
	if serveValidators() {
		return
	}
	ctx, stop := cli.Signals()
	status := run(ctx, os.Args[1:], os.Stdin, os.Stdout, os.Stderr)
	stop()
	os.Exit(status)
}

// jsonAsked reports whether the command was given --json.
func jsonAsked(k *kong.Context) bool {
	for _, f := range k.Flags() {
		if f.Name == "json" {
			asked, _ := k.FlagValue(f).(bool)
			return asked
		}
	}
	return false
}

// run is the whole program, for main and for tests.
func run(ctx context.Context, args []string, stdin io.Reader, stdout, stderr io.Writer) int {
	var g grammar
	kctx, done, err := cli.Parse("capctl", "Query, plan, compare and report the passes that capd recorded.", &g, args,
		stdout, stderr, groups)
	if done {
		return cli.Done
	}
	if err == nil {
		err = checkStore(g.Store, firstWord(kctx.Command()))
	}
	var given cli.Given
	if err == nil {
		given = givenOf(g, kctx)
		a := &app{Streams: &cli.Streams{Program: "capctl", Out: stdout, Err: stderr, Given: given},
			ctx: ctx, lab: g.Store, asSent: g.AsSent, json: jsonAsked(kctx), stdin: stdin, stdout: stdout, stderr: stderr}
		if a.config, err = config.Load(g.Config); err != nil {
			given, err = nil, cli.UsageError(err,
				"'capd check --settings' without --config lists every setting with its meaning")
		} else {
			if g.Data != "" {
				a.config.Data = g.Data
			}
			err = kctx.Run(a)
			if unsaid := labtalk.Notes(a.Streams, a.labs, a.json); err == nil {
				err = unsaid
			}
		}
	}
	return cli.Status("capctl", err, stderr, given)
}
