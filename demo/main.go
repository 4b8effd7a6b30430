// Demo shows the main job on a temporary bench with invented parts and games: the real
// agent runs on it while logs arrive, alerts to the bad passes among them, and capctl
// shows the verdicts, the averaged cells and the margins, and writes a report to look at.
//
// Most logs lie there already when the agent is started, as after a night without it; the
// last four are recorded live by a small program, once with real load beside it. Start it
// in the repository: go run ./demo. The bench is removed at the end unless -keep is given.
package main

import (
	"context"
	"flag"
	"fmt"
	"os"
	"os/exec"
	"os/signal"
	"path/filepath"
	"runtime"
	"strconv"
	"strings"
	"time"

	"capd.example/control"
	"capd.example/internal/testlab"
)

func main() {
	if ok, err := role(os.Args[1:]); ok {
		if err != nil {
			fmt.Fprintln(os.Stderr, "demo:", err)
			os.Exit(1)
		}
		return
	}
	keep := flag.Bool("keep", false, "keep the bench with its store, the logs and the programs, to try more commands on")
	out := flag.String("out", "demo-report", "`folder` for the report")
	flag.Parse()
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt)
	err := run(ctx, *out, *keep)
	stop()
	if err != nil {
		fmt.Fprintln(os.Stderr, "demo: error:", err)
		os.Exit(1)
	}
}

// The invented campaign: 2 processors x 2 cards x 2 games, one resolution and preset.
var (
	processors = []part{{"Corvane C6", 1.15}, {"Corvane C8", 1.4}}
	cards      = []part{{"Lantern 40", 1}, {"Lantern 60", 1.35}}
	games      = []game{{"Copper Drift", 230, 1}, {"Salt Orchard", 180, 2}}
)

const (
	vendor  = "Lantern" // of the cards; their names begin with it
	seconds = 5         // length of the scenes: short, so that the demo is
	setting = "1080p-high"
)

type part struct {
	name  string
	speed float64
}

type game struct {
	name  string
	fps   float64 // on the first processor and card
	scene uint64
}

type demo struct {
	dir    string
	bench  testlab.FakeBench
	agent  *exec.Cmd
	out    string    // folder of the report
	passes int       // that the agent must judge in this session
	clock  time.Time // when the latest of the recorded passes ended
}

func run(ctx context.Context, out string, keep bool) error {
	dir, err := os.MkdirTemp("", "capd-demo")
	if err != nil {
		return err
	}
	if !keep {
		defer os.RemoveAll(dir)
	}
	d := &demo{dir: dir, out: out, bench: testlab.FakeBench{Root: filepath.Join(dir, "bench"), Vendor: vendor,
		MemoryMTs: 6000}, clock: time.Now().Add(-time.Hour)}
	say("building capd and capctl (two minutes where nothing of them was built before)")
	if err := d.command(ctx, "go", "build", "-ldflags", "-s -w", "-o", dir+string(filepath.Separator), "./cmd/...").
		Run(); err != nil {
		return fmt.Errorf("build the programs: %w", err)
	}
	if err := d.configure(); err != nil {
		return err
	}
	for _, p := range processors {
		for _, c := range cards {
			live := p == processors[1] && c == cards[1]
			if err := d.session(ctx, p, c, live); err != nil {
				return err
			}
		}
	}
	if err := d.conclude(ctx); err != nil {
		return err
	}
	if keep {
		say("kept in %s; for example: %s", dir, strings.Join(d.capctl(ctx, "limits").Args, " "))
	}
	return nil
}

func (d *demo) configure() error {
	text := `bench = "bench-1"
data = "data"
watch = "logs"

[tags]
paths = ["{cpu}/{gpu}/{game}/{resolution}-{preset}/pass{pass}.csv", "{cpu}/{gpu}/{game}/{resolution}-{preset}/pass{pass} {*}.csv"]

fixed = {scene = "lap"}

[expect]
duration_s = 5
refresh_hz = [60, 144, 165]

[files]
quiet_s = 1   # the demo's logs are written without a break
`
	if err := os.WriteFile(filepath.Join(d.dir, "capd.toml"), []byte(text), 0o644); err != nil {
		return err
	}
	prices := fmt.Sprintf("part,price,currency,date\n%s,349.00,EUR,2026-03-01\n%s,449.00,EUR,2026-03-01\n", cards[0].name,
		cards[1].name)
	return os.WriteFile(filepath.Join(d.dir, "prices.csv"), []byte(prices), 0o644)
}

