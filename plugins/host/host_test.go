//go:build linux

package host_test

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"math"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/rs/zerolog"
	"go.uber.org/goleak"

	"capd.example/internal/testlab"
	"capd.example/plugins"
	"capd.example/plugins/host"
	"capd.example/plugins/serve"
	"capd.example/record"
)

// The test binary is also every validator of these tests: `PROGRAM act ROLE`.
func TestMain(m *testing.M) {
	if len(os.Args) > 2 && os.Args[1] == "act" {
		act(os.Args[2:])
		return
	}
	goleak.VerifyTestMain(m)
}

// act plays a program in the given role.
func act(role []string) {
	switch role[0] {
	case "serve":
		var v []plugins.Validator
		for _, name := range role[1:] {
			v = append(v, fake{name})
		}
		serve.Validators(v...)
	case "exit-at-start":
		fmt.Fprintln(os.Stderr, "no licence for today")
		os.Exit(7)
	case "silent-at-start":
		select {}
	case "rubbish-at-start":
		fmt.Println("hello, is this thing on?")
		select {}
	case "flood-at-start":
		for {
			fmt.Println(strings.Repeat("x", 1000))
		}
	case "other-version":
		fmt.Println("1|99|unix|/nowhere|grpc|")
		select {}
	case "other-protocol":
		fmt.Println("1|1|unix|/nowhere|netrpc|")
		select {}
	case "deaf": // shakes hands and never answers
		l, err := net.Listen("unix", filepath.Join(os.Getenv("PLUGIN_UNIX_SOCKET_DIR"), "s"))
		if err != nil {
			panic(err)
		}
		fmt.Printf("1|1|unix|%s|grpc|\n", l.Addr())
		select {}
	case "hold-memory":
		mib, _ := strconv.Atoi(role[1])
		defer runtime.KeepAlive(hold(mib))
		select {}
	case "agent": // a host that is killed with validators running
		h, err := host.New(host.Options{Bundled: []string{os.Args[0], "act", "serve", "good", "has-child-elsewhere"}, TempDir: role[1]})
		if err != nil {
			panic(err)
		}
		for _, f := range h.Check(context.Background(), evidence(0)) {
			for _, name := range []string{"pid", "child"} {
				if pid := f.Numbers[name]; pid > 0 {
					fmt.Println(pid)
				}
			}
		}
		for _, pid := range children() {
			fmt.Println(pid)
		}
		fmt.Println("ready")
		select {}
	}
}

// fake is a validator that behaves as its name says.
type fake struct{ name string }

func (f fake) Describe() plugins.Description {
	if f.name == "dies-describing" {
		os.Exit(3)
	}
	return plugins.Description{Name: f.name, Version: "1", About: "behaves as its name says",
		Parameters: []plugins.Parameter{{Name: "limit", Type: plugins.Number, Default: "1", About: "a number"}}}
}

