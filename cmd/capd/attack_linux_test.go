package main_test

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"capd.example/control"
	"capd.example/internal/testlab"
	"capd.example/notify"
	"capd.example/plugins"
	"capd.example/plugins/serve"
	"capd.example/record"
	"capd.example/store"
)

// This test binary is also a validator, under another name.
func TestMain(m *testing.M) {
	if filepath.Base(os.Args[0]) == "immeasurable" {
		serve.Validators(immeasurable{})
		return
	}
	status := m.Run()
	if programs.dir != "" {
		os.RemoveAll(programs.dir)
	}
	os.Exit(status)
}

// immeasurable finds nothing wrong, in numbers that have no form in JSON.
type immeasurable struct{}

func (immeasurable) Describe() plugins.Description {
	return plugins.Description{Name: "immeasurable", Version: "1", About: "divides by zero"}
}

func (immeasurable) Check(context.Context, record.Evidence, plugins.Params) record.Finding {
	return record.Finding{Outcome: record.OK, Reason: "fine", Numbers: map[string]float64{"a": math.NaN(), "b": math.Inf(-1), "c": 1}}
}

// programs are capd and capctl, built once for all tests here.
var programs struct {
	once sync.Once
	dir  string
	err  error
}

func built(t *testing.T, name string) string {
	t.Helper()
	programs.once.Do(func() {
		if programs.dir, programs.err = os.MkdirTemp("", "capd-attack"); programs.err != nil {
			return
		}
		args := append(append([]string{"build"}, testlab.BuildFlags...), "-o", programs.dir+string(os.PathSeparator), "capd.example/cmd/capd", "capd.example/cmd/capctl")
		if out, err := exec.Command("go", args...).CombinedOutput(); err != nil {
			programs.err = fmt.Errorf("build the programs: %w\n%s", err, out)
		}
	})
	must(t, programs.err)
	return filepath.Join(programs.dir, name)
}

// attacked is a running agent.
type attacked struct {
	t               *testing.T
	dir, logs, data string
	conf            string
	agent           *exec.Cmd
	out             *guarded // its standard output and its log
}

// guarded is a buffer that a process writes and a test reads.
type guarded struct {
	mu sync.Mutex
	b  bytes.Buffer
}

func (g *guarded) Write(p []byte) (int, error) {
	g.mu.Lock()
	defer g.mu.Unlock()
	return g.b.Write(p)
}

func (g *guarded) String() string {
	g.mu.Lock()
	defer g.mu.Unlock()
	return g.b.String()
}

// attack starts an agent in a folder of its own; more is added to its configuration, and
// its command line stands behind what is in front.
func attack(t *testing.T, more string, front ...string) *attacked {
	t.Helper()
	dir := t.TempDir()
	a := &attacked{t: t, dir: dir, logs: filepath.Join(dir, "logs"), data: filepath.Join(dir, "data"), conf: filepath.Join(dir, "capd.toml"), out: &guarded{}}
	text := fmt.Sprintf("bench = \"b\"\ndata = %q\nwatch = %q\n[expect]\nduration_s = 20\n[files]\nquiet_s = 0.3\n[checks]\noff = [\"background\"]\n%s", a.data, a.logs, strings.ReplaceAll(more, "DIR", dir))
	must(t, os.WriteFile(a.conf, []byte(text), 0o600))
	must(t, os.MkdirAll(a.logs, 0o755))
	args := append(front, built(t, "capd"), "run", "--config", a.conf)
	a.agent = exec.Command(args[0], args[1:]...)
	a.agent.Stdout, a.agent.Stderr = a.out, a.out
	a.agent.SysProcAttr = &syscall.SysProcAttr{Pdeathsig: syscall.SIGKILL}
	must(t, a.agent.Start())
	t.Cleanup(func() {
		a.agent.Process.Signal(os.Interrupt)
		a.agent.Wait()
		if t.Failed() {
			t.Logf("the agent wrote:\n%s", a.out)
		}
	})
	a.until("it answers", func() bool { _, err := a.status(); return err == nil })
	return a
}

// log writes a whole log: 20 s are expected, and one of 8 s is bad.
func (a *attacked) log(name string, seconds float64) {
	a.t.Helper()
	s := testlab.Scene{Seed: uint64(len(name)) + uint64(name[0])<<8, FPS: 120, Seconds: seconds, Load: 1, Hitches: -1}
	must(a.t, os.WriteFile(filepath.Join(a.logs, name), testlab.Log(testlab.StyleDurations, s.Frames(), nil), 0o644))
}