// session is one build of the bench: its parts are in, the agent runs, logs arrive.
func (d *demo) session(ctx context.Context, p, c part, live bool) error {
	say("bench-1 now has processor %s and graphics card %s", p.name, c.name)
	d.bench.Processor, d.bench.Card = p.name, strings.TrimPrefix(c.name, vendor+" ")
	if err := d.bench.Build(); err != nil {
		return fmt.Errorf("build the bench: %w", err)
	}
	d.passes = 0
	count := 3
	if live {
		count = 2
	}
	if err := d.recorded(p, c, count); err != nil {
		return err
	}
	if err := d.startAgent(ctx); err != nil {
		return err
	}
	defer d.stopAgent()
	if err := d.await(ctx); err != nil || !live {
		return err
	}
	return d.live(ctx, p, c)
}

// recorded writes the first passes of each game as after a night, one of them spoilt on two
// of the builds.
func (d *demo) recorded(p, c part, count int) error {
	for _, g := range games {
		for pass := 1; pass <= count; pass++ {
			seed := uint64(1000*len(p.name+g.name) + 100*int(c.speed*10) + int(p.speed*70) + pass)
			s := testlab.Scene{Seed: seed, Load: g.scene, FPS: g.rate(p, c), Seconds: seconds, Spread: 0.05, Hitches: -1}
			s.FPS *= 1 + 0.0015*float64(int(seed)%5-2) // passes never repeat exactly
			switch {
			case p == processors[0] && c == cards[1] && g == games[0] && pass == 3:
				s.StallAtS, s.StallS = 3, 1.4
			case p == processors[1] && c == cards[0] && g == games[1] && pass == 1:
				s.CapFPS = 144
			}
			path := d.log(p, c, g, fmt.Sprintf("pass%d", pass))
			if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
				return err
			}
			header := [][2]string{{"scene", "lap"}}
			if err := os.WriteFile(path, testlab.Log(testlab.LogStyle(int(seed)%int(testlab.StyleTabs)), s.Frames(), header),
				0o644); err != nil {
				return err
			}
			d.clock = d.clock.Add(90 * time.Second)
			if err := os.Chtimes(path, d.clock, d.clock); err != nil {
				return err
			}
			d.passes++
		}
	}
	return nil
}

// rate is the rate of a game on two parts: about the lesser of what each can do.
func (g game) rate(p, c part) float64 {
	return g.fps * min(p.speed, c.speed)
}

func (d *demo) log(p, c part, g game, file string) string {
	return filepath.Join(d.dir, "logs", p.name, c.name, g.name, setting, file+".csv")
}

// live records the last build's passes in real time.
func (d *demo) live(ctx context.Context, p, c part) error {
	say("the rest is recorded live; if this machine is busy with other work the agent may call these passes doubtful or bad, and rightly")
	takes := []struct {
		g       game
		file    string
		c       part
		seconds float64
		load    bool
		what    string
	}{
		{games[0], "pass3", c, seconds, true, "an updater starts beside the game"},
		{games[0], "pass3 again", c, seconds, false, "the pass is repeated"},
		{games[1], "pass3", cards[0], seconds, false, "the log is filed under the card that is no longer in the bench"},
		{games[1], "pass3", c, 2.5, false, "the logger is stopped early"},
	}
	for i, t := range takes {
		say("recording %s %s: %s", t.g.name, t.file, t.what)
		path := d.log(p, t.c, t.g, t.file)
		if t.c != c {
			path = strings.Replace(path, "pass3", "pass3 late", 1)
		}
		if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
			return err
		}
		if err := d.record(ctx, path, t.g, t.g.rate(p, c), uint64(i+1), t.seconds, t.load); err != nil {
			return fmt.Errorf("record %s: %w", path, err)
		}
		d.passes++
		if err := d.await(ctx); err != nil {
			return err
		}
	}
	return nil
}

func (d *demo) record(ctx context.Context, path string, g game, fps float64, seed uint64, seconds float64,
	load bool) error {
	self, err := os.Executable()
	if err != nil {
		return err
	}
	play := d.command(ctx, self, roleGame, path, fmt.Sprint(seed), fmt.Sprint(g.scene), fmt.Sprint(fps),
		fmt.Sprint(seconds))
	if err := d.show(play); err != nil {
		return err
	}
	if load {
		for range runtime.NumCPU() {
			burn := d.command(ctx, self, roleLoad, fmt.Sprint(menu.Seconds()+seconds))
			if err := d.show(burn); err != nil {
				return err
			}
			defer burn.Wait()
		}
	}
	return play.Wait()
}

// show starts a process that the invented bench can see.
func (d *demo) show(c *exec.Cmd) error {
	if err := c.Start(); err != nil {
		return err
	}
	return d.bench.Show(fmt.Sprint(c.Process.Pid))
}

