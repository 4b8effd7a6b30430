// Command record makes the live set that internal/labels judges: it runs the real agent
// and a program that takes its time like a game, and disturbs some passes on purpose.
//
//	go build -o live/ ./cmd/capd ./internal/labels/record
//	live/record -capd live/capd -out live/set
//	live/record -role limiters -out live/limiters
//
// The second form records no set of the agent's but frame loops of its own, held by four
// limiters or by none, whose logs internal/labels judges too.
//
// Run it on a machine that does nothing else: what else runs there is in the passes. The
// store that it leaves in the folder is the set; the condition of a pass is its tag.
package main

import (
	"context"
	"flag"
	"fmt"
	"os"
	"os/exec"
	"os/signal"
	"path/filepath"
	"strconv"
	"time"

	"capd.example/internal/testlab"
)

const seconds = 12 // length of a pass

// passes are recorded in this order, so that each disturbed one has clean ones before it.
var passes = []struct {
	condition string
	times     int
}{
	{"clean", 6}, {"background-light", 4}, {"clean", 4}, {"background-heavy", 4}, {"clean", 3},
	{"paused", 2}, {"stopped-early", 2}, {"frame-cap", 2}, {"clean", 3},
}

func main() {
	capd := flag.String("capd", "", "the agent")
	out := flag.String("out", "", "folder to leave the set in")
	role := flag.String("role", "", "play or burn: what this process does for its parent; limiters: record frame loops")
	seed := flag.Uint64("seed", 1, "of the pass")
	length := flag.Float64("seconds", seconds, "length of the pass or of the load")
	limit := flag.Float64("cap", 0, "limit of the rate")
	share := flag.Float64("share", 1, "of one processor that burn keeps busy")
	flag.Parse()
	var err error
	switch *role {
	case "play":
		err = testlab.Play(flag.Arg(0), testlab.Scene{Seed: *seed, Load: 3, FPS: 140, Seconds: *length, Spread: 0.03,
			Hitches: -1, CapFPS: *limit})
	case "burn":
		testlab.Burn(*share, time.Duration(*length*float64(time.Second)))
	case "limiters":
		err = limiters(*out, *seed, *length)
	default:
		ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt)
		err = record(ctx, *capd, *out)
		stop()
	}
	if err != nil {
		fmt.Fprintln(os.Stderr, "record:", err)
		os.Exit(1)
	}
}

func record(ctx context.Context, capd, out string) error {
	if err := os.MkdirAll(filepath.Join(out, "logs"), 0o755); err != nil {
		return err
	}
	conf := filepath.Join(out, "capd.toml")
	text := "bench = \"live\"\ndata = \"data\"\nwatch = \"logs\"\n[tags]\npaths = [\"{game}/{condition}-pass{pass}.csv\"]\n[expect]\nduration_s = " + strconv.Itoa(seconds) + "\n[files]\nquiet_s = 1\n"
	if err := os.WriteFile(conf, []byte(text), 0o644); err != nil {
		return err
	}
	agent := exec.CommandContext(ctx, capd, "run", "--config", conf)
	agent.Stdout, agent.Stderr = os.Stdout, nil
	if err := agent.Start(); err != nil {
		return err
	}
	defer func() {
		agent.Process.Signal(os.Interrupt)
		agent.Wait()
	}()
	n := 0
	for _, p := range passes {
		for range p.times {
			n++
			path := filepath.Join(out, "logs", "Copper Drift", fmt.Sprintf("%s-pass%d.csv", p.condition, n))
			if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
				return err
			}
			if err := one(ctx, path, p.condition, n); err != nil {
				return fmt.Errorf("%s: %w", path, err)
			}
			wait(ctx, 4*time.Second) // the agent reads and checks in between
		}
	}
	return nil
}

func wait(ctx context.Context, d time.Duration) {
	select {
	case <-ctx.Done():
	case <-time.After(d):
	}
}

// one records a pass and disturbs it as its condition says.
func one(ctx context.Context, path, condition string, n int) error {
	self, err := os.Executable()
	if err != nil {
		return err
	}
	args := []string{"-role", "play", "-seed", strconv.Itoa(n)}
	switch condition {
	case "stopped-early":
		args = append(args, "-seconds", "5")
	case "frame-cap":
		args = append(args, "-cap", "100")
	}
	play := exec.CommandContext(ctx, self, append(args, path)...)
	play.Stderr = os.Stderr
	if err := play.Start(); err != nil {
		return err
	}
	switch condition {
	case "background-light":
		defer burn(ctx, self, 0.2, seconds)()
	case "background-heavy":
		wait(ctx, seconds/2*time.Second)
		defer burn(ctx, self, 1, seconds/2)()
		defer burn(ctx, self, 1, seconds/2)()
	case "paused":
		wait(ctx, seconds/2*time.Second)
		if err := pause(play.Process, 2*time.Second); err != nil {
			return err
		}
	}
	return play.Wait()
}

// burn starts a load beside the pass and returns what waits for its end.
func burn(ctx context.Context, self string, share float64, seconds int) func() {
	c := exec.CommandContext(ctx, self, "-role", "burn", "-share", fmt.Sprint(share), "-seconds", strconv.Itoa(seconds))
	if err := c.Start(); err != nil {
		fmt.Fprintln(os.Stderr, "record:", err)
		return func() {}
	}
	return func() { c.Wait() }
}