func (f fake) Check(ctx context.Context, e record.Evidence, p plugins.Params) record.Finding {
	n := e.Frames.MS[0]
	switch f.name {
	case "panics":
		panic("thrown and caught")
	case "exits":
		fmt.Fprintln(os.Stderr, "the disk fell off")
		os.Exit(9)
	case "exits-if-told":
		if os.Getenv("TOLD") != "" {
			os.Exit(9)
		}
	case "exits-every-tenth":
		if int(n)%10 == 9 {
			os.Exit(9)
		}
	case "throws": // a panic that nobody catches
		done := make(chan int)
		go func() { panic("thrown on purpose") }()
		<-done
	case "dies-half-way":
		go syscall.Kill(os.Getpid(), syscall.SIGKILL)
		<-ctx.Done()
		select {}
	case "hangs":
		select {}
	case "spins":
		for !time.Now().IsZero() {
		}
	case "freezes":
		syscall.Kill(os.Getpid(), syscall.SIGSTOP)
		select {}
	case "floods":
		for {
			fmt.Fprintln(os.Stderr, strings.Repeat("x", 1000))
		}
	case "floods-stdout":
		for {
			fmt.Println(strings.Repeat("x", 1000))
		}
	case "floods-unheard": // past the kit, in one line
		for {
			syscall.Write(1, bytes.Repeat([]byte("x"), 1000))
		}
	case "children-eat-memory": // each less than it may
		for range 3 {
			if err := exec.Command(os.Args[0], "act", "hold-memory", "60").Start(); err != nil {
				panic(err)
			}
		}
		select {}
	case "children-share-memory": // which is less than it may
		held := hold(60)
		for range 3 {
			if err := exec.Command(os.Args[0], "act", "silent-at-start").Start(); err != nil {
				panic(err)
			}
		}
		runtime.KeepAlive(held)
	case "long-answer":
		return record.Finding{Outcome: record.OK, Reason: strings.Repeat("x", 2<<20)}
	case "odd-outcome":
		return record.Finding{Outcome: "splendid", Reason: "it was"}
	case "no-reason":
		return record.Finding{Outcome: record.Bad}
	case "eats-memory":
		var keep [][]byte
		for {
			b := make([]byte, 1<<20)
			for i := range b {
				b[i] = byte(i)
			}
			keep = append(keep, b)
			_ = keep
		}
	case "has-child":
		return left(exec.Command("sleep", "600"))
	case "has-child-elsewhere": // in a session of its own, without a parent, with nothing of ours
		return left(exec.Command("/usr/bin/env", "-i", "/usr/bin/setsid", "-f", "/bin/sh", "-c", "echo $$; exec sleep 600 <&- >&- 2>&-"))
	case "ends-with-child-elsewhere":
		f := left(exec.Command("/usr/bin/setsid", "-f", "/bin/sh", "-c", "echo $$; exec sleep 600 <&- >&- 2>&-"))
		fmt.Fprintln(os.Stderr, f.Numbers["child"])
		os.Exit(9)
	}
	return record.Finding{Outcome: record.OK, Reason: fmt.Sprintf("first frame %g ms, limit %g", n, p.Number("limit")),
		Numbers: map[string]float64{"first_ms": n, "pid": float64(os.Getpid()), "limit": p.Number("limit")}}
}

// left starts a program that stays. Where it goes into the background it says what it is.
func left(c *exec.Cmd) record.Finding {
	out, err := c.StdoutPipe()
	if err != nil {
		panic(err)
	}
	if err := c.Start(); err != nil {
		panic(err)
	}
	pid := c.Process.Pid
	if len(c.Args) > 2 {
		if _, err := fmt.Fscan(out, &pid); err != nil {
			panic(err)
		}
	}
	return record.Finding{Outcome: record.OK, Reason: "child", Numbers: map[string]float64{"child": float64(pid)}}
}

// hold takes so many MiB and writes to all of them.
func hold(mib int) []byte {
	b := make([]byte, mib<<20)
	for i := range b {
		b[i] = byte(i)
	}
	return b
}

func evidence(first float64) record.Evidence {
	return record.Evidence{Frames: record.Frames{MS: []float64{first, 10, math.Pi}, Decimals: -1}}
}

// Time limits of tests: generous where nothing may run into them, however busy the
// machine is, and short where the limit itself is what is tested.
const (
	generous = time.Minute
	short    = 4 * time.Second
)

// roles starts a host whose bundled validators are the test binary in the given role.
func roles(t testing.TB, change func(*host.Options), role ...string) *host.Host {
	t.Helper()
	self, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	o := host.Options{
		Bundled:  append([]string{self, "act"}, role...),
		Deadline: generous, StartWithin: generous, TempDir: t.TempDir(), Logger: zerolog.Nop(),
	}
	if change != nil {
		change(&o)
	}
	h, err := host.New(o)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := h.Close(); err != nil {
			t.Error(err)
		}
		noChildren(t)
	})
	return h
}

func byName(fs []record.Finding) map[string]record.Finding {
	m := map[string]record.Finding{}
	for _, f := range fs {
		m[f.Check] = f
	}
	return m
}