func (d *demo) startAgent(ctx context.Context) error {
	d.agent = d.command(ctx, filepath.Join(d.dir, "capd"), "run", "--config", filepath.Join(d.dir, "capd.toml"), "--root",
		d.bench.Root)
	d.agent.Stdout = indented{os.Stdout, "    capd: "}
	messages, err := os.OpenFile(filepath.Join(d.dir, "agent.log"), os.O_CREATE|os.O_APPEND|os.O_WRONLY, 0o644)
	if err != nil {
		return err
	}
	defer messages.Close()
	d.agent.Stderr = messages
	if err := d.show(d.agent); err != nil {
		return fmt.Errorf("start the agent: %w", err)
	}
	return nil
}

func (d *demo) stopAgent() {
	d.agent.Process.Signal(os.Interrupt)
	d.agent.Wait()
}

// await waits until the agent has judged every log of this session. It asks the agent
// itself: programs started again and again would be seen on the bench.
func (d *demo) await(ctx context.Context) error {
	ctx, cancel := context.WithTimeout(ctx, 45*time.Second)
	defer cancel()
	said := ""
	for {
		judged, err := d.judged(ctx)
		if err == nil && judged == d.passes {
			return nil
		}
		said = fmt.Sprintf("%d judged, %v", judged, err)
		select {
		case <-ctx.Done():
			text, _ := os.ReadFile(filepath.Join(d.dir, "agent.log"))
			return fmt.Errorf("the agent did not judge %d passes in time (%s); it said:\n%s", d.passes, said, text)
		case <-time.After(100 * time.Millisecond):
		}
	}
}

// judged asks the agent how many passes it has judged since its start.
func (d *demo) judged(ctx context.Context) (int, error) {
	agent, err := control.Dial(ctx, filepath.Join(d.dir, "data"))
	if err != nil {
		return 0, err
	}
	defer agent.Close()
	status, err := agent.Status(ctx)
	return status.Passes, err
}

func (d *demo) capctl(ctx context.Context, args ...string) *exec.Cmd {
	c := exec.CommandContext(ctx, filepath.Join(d.dir, "capctl"),
		append([]string{"--config", filepath.Join(d.dir, "capd.toml")}, args...)...)
	c.Stderr = os.Stderr
	return c
}

// conclude shows what the reviewer has now and checks that no bad pass got past.
func (d *demo) conclude(ctx context.Context) error {
	steps := [][]string{
		{"passes"}, {"cells"}, {"compare", "--by", "gpu", "--base", cards[0].name},
		{"report", "--out", d.out, "--title", "Two processors, two cards", "--prices", filepath.Join(d.dir, "prices.csv")},
	}
	for _, args := range steps {
		say("%s", spoken(args))
		c := d.capctl(ctx, args...)
		c.Stdout = os.Stdout
		if err := c.Run(); err != nil {
			return fmt.Errorf("capctl %s: %w", args[0], err)
		}
	}
	out, err := d.capctl(ctx, "sql", "--format", "csv",
		"SELECT DISTINCT \"check\" FROM findings WHERE outcome = 'bad' ORDER BY 1").Output()
	if err != nil {
		return fmt.Errorf("count the kinds of bad passes: %w", err)
	}
	kinds := strings.Fields(string(out))[1:]
	say("bad passes of %d kinds were found: %s", len(kinds), strings.Join(kinds, ", "))
	if len(kinds) < 4 {
		return fmt.Errorf("only %d kinds of bad passes were found, want at least 4", len(kinds))
	}
	page, err := filepath.Abs(filepath.Join(d.out, "index.html"))
	if err != nil {
		return err
	}
	say("the report is in %s: open %s in a browser", d.out, page)
	return nil
}

// spoken is a command of capctl as one would type it, without the folders of the demo.
func spoken(args []string) string {
	text := "capctl"
	for _, a := range args {
		if filepath.IsAbs(a) {
			a = filepath.Base(a)
		}
		if strings.Contains(a, " ") {
			a = strconv.Quote(a)
		}
		text += " " + a
	}
	return text
}

func (d *demo) command(ctx context.Context, name string, args ...string) *exec.Cmd {
	c := exec.CommandContext(ctx, name, args...)
	c.Stdout, c.Stderr = os.Stdout, os.Stderr
	return c
}

func say(format string, args ...any) { fmt.Printf("\n== "+format+"\n", args...) }

// indented puts text ahead of every line.
type indented struct {
	out  *os.File
	text string
}

func (w indented) Write(b []byte) (int, error) {
	for _, line := range strings.SplitAfter(string(b), "\n") {
		if line != "" {
			if _, err := w.out.WriteString(w.text + line); err != nil {
				return 0, err
			}
		}
	}
	return len(b), nil
}