func (a *attacked) status() (s control.Status, err error) {
	c, err := control.Dial(context.Background(), a.data)
	if err != nil {
		return s, err
	}
	defer c.Close()
	return c.Status(context.Background())
}

// trouble returns the trouble that stands and says so.
func (a *attacked) trouble(words string) (found control.Trouble, ok bool) {
	s, err := a.status()
	if err != nil {
		return found, false
	}
	i := slices.IndexFunc(s.Troubles, func(x control.Trouble) bool { return strings.Contains(x.Text, words) })
	if i < 0 {
		return found, false
	}
	return s.Troubles[i], true
}

func (a *attacked) said(words string) int { return strings.Count(a.out.String(), words) }

// bad reports whether people were told once that the pass of that log is bad.
func (a *attacked) bad(name string) bool {
	return a.said("BAD log "+filepath.Join(a.logs, name)+" [") == 1
}

// until waits for something that the agent does in its own time.
func (a *attacked) until(what string, is func() bool) {
	a.t.Helper()
	for end := time.Now().Add(time.Minute); !is(); <-time.After(50 * time.Millisecond) {
		if time.Now().After(end) {
			a.t.Fatalf("it never came to this: %s", what)
		}
	}
}

// Numbers that no JSON can hold silence nobody: terminal, command, follow and the list of
// alerts tell of the bad pass.
func TestImmeasurableNumbersSilenceNobody(t *testing.T) {
	self, err := os.ReadFile(os.Args[0])
	must(t, err)
	folder := filepath.Join(t.TempDir(), "validators")
	must(t, os.Mkdir(folder, 0o700))
	must(t, os.WriteFile(filepath.Join(folder, "immeasurable"), self, 0o700))
	sum := sha256.Sum256(self)
	a := attack(t, fmt.Sprintf("folder = %q\n[checks.pinned]\nimmeasurable = %q\n[notify]\ncommand = [\"/bin/sh\", \"-c\", \"cat >> DIR/told\"]\n", folder, hex.EncodeToString(sum[:])))
	events := make(chan control.Event, 16)
	c, err := control.Dial(t.Context(), a.data)
	must(t, err)
	defer c.Close()
	ready := make(chan struct{})
	go c.Follow(t.Context(), func() { close(ready) }, func(e control.Event) error { events <- e; return nil })
	<-ready
	a.log("bad.csv", 8)
	a.until("the terminal tells", func() bool { return a.bad("bad.csv") })
	a.until("the command was run", func() bool {
		told, _ := os.ReadFile(filepath.Join(a.dir, "told"))
		return bytes.Contains(told, []byte(`"verdict":"bad"`)) && bytes.Contains(told, []byte("no finite number was given for a, b"))
	})
	for e := range events {
		if e.Kind == control.KindPass && e.Pass.Verdict == record.VerdictBad {
			break
		}
	}
	s, err := store.Open(t.Context(), filepath.Join(a.data, "passes.db"), store.Options{ReadOnly: true})
	must(t, err)
	defer s.Close()
	list, err := s.Alerts(t.Context(), false, 0)
	must(t, err)
	for _, row := range list { // one for each channel
		var alert notify.Alert
		if err := json.Unmarshal(row.Payload, &alert); err != nil || alert.Kind != notify.BadPass {
			t.Errorf("the list of alerts holds %s, %v", row.ID, err)
		}
	}
	if len(list) == 0 {
		t.Error("the list of alerts is empty")
	}
}

// validators lists the processes of the agent's validators.
func (a *attacked) validators() (out []int) {
	lines, err := filepath.Glob("/proc/[0-9]*/stat")
	must(a.t, err)
	for _, path := range lines {
		text, err := os.ReadFile(path)
		if err != nil {
			continue
		}
		rest := strings.Fields(string(text[bytes.LastIndexByte(text, ')')+1:])) // proc(5)
		if rest[1] == strconv.Itoa(a.agent.Process.Pid) {
			pid, _ := strconv.Atoi(filepath.Base(filepath.Dir(path)))
			out = append(out, pid)
		}
	}
	return out
}