// TestMisbehaviour puts each kind of misbehaving validator between two good ones.
func TestMisbehaviour(t *testing.T) {
	for _, c := range []struct{ name, reason string }{
		{"panics", "broke down: thrown and caught"},
		{"exits", "crashed (exit status 9); it wrote: the disk fell off"},
		{"throws", "crashed (exit status 2); it wrote: panic: thrown on purpose"},
		{"dies-half-way", "crashed (signal: killed)"},
		{"hangs", "did not check within 4s"},
		{"spins", "did not check within 4s"},
		{"freezes", "did not check within 4s"},
		{"floods", "wrote more than 1024 kB of output"},
		{"floods-stdout", "wrote more than 1024 kB of output"},
		{"floods-unheard", "wrote more than 1024 kB of output"},
		{"children-eat-memory", "the validator and what it started, "},
		{"long-answer", "answer is larger than 1024 kB"},
		{"odd-outcome", `unknown outcome "splendid"`},
		{"no-reason", `without a reason`},
		{"eats-memory", "the limit is 100 MiB"},
	} {
		t.Run(c.name, func(t *testing.T) {
			h := roles(t, func(o *host.Options) {
				o.MaxMemory = 100 << 20
				if strings.HasPrefix(c.reason, "did not check within") {
					o.Deadline = short
				}
			}, "serve", "before", c.name, "later")
			got := byName(h.Check(t.Context(), evidence(5)))
			if len(got) != 3 {
				t.Fatalf("%d findings: %v", len(got), got)
			}
			for _, good := range []string{"before", "later"} {
				if got[good].Outcome != record.OK || got[good].Numbers["first_ms"] != 5 {
					t.Errorf("%s: %+v", good, got[good])
				}
			}
			f := got[c.name]
			if f.Outcome != record.NotChecked || !strings.Contains(f.Reason, c.reason) {
				t.Errorf("got %s: %s", f.Outcome, f.Reason)
			}
		})
	}
}

func TestMisbehaviourAtStart(t *testing.T) {
	for _, c := range []struct{ name, reason string }{
		{"exit-at-start", "crashed (exit status 7); it wrote: no licence for today"},
		{"silent-at-start", "did not start"},
		{"rubbish-at-start", "hello, is this thing on?"},
		{"flood-at-start", "did not start"},
		{"other-version", "99"},
		{"other-protocol", "netrpc"},
		{"deaf", "not ready after"},
	} {
		t.Run(c.name, func(t *testing.T) {
			h := roles(t, func(o *host.Options) {
				if strings.Contains("silent-at-start flood-at-start deaf", c.name) { // the others end by themselves, however busy the machine is
					o.StartWithin = 2 * time.Second
				} else {
					o.StartWithin = time.Minute
				}
			}, c.name)
			got := h.Check(t.Context(), evidence(5))
			if len(got) != 1 || got[0].Outcome != record.NotChecked || !strings.Contains(got[0].Reason, c.reason) {
				t.Errorf("got %+v", got)
			}
		})
	}
	t.Run("dies-describing", func(t *testing.T) {
		h := roles(t, nil, "serve", "dies-describing")
		got := h.Check(t.Context(), evidence(5))
		if len(got) != 1 || got[0].Outcome != record.NotChecked || !strings.Contains(got[0].Reason, "exit status 3") {
			t.Errorf("got %+v", got)
		}
	})
}

func TestOneProcessForAllAndIdle(t *testing.T) {
	h := roles(t, nil, "serve", "a", "b", "c")
	if n := len(children()); n != 0 {
		t.Fatalf("%d processes before the first pass", n)
	}
	first := byName(h.Check(t.Context(), evidence(1)))
	again := byName(h.Check(t.Context(), evidence(2)))
	if p := first["a"].Numbers["pid"]; p == 0 || p != first["c"].Numbers["pid"] || p != again["b"].Numbers["pid"] {
		t.Errorf("several processes: %v %v", first, again)
	}
	if again["b"].Numbers["first_ms"] != 2 {
		t.Errorf("old evidence: %v", again["b"])
	}
	h.Idle()
	noChildren(t)
	if f := byName(h.Check(t.Context(), evidence(3)))["a"]; f.Outcome != record.OK {
		t.Errorf("after Idle: %+v", f)
	}
}

