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
)

// grammar is the command line. Each command is a type with a Run method in its own file.
type grammar struct {
	Config  string           `placeholder:"FILE" help:"Configuration file (default: the one 'capd check' names)."`
	Data    string           `placeholder:"DIR" help:"Folder of the store (default: per operating system)."`
	Store   string           `env:"CAPD_STORE" placeholder:"postgres://..." help:"Read a lab's database over all benches instead (docs/store.md); an address with a password is better in the environment variable, since a command line can be read by others."`
	Version kong.VersionFlag `help:"Print the version."`

	Measure measureCmd `cmd:"" help:"Read logs and print their figures; needs no agent and no store."`
	Layout  layoutCmd  `cmd:"" help:"Explain how a log is read, with its first rows as understood."`

	Passes passesCmd `cmd:"" help:"List passes with their verdicts."`
	Show   showCmd   `cmd:"" help:"Show one pass with its tags, figures and findings."`

	conclusions

	Plan     planCmd     `cmd:"" help:"Plan a campaign: cells, passes, changes, days; compare what-ifs."`
	Coverage coverageCmd `cmd:"" help:"Show which cells of the campaign are done, bad and missing."`
	Begin    beginCmd    `cmd:"" help:"Begin the plan at a cell; without a campaign, give the coming passes tags by hand."`
	Next     nextCmd     `cmd:"" help:"Say what to record next; go on after 'capctl back'."`
	Back     backCmd     `cmd:"" help:"Go back to a cell of the plan and stay there."`
	Skip     skipCmd     `cmd:"" help:"Leave a cell of the plan out until it is begun again."`
	Shift    shiftCmd    `cmd:"" help:"Sum up a shift: passes, repeats, time lost, and when the campaign will be done."`
	Tag      tagCmd      `cmd:"" help:"Correct tags of passes, take a correction back, or show the history."`

	System      systemCmd      `cmd:"" help:"Show and compare systems; without an identity this machine is detected."`
	Systems     systemsCmd     `cmd:"" help:"List the systems of the store."`
	Disturbance disturbanceCmd `cmd:"" help:"Measure on this machine how much the agent disturbs a frame loop."`

	Recheck  recheckCmd  `cmd:"" help:"Check stored passes again with today's validators and settings, and show what would change."`
	Log      logCmd      `cmd:"" help:"Write the kept log of a pass to standard output, byte for byte."`
	Overrule overruleCmd `cmd:"" help:"Set the verdict of a pass by hand, with the reason, or take that back."`

	Status   statusCmd   `cmd:"" help:"Show what the running agent is doing."`
	Overhead overheadCmd `cmd:"" help:"Show what the running agent itself costs: processor, wake-ups, memory, reads, samples."`
	Follow   followCmd   `cmd:"" help:"Print verdicts and alerts as they come."`
	Alerts   alertsCmd   `cmd:"" help:"List, acknowledge and test alerts."`
	Pause    pauseCmd    `cmd:"" help:"Let logs wait."`
	Resume   resumeCmd   `cmd:"" help:"Take up the logs that wait."`

	SQL     sqlCmd     `cmd:"" name:"sql" help:"Run one read-only SQL query over the store's views."`
	Export  exportCmd  `cmd:"" help:"Write passes, frame times and telemetry into a folder for other tools."`
	Import  importCmd  `cmd:"" help:"Take in the passes of another bench's package, each exactly once."`
	Backup  backupCmd  `cmd:"" help:"Copy the store into a new file while it is in use."`
	Verify  verifyCmd  `cmd:"" help:"Read everything in the store and list what is damaged."`
	Retain  retainCmd  `cmd:"" help:"Show or drop kept logs and samples that are older than the configuration says."`
	Compact compactCmd `cmd:"" help:"Give unused space of the store back to the disk."`
	Lab     labCmd     `cmd:"" help:"The shared database of a lab with many benches."`
}

// app is what every command is handed.
type app struct {
	ctx            context.Context
	config         config.Config
	lab            string // address of the lab that is read instead of the store, "" for none
	given          cli.Given
	stdin          io.Reader
	stdout, stderr io.Writer
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

// run is the whole program, for main and for tests.
func run(ctx context.Context, args []string, stdin io.Reader, stdout, stderr io.Writer) int {
	var g grammar
	kctx, done, err := cli.Parse("capctl", "Query, plan, compare and report the passes that capd recorded.", &g, args, stdout, stderr)
	if done {
		return cli.Done
	}
	if err == nil {
		err = checkStore(g.Store, firstWord(kctx.Command()))
	}
	var given cli.Given
	if err == nil {
		given = givenOf(g, kctx)
		a := &app{ctx: ctx, given: given, lab: g.Store, stdin: stdin, stdout: stdout, stderr: stderr}
		if a.config, err = config.Load(g.Config); err != nil {
			given, err = nil, cli.UsageError(err, "'capd check' without --config lists every setting with its meaning")
		} else {
			if g.Data != "" {
				a.config.Data = g.Data
			}
			err = kctx.Run(a)
		}
	}
	return cli.Status("capctl", err, stderr, given)
}