// Three deaths of the standard validators end no checking: it is told and stands in the
// status, and once they work again the passes of the meantime are checked and told.
func TestDeadValidatorsAreAskedAgain(t *testing.T) {
	if !testlab.Long(t) {
		t.Skip("waits for the pause after three failures; the simulation has the same in invented time")
	}
	a := attack(t, "")
	stop := make(chan struct{})
	var killing sync.WaitGroup
	killing.Go(func() {
		for {
			select {
			case <-stop:
				return
			case <-time.After(5 * time.Millisecond):
				for _, pid := range a.validators() {
					syscall.Kill(pid, syscall.SIGKILL)
				}
			}
		}
	})
	for i := range 4 {
		a.log(fmt.Sprintf("%d.csv", i), 8)
		a.until("the pass is judged", func() bool { s, err := a.status(); return err == nil && s.Passes == i+1 })
	}
	if x, ok := a.trouble("are not made"); !ok && a.said("are made by the standard validators") == 0 || ok && x.Advice == "" {
		t.Errorf("nothing stands in the status: %+v", x)
	}
	if n := a.said("TROUBLE "); n != 1 {
		t.Errorf("it was told %d times", n)
	}
	close(stop)
	killing.Wait()
	a.until("all four are told to be bad", func() bool {
		for i := range 4 {
			if !a.bad(fmt.Sprintf("%d.csv", i)) {
				return false
			}
		}
		return true
	})
	a.until("no trouble stands", func() bool { s, err := a.status(); return err == nil && len(s.Troubles) == 0 })
}

// Whatever keeps writing into the folder and is no log holds no verdict up.
func TestChatterHoldsNothingUp(t *testing.T) {
	a := attack(t, "")
	chatter, err := os.Create(filepath.Join(a.logs, "console.log"))
	must(t, err)
	defer chatter.Close()
	stop := make(chan struct{})
	var writing sync.WaitGroup
	writing.Go(func() {
		for i := 0; ; i++ {
			select {
			case <-stop:
				return
			case <-time.After(200 * time.Millisecond):
				fmt.Fprintf(chatter, "12:00:%02d loaded shader pack %d\nnothing else\n", i%60, i)
			}
		}
	})
	defer writing.Wait()
	defer close(stop)
	a.until("the chatter is noticed", func() bool { s, err := a.status(); return err == nil && s.Growing == 1 })
	<-time.After(2 * time.Second) // it has been written over time
	a.log("bad.csv", 8)
	a.until("the pass is told", func() bool { return a.bad("bad.csv") })
	if s, err := a.status(); err != nil || s.Growing != 1 || s.WaitingFor != "" {
		t.Errorf("status %+v, %v", s, err)
	}
}

// A store that goes while the agent runs is told; the logs wait, and nothing that is said
// was kept is lost.
func TestTheStoreGoesWhileTheAgentRuns(t *testing.T) {
	a := attack(t, "")
	a.log("one.csv", 8)
	a.until("the first is told", func() bool { return a.bad("one.csv") })
	path := filepath.Join(a.data, "passes.db")
	must(t, os.Rename(path, path+".away"))
	a.log("two.csv", 8)
	a.until("it is told", func() bool { return a.said("TROUBLE the store "+path+" was deleted") == 1 })
	if _, ok := a.trouble("was deleted while the agent runs"); !ok {
		t.Error("it does not stand in the status")
	}
	if a.said("two.csv [") > 0 {
		t.Error("a verdict was said of a pass that is kept nowhere")
	}
	must(t, os.Rename(path+".away", path))
	a.until("the second is told", func() bool { return a.bad("two.csv") })
	if _, ok := a.trouble("the store"); ok {
		t.Error("the trouble still stands")
	}
}

// Errors of the moment make no log unreadable: the agent is left hardly any descriptors,
// and every log is read all the same or waits, with one trouble that says why.
func TestFewDescriptors(t *testing.T) {
	a := attack(t, "", "/bin/sh", "-c", "ulimit -Sn 40; ulimit -Hn 40; exec \"$@\"", "sh")
	for i := range 5 {
		a.log(fmt.Sprintf("%d.csv", i), 8)
	}
	a.until("all are judged, or wait", func() bool {
		s, err := a.status()
		return err == nil && s.Passes+s.Waiting == 5 && (s.Waiting == 0 || len(s.Troubles) > 0)
	})
	if n := a.said("UNREADABLE"); n > 0 {
		t.Errorf("%d logs are called unreadable", n)
	}
}