func TestIdleByItself(t *testing.T) {
	h := roles(t, func(o *host.Options) { o.IdleAfter = 10 * time.Millisecond }, "serve", "a")
	h.Check(t.Context(), evidence(1))
	noChildren(t)
}

func TestSettings(t *testing.T) {
	h := roles(t, func(o *host.Options) {
		o.Params = map[string]map[string]string{"a": {"limit": "2.5"}, "b": {"limt": "3"}, "c": {"limit": "many"}}
		o.Off = []string{"d"}
	}, "serve", "a", "b", "c", "d")
	got := byName(h.Check(t.Context(), evidence(1)))
	if f := got["a"]; f.Numbers["limit"] != 2.5 || f.Params["limit"] != "2.5" || f.Version != "1" {
		t.Errorf("a: %+v", f)
	}
	if f := got["b"]; f.Outcome != record.NotChecked || !strings.Contains(f.Reason, `no parameter "limt"; it has limit`) {
		t.Errorf("b: %+v", f)
	}
	if f := got["c"]; f.Outcome != record.NotChecked || !strings.Contains(f.Reason, `"many" is not a number`) {
		t.Errorf("c: %+v", f)
	}
	if _, there := got["d"]; there {
		t.Error("d is off and was asked")
	}
	d, err := h.Describe(t.Context())
	if err != nil || len(d) != 4 || d[0].Parameters[0].Default != "1" {
		t.Errorf("describe: %v %v", d, err)
	}
}

// A program that never said which checks it holds stands for itself among those that gave
// no answer; one that is held by two programs was heard when the first of them answered.
func TestWhoGaveNoAnswer(t *testing.T) {
	h := roles(t, nil, "exit-at-start")
	h.Check(t.Context(), evidence(1))
	if why, unknown := h.Unable(); !unknown || len(why) != 1 || !strings.Contains(why["bundled"], "no licence for today") {
		t.Errorf("%v, unknown %v", why, unknown)
	}

	folder := t.TempDir()
	pins := map[string]string{}
	for name, told := range map[string]string{"first": "", "second": "yes"} {
		script := fmt.Sprintf("#!/bin/sh\nTOLD=%s exec %q act serve exits-if-told\n", told, os.Args[0])
		if err := os.WriteFile(filepath.Join(folder, name), []byte(script), 0o700); err != nil {
			t.Fatal(err)
		}
		sum := sha256.Sum256([]byte(script))
		pins[name] = hex.EncodeToString(sum[:])
	}
	h = roles(t, func(o *host.Options) { o.Bundled, o.Folder, o.Pinned = nil, folder, pins }, "serve")
	got := byName(h.Check(t.Context(), evidence(1)))
	if f := got["exits-if-told"]; f.Outcome != record.OK {
		t.Errorf("%+v", f)
	}
	if why, unknown := h.Unable(); unknown || len(why) != 0 {
		t.Errorf("%v, unknown %v", why, unknown)
	}
}

func TestRepeatOffenderIsPutAside(t *testing.T) {
	h := roles(t, nil, "serve", "good", "exits")
	for range 3 {
		h.Check(t.Context(), evidence(1))
	}
	before := byName(h.Check(t.Context(), evidence(1)))
	if f := before["exits"]; !strings.Contains(f.Reason, "after 3 failures in a row") || !strings.Contains(f.Reason, "the disk fell off") {
		t.Errorf("got %+v", f)
	}
	if why, unknown := h.Unable(); unknown || len(why) != 1 || why["exits"] != before["exits"].Reason {
		t.Errorf("gave no answer: %v", why)
	}
	after := byName(h.Check(t.Context(), evidence(1)))
	if before["good"].Numbers["pid"] != after["good"].Numbers["pid"] {
		t.Error("the process was started anew although the offender was put aside")
	}
}

// What failed is asked again after a pause: the bundled validators are the agent's own
// program, and one bad hour must not end all checking.
func TestPutAsideIsForAWhile(t *testing.T) {
	const name = "exits-every-tenth"
	fail := func(h *host.Host) {
		for range 3 {
			h.Check(t.Context(), evidence(9))
		}
	}
	t.Run("meanwhile", func(t *testing.T) {
		h := roles(t, func(o *host.Options) { o.Pause = time.Hour }, "serve", name, "good")
		fail(h)
		if f := byName(h.Check(t.Context(), evidence(1)))[name]; !strings.Contains(f.Reason, "paused until") || !h.Later() {
			t.Errorf("later %v: %+v", h.Later(), f)
		}
		list := h.Failing()
		if len(list) != 1 || list[0].Name != name || time.Until(list[0].Again) < 50*time.Minute || !strings.Contains(list[0].Why, "exit status 9") {
			t.Errorf("failing: %+v", list)
		}
	})
	t.Run("after it", func(t *testing.T) {
		h := roles(t, func(o *host.Options) { o.Pause = time.Nanosecond }, "serve", name, "good")
		fail(h)
		if f := byName(h.Check(t.Context(), evidence(1)))[name]; f.Outcome != record.OK || h.Later() || len(h.Failing()) != 0 {
			t.Errorf("later %v, failing %v: %+v", h.Later(), h.Failing(), f)
		}
	})
	t.Run("its start", func(t *testing.T) {
		h := roles(t, func(o *host.Options) { o.Pause = time.Hour }, "exit-at-start")
		fail(h)
		list := h.Failing()
		if len(list) != 1 || list[0].Name != "bundled" || list[0].Again.IsZero() || !h.Later() {
			t.Errorf("later %v, failing: %+v", h.Later(), list)
		}
	})
	t.Run("what only a person puts right", func(t *testing.T) {
		h := roles(t, func(o *host.Options) { o.Params = map[string]map[string]string{"good": {"limit": "many"}} }, "serve", "good")
		h.Check(t.Context(), evidence(1))
		if list := h.Failing(); len(list) != 1 || !list[0].Again.IsZero() || h.Later() {
			t.Errorf("later %v, failing: %+v", h.Later(), list)
		}
	})
}

// TestManyPasses carries passes through a validator that crashes on every tenth.
func TestManyPasses(t *testing.T) {
	passes := 100
	if testlab.Long(t) {
		passes = 1000
	}
	h := roles(t, nil, "serve", "exits-every-tenth", "good")
	crashed := 0
	for i := range passes {
		got := byName(h.Check(t.Context(), evidence(float64(i))))
		if f := got["good"]; f.Outcome != record.OK || f.Numbers["first_ms"] != float64(i) {
			t.Fatalf("pass %d: good: %+v", i, f)
		}
		want := record.OK
		if i%10 == 9 {
			want = record.NotChecked
			crashed++
		}
		if f := got["exits-every-tenth"]; f.Outcome != want {
			t.Fatalf("pass %d: %+v", i, f)
		}
		if n := len(children()); n > 1 {
			t.Fatalf("pass %d: %d processes", i, n)
		}
	}
	if crashed != passes/10 {
		t.Errorf("%d crashes", crashed)
	}
}

func TestInterrupted(t *testing.T) {
	h := roles(t, nil, "serve", "hangs")
	ctx, cancel := context.WithTimeout(t.Context(), 500*time.Millisecond)
	defer cancel()
	got := h.Check(ctx, evidence(1))
	if len(got) != 1 || got[0].Outcome != record.NotChecked {
		t.Errorf("got %+v", got)
	}
}

// Nothing that a validator started outlives it, in whatever session or group, with or
// without a parent.
func TestGrandchildrenGoToo(t *testing.T) {
	for _, name := range []string{"has-child", "has-child-elsewhere"} {
		t.Run(name, func(t *testing.T) {
			h := roles(t, nil, "serve", name)
			got := byName(h.Check(t.Context(), evidence(1)))[name]
			pid := int(got.Numbers["child"])
			if pid == 0 || !alive(pid) {
				t.Fatalf("no grandchild: %+v", got)
			}
			h.Idle()
			if alive(pid) {
				t.Error("the grandchild is still there")
			}
		})
	}
	t.Run("it ends by itself", func(t *testing.T) {
		const name = "ends-with-child-elsewhere"
		h := roles(t, nil, "serve", name)
		got := byName(h.Check(t.Context(), evidence(1)))[name]
		var pid int
		if _, said, ok := strings.Cut(got.Reason, "it wrote: "); ok {
			pid, _ = strconv.Atoi(said)
		}
		if pid == 0 || !strings.Contains(got.Reason, "exit status 9") || alive(pid) {
			t.Errorf("process %d: %+v", pid, got)
		}
	})
}

// What processes share counts once.
func TestSharedMemoryCountsOnce(t *testing.T) {
	if len(testlab.BuildFlags) > 0 {
		t.Skip("the race detector keeps as much again of what each process writes")
	}
	const name = "children-share-memory"
	h := roles(t, func(o *host.Options) { o.MaxMemory = 200 << 20 }, "serve", name)
	if f := byName(h.Check(t.Context(), evidence(1)))[name]; f.Outcome != record.OK {
		t.Errorf("%+v", f)
	}
}

// TestAgentKilled kills an agent hard and looks for what it left.
func TestAgentKilled(t *testing.T) {
	for _, sig := range []os.Signal{syscall.SIGKILL, syscall.SIGTERM} {
		t.Run(sig.String(), func(t *testing.T) {
			self, err := os.Executable()
			if err != nil {
				t.Fatal(err)
			}
			agent := exec.Command(self, "act", "agent", t.TempDir())
			out, err := agent.StdoutPipe()
			if err != nil {
				t.Fatal(err)
			}
			if err := agent.Start(); err != nil {
				t.Fatal(err)
			}
			var pids []int
			for {
				var word string
				if _, err := fmt.Fscanln(out, &word); err != nil || word == "ready" {
					break
				}
				n, _ := strconv.Atoi(word)
				pids = append(pids, n)
			}
			if len(pids) != 3 { // the validators, what one of them started, and who keeps both
				t.Errorf("the agent had %v running", pids)
			}
			if err := agent.Process.Signal(sig); err != nil {
				t.Fatal(err)
			}
			_ = agent.Wait()
			for _, pid := range pids {
				eventually(t, func() bool { return !alive(pid) }, "validator %d outlived its agent", pid)
			}
		})
	}
}

func TestFolder(t *testing.T) {
	folder, pin := ownFolder(t)
	with := func(pin string) func(*host.Options) {
		return func(o *host.Options) {
			o.Bundled, o.Folder, o.Pinned = nil, folder, map[string]string{"other": pin}
		}
	}
	t.Run("pinned", func(t *testing.T) {
		got := roles(t, with(pin)).Check(t.Context(), evidence(4))
		if len(got) != 1 || got[0].Outcome != record.OK || got[0].Numbers["first_ms"] != 4 {
			t.Errorf("got %+v", got)
		}
	})
	t.Run("changed", func(t *testing.T) {
		got := roles(t, with(strings.Repeat("00", 32))).Check(t.Context(), evidence(4))
		if len(got) != 1 || got[0].Outcome != record.NotChecked || !strings.Contains(got[0].Reason, "its SHA-256 is "+pin) {
			t.Errorf("got %+v", got)
		}
	})
	t.Run("a pipe", func(t *testing.T) { // opening one would wait for its writer for ever
		if err := syscall.Mkfifo(filepath.Join(folder, "pipe"), 0o700); err != nil {
			t.Fatal(err)
		}
		defer os.Remove(filepath.Join(folder, "pipe"))
		h := roles(t, func(o *host.Options) {
			o.Bundled, o.Folder, o.Pinned = nil, folder, map[string]string{"pipe": pin}
		})
		got := h.Check(t.Context(), evidence(4))
		if len(got) != 1 || got[0].Outcome != record.NotChecked || !strings.Contains(got[0].Reason, "no regular file") {
			t.Errorf("got %+v", got)
		}
	})
	t.Run("not pinned", func(t *testing.T) {
		h := roles(t, func(o *host.Options) { o.Bundled, o.Folder = nil, folder })
		if got := h.Check(t.Context(), evidence(4)); len(got) != 0 {
			t.Errorf("got %+v", got)
		}
	})
	t.Run("pinned and missing", func(t *testing.T) {
		_, err := host.New(host.Options{Folder: folder, Pinned: map[string]string{"absent": pin}})
		if err == nil || !strings.Contains(err.Error(), `names "absent"`) {
			t.Error(err)
		}
	})
	t.Run("file others can write to", func(t *testing.T) {
		h := roles(t, with(pin))
		chmod(t, filepath.Join(folder, "other"), 0o757)
		got := h.Check(t.Context(), evidence(4))
		if len(got) != 1 || !strings.Contains(got[0].Reason, "others can write to") {
			t.Errorf("got %+v", got)
		}
	})
	t.Run("folder others can write to", func(t *testing.T) {
		chmod(t, folder, 0o777)
		_, err := host.New(host.Options{Folder: folder, Pinned: map[string]string{"other": pin}})
		if err == nil || !strings.Contains(err.Error(), "chmod go-w") {
			t.Error(err)
		}
	})
	t.Run("folder above others can write to", func(t *testing.T) {
		chmod(t, filepath.Dir(folder), 0o777)
		_, err := host.New(host.Options{Folder: folder})
		if err == nil || !strings.Contains(err.Error(), "chmod go-w") {
			t.Error(err)
		}
	})
}

// ownFolder makes a folder with one validator, a program of its own that carries no
// arguments, and returns the checksum.
func ownFolder(t *testing.T) (folder, pin string) {
	t.Helper()
	self, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	folder = filepath.Join(t.TempDir(), "validators")
	if err := os.Mkdir(folder, 0o755); err != nil {
		t.Fatal(err)
	}
	chmod(t, folder, 0o755)
	script := []byte("#!/bin/sh\nexec '" + self + "' act serve third-party\n")
	if err := os.WriteFile(filepath.Join(folder, "other"), script, 0o755); err != nil {
		t.Fatal(err)
	}
	sum := sha256.Sum256(script)
	return folder, hex.EncodeToString(sum[:])
}

func chmod(t *testing.T, path string, mode os.FileMode) {
	t.Helper()
	info, err := os.Stat(path)
	if err != nil {
		t.Fatal(err)
	}
	if err := os.Chmod(path, mode); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { os.Chmod(path, info.Mode()) })
}

// children lists the processes whose parent is this one, the ended ones too.
func children() []int {
	me := os.Getpid()
	var out []int
	stats, _ := filepath.Glob("/proc/[0-9]*/stat")
	for _, path := range stats {
		text, err := os.ReadFile(path)
		if err != nil {
			continue
		}
		// pid (comm) state ppid, see proc(5); comm may hold anything, so look from its end.
		rest := strings.Fields(string(text[strings.LastIndexByte(string(text), ')')+1:]))
		if len(rest) > 1 && rest[1] == strconv.Itoa(me) {
			pid, _ := strconv.Atoi(filepath.Base(filepath.Dir(path)))
			out = append(out, pid)
		}
	}
	return out
}

func noChildren(t testing.TB) {
	t.Helper()
	eventually(t, func() bool { return len(children()) == 0 }, "processes are left over")
}

// alive reports whether the process runs; a zombie that nobody waited for does not.
func alive(pid int) bool {
	text, err := os.ReadFile(fmt.Sprintf("/proc/%d/stat", pid))
	if err != nil {
		return false
	}
	rest := strings.Fields(string(text[strings.LastIndexByte(string(text), ')')+1:]))
	return rest[0] != "Z" && rest[0] != "X"
}

func eventually(t testing.TB, ok func() bool, format string, args ...any) {
	t.Helper()
	for end := time.Now().Add(generous); !ok(); runtime.Gosched() {
		if time.Now().After(end) {
			t.Errorf(format, args...)
			return
		}
	}
}
