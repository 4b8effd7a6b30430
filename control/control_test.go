package control

import (
	"context"
	"errors"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/gofrs/flock"
	"go.uber.org/goleak"
	"google.golang.org/grpc/connectivity"

	"capd.example/internal/testlab"
	"capd.example/record"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// benchAgent is an agent without a bench.
type benchAgent struct {
	mu     sync.Mutex
	status Status
	hang   chan struct{} // Status waits for it
}

func (a *benchAgent) Status(context.Context) (Status, error) {
	if a.hang != nil {
		<-a.hang // whatever the caller's patience: else the answer can win the race with it
	}
	a.mu.Lock()
	defer a.mu.Unlock()
	return a.status, nil
}

func (a *benchAgent) Overhead(context.Context) (Overhead, error) {
	return Overhead{PID: 7, WakeUps: 12}, nil
}

func (a *benchAgent) Begin(_ context.Context, tags map[string]string, once bool) error {
	if tags["game"] == "" {
		return errors.New("begin: there is no game")
	}
	a.mu.Lock()
	defer a.mu.Unlock()
	a.status.Next = tags
	return nil
}

func (a *benchAgent) Pause(_ context.Context, reason string) error {
	a.mu.Lock()
	defer a.mu.Unlock()
	a.status.Paused = reason
	return nil
}

func (a *benchAgent) Resume(ctx context.Context) error { return a.Pause(ctx, "") }

func (a *benchAgent) Stop(ctx context.Context, now bool) error {
	return a.Pause(ctx, fmt.Sprintf("stop, now %v", now))
}

func (a *benchAgent) TestAlert(_ context.Context, channel string) (map[string]error, error) {
	if channel == "none" {
		return nil, errors.New(`there is no channel "none"`)
	}
	return map[string]error{"terminal": nil, "web hook": errors.New("answered 500")}, nil
}

func (a *benchAgent) Invite(_ context.Context, name string) (Invitation, error) {
	if name == "none" {
		return Invitation{}, errors.New("the agent shows no page")
	}
	return Invitation{Addresses: []string{"http://192.0.2.7:8470"}, Code: "ABC", Until: a.status.Since}, nil
}

func (a *benchAgent) Monitor(_ context.Context, name string) (string, error) {
	return "token of " + name, nil
}

func (a *benchAgent) Devices(context.Context) ([]Device, error) {
	return []Device{{ID: "k3v2aq", Name: "phone", Since: a.status.Since}}, nil
}

func (a *benchAgent) Revoke(ctx context.Context, id string) error { return a.Pause(ctx, "revoke "+id) }

// Who may open the page is asked and told like everything else, and a refusal keeps its words.
func TestPairingOverTheSocket(t *testing.T) {
	dir := testlab.Folder(t)
	a := &benchAgent{status: Status{Since: time.Date(2026, 3, 1, 12, 0, 0, 0, time.UTC)}}
	serve(t, dir, a)
	c := dial(t, dir)
	i, err := c.Invite(t.Context(), "phone")
	if err != nil || i.Open() != "http://192.0.2.7:8470/pair#ABC" || !i.Until.Equal(a.status.Since) {
		t.Errorf("%+v, %v", i, err)
	}
	if _, err := c.Invite(t.Context(), "none"); err == nil || err.Error() != "the agent shows no page" {
		t.Error(err)
	}
	if token, err := c.Monitor(t.Context(), "lab"); err != nil || token != "token of lab" {
		t.Errorf("%q, %v", token, err)
	}
	if list, err := c.Devices(t.Context()); err != nil || len(list) != 1 || list[0].ID != "k3v2aq" || list[0].Name != "phone" {
		t.Errorf("%+v, %v", list, err)
	}
	if err := c.Revoke(t.Context(), "k3v2aq"); err != nil {
		t.Error(err)
	}
	if s, _ := a.Status(t.Context()); s.Paused != "revoke k3v2aq" {
		t.Errorf("asked for %q", s.Paused)
	}
}

func serve(t *testing.T, dir string, a Agent) (*Hub, func()) {
	t.Helper()
	hub := &Hub{}
	s, err := Listen(context.Background(), dir, a, hub)
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() { ended <- s.Run(ctx) }()
	var once sync.Once
	stop := func() {
		once.Do(func() {
			cancel()
			if err := <-ended; err != nil {
				t.Errorf("Run: %v", err)
			}
		})
	}
	t.Cleanup(stop)
	return hub, stop
}

func dial(t *testing.T, dir string) *Client {
	t.Helper()
	c, err := Dial(context.Background(), dir)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { c.Close() })
	return c
}

func TestConversation(t *testing.T) {
	dir := testlab.Folder(t)
	since := time.Date(2026, 3, 1, 12, 0, 0, 0, time.UTC)
	a := &benchAgent{status: Status{Bench: "bench-a", Since: since, Passes: 7, Last: &record.Pass{ID: "abc", Verdict: record.VerdictBad}}}
	serve(t, dir, a)
	c, ctx := dial(t, dir), context.Background()
	s, err := c.Status(ctx)
	if err != nil || s.Bench != "bench-a" || !s.Since.Equal(since) || s.Passes != 7 || s.Last.Verdict != record.VerdictBad {
		t.Errorf("status %+v, %v", s, err)
	}
	if o, err := c.Overhead(ctx); err != nil || o.PID != 7 || o.WakeUps != 12 {
		t.Errorf("overhead %+v, %v", o, err)
	}
	if err := c.Begin(ctx, map[string]string{"game": "Nimbus Drift"}, true); err != nil {
		t.Error(err)
	}
	if err := c.Begin(ctx, nil, false); err == nil || err.Error() != "begin: there is no game" {
		t.Errorf("the agent's own words are lost: %v", err)
	}
	if err := c.Pause(ctx, "parts are being swapped"); err != nil {
		t.Error(err)
	}
	if s, _ = c.Status(ctx); s.Paused != "parts are being swapped" || s.Next["game"] != "Nimbus Drift" {
		t.Errorf("status %+v", s)
	}
	if err := c.Resume(ctx); err != nil {
		t.Error(err)
	}
	for _, now := range []bool{false, true} {
		if err := c.Stop(ctx, now); err != nil {
			t.Error(err)
		}
		if s, _ = c.Status(ctx); s.Paused != fmt.Sprintf("stop, now %v", now) {
			t.Errorf("the agent was told to %s", s.Paused)
		}
	}
	answers, err := c.TestAlert(ctx, "")
	if err != nil || len(answers) != 2 || answers["terminal"] != nil || answers["web hook"].Error() != "answered 500" {
		t.Errorf("answers %v, %v", answers, err)
	}
	if _, err = c.TestAlert(ctx, "none"); err == nil {
		t.Error("an unknown channel was tested")
	}
}

func TestFollow(t *testing.T) {
	dir := testlab.Folder(t)
	hub, stop := serve(t, dir, &benchAgent{})
	c := dial(t, dir)
	got := make(chan Event)
	ready, ended := make(chan struct{}), make(chan error, 1)
	go func() {
		ended <- c.Follow(context.Background(), func() { close(ready) }, func(e Event) error { got <- e; return nil })
	}()
	<-ready
	for i := range 3 {
		hub.Publish(Event{Kind: KindPass, Pass: &record.Pass{ID: fmt.Sprint(i)}})
	}
	for i := range 3 {
		if e := <-got; e.Pass.ID != fmt.Sprint(i) {
			t.Errorf("event %d is %+v", i, e)
		}
	}
	stop()
	if err := <-ended; !errors.Is(err, ErrStopped) {
		t.Errorf("Follow = %v after the agent went", err)
	}
	eventually(t, "no follower is left", func() bool { return followers(hub) == 0 })
	if _, err := Dial(context.Background(), dir); !errors.Is(err, ErrNoAgent) {
		t.Errorf("Dial = %v after the agent went", err)
	}
}

func TestFollowerLeaves(t *testing.T) {
	dir := testlab.Folder(t)
	hub, _ := serve(t, dir, &benchAgent{})
	c := dial(t, dir)
	ctx, leave := context.WithCancel(context.Background())
	if err := c.Follow(ctx, leave, func(Event) error { return nil }); err != nil {
		t.Errorf("Follow = %v after its user left", err)
	}
	eventually(t, "no follower", func() bool { return followers(hub) == 0 })
	enough := errors.New("enough")
	err := c.Follow(context.Background(), func() { hub.Publish(Event{Kind: KindAlert}) }, func(Event) error { return enough })
	if !errors.Is(err, enough) {
		t.Errorf("Follow = %v", err)
	}
}

// A follower that does not read costs the agent nothing and is told what it missed.
func TestSlowFollower(t *testing.T) {
	var h Hub
	f := h.Follow()
	for i := range keep + 10 {
		h.Publish(Event{Kind: KindPass, Missed: i})
	}
	got := f.Take()
	if len(got) != keep+1 || got[0].Kind != KindMissed || got[0].Missed != 10 || got[1].Missed != 10 {
		t.Errorf("%d events, first %+v", len(got), got[:2])
	}
	if more := f.Take(); len(more) != 0 {
		t.Errorf("more: %v", more)
	}
}

// However often the status turns, a slow follower misses no event for it.
func TestStatesPushNothingOut(t *testing.T) {
	h := &Hub{}
	f := h.Follow()
	defer f.Close()
	h.Publish(Event{Kind: KindAlert})
	for range 2 * keep {
		h.Publish(Event{Kind: KindState})
	}
	if got := f.Take(); len(got) != 2 || got[0].Kind != KindAlert || got[1].Kind != KindState {
		t.Errorf("%+v", got)
	}
	h.Publish(Event{Kind: KindState})
	if got := f.Take(); len(got) != 1 {
		t.Errorf("a state after the last was taken: %+v", got)
	}
}

func TestNoAgent(t *testing.T) {
	dir := testlab.Folder(t)
	for _, d := range []string{dir, filepath.Join(dir, "none")} {
		if _, err := Dial(context.Background(), d); !errors.Is(err, ErrNoAgent) || !strings.Contains(err.Error(), d) {
			t.Errorf("Dial(%s) = %v", d, err)
		}
	}
}

// An agent that runs but is not to be reached, as while it starts, is not said to be absent.
func TestAgentThatDoesNotListen(t *testing.T) {
	dir := testlab.Folder(t)
	lock := flock.New(LockPath(dir))
	if got, err := lock.TryLock(); !got || err != nil {
		t.Fatal(got, err)
	}
	if _, err := Dial(context.Background(), dir); !errors.Is(err, ErrHeld) || errors.Is(err, ErrNoAgent) {
		t.Errorf("Dial = %v beside an agent that does not listen", err)
	}
	if err := lock.Unlock(); err != nil {
		t.Fatal(err)
	}
	if _, err := Dial(context.Background(), dir); !errors.Is(err, ErrNoAgent) {
		t.Errorf("Dial = %v after it went", err)
	}
}

// The agent was killed and left its socket.
func TestStaleSocket(t *testing.T) {
	dir := testlab.Folder(t)
	if err := os.Mkdir(filepath.Join(dir, "control"), 0o700); err != nil {
		t.Fatal(err)
	}
	leave(t, SocketPath(dir))
	if _, err := Dial(context.Background(), dir); !errors.Is(err, ErrNoAgent) {
		t.Errorf("Dial = %v", err)
	}
	serve(t, dir, &benchAgent{status: Status{Bench: "new"}})
	if s, err := dial(t, dir).Status(context.Background()); err != nil || s.Bench != "new" {
		t.Errorf("status %+v, %v", s, err)
	}
}

func TestSocketIsTaken(t *testing.T) {
	dir := testlab.Folder(t)
	serve(t, dir, &benchAgent{status: Status{Bench: "first"}})
	if _, err := Listen(context.Background(), dir, &benchAgent{}, &Hub{}); !errors.Is(err, ErrTaken) || !strings.Contains(err.Error(), SocketPath(dir)) {
		t.Errorf("Listen = %v", err)
	}
	if s, err := dial(t, dir).Status(context.Background()); err != nil || s.Bench != "first" {
		t.Errorf("the first agent suffered: %+v, %v", s, err)
	}
}

// What is not a socket is never removed.
func TestSomethingElseInTheWay(t *testing.T) {
	dir := testlab.Folder(t)
	path := SocketPath(dir)
	if err := os.MkdirAll(filepath.Dir(path), 0o700); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(path, []byte("mine"), 0o600); err != nil {
		t.Fatal(err)
	}
	if _, err := Listen(context.Background(), dir, &benchAgent{}, &Hub{}); err == nil || !strings.Contains(err.Error(), path) {
		t.Errorf("Listen = %v", err)
	}
	if text, err := os.ReadFile(path); err != nil || string(text) != "mine" {
		t.Errorf("the file is now %q, %v", text, err)
	}
}

func TestOnlyItsUserMayTalk(t *testing.T) {
	if runtime.GOOS == "windows" {
		t.Skip("the pipe's access list decides there, not a mode: TestPipeIsOfItsUserAlone")
	}
	dir := testlab.Folder(t)
	if err := os.Mkdir(filepath.Join(dir, "control"), 0o777); err != nil {
		t.Fatal(err)
	}
	serve(t, dir, &benchAgent{})
	for path, want := range map[string]os.FileMode{SocketPath(dir): 0o600, filepath.Dir(SocketPath(dir)): 0o700} {
		info, err := os.Stat(path)
		if err != nil || info.Mode().Perm() != want {
			t.Errorf("%s has mode %v, want %v (%v)", path, info.Mode().Perm(), want, err)
		}
	}
}

func TestLongDataFolder(t *testing.T) {
	dir := filepath.Join(testlab.Folder(t), strings.Repeat("long", 20), strings.Repeat("folder", 20))
	if runtime.GOOS != "linux" && runtime.GOOS != "windows" {
		if _, err := Listen(context.Background(), dir, &benchAgent{}, &Hub{}); err == nil || !strings.Contains(err.Error(), "shorter") {
			t.Errorf("Listen = %v", err)
		}
		return
	}
	_, stop := serve(t, dir, &benchAgent{status: Status{Bench: "far"}})
	if s, err := dial(t, dir).Status(context.Background()); err != nil || s.Bench != "far" {
		t.Errorf("status %+v, %v", s, err)
	}
	stop()
	if _, err := os.Lstat(SocketPath(dir)); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("the socket was left: %v", err)
	}
}

func TestSilentAgent(t *testing.T) {
	dir := testlab.Folder(t)
	a := &benchAgent{hang: make(chan struct{})}
	serve(t, dir, a)
	ctx, stop := context.WithTimeout(context.Background(), 50*time.Millisecond)
	defer stop()
	if _, err := dial(t, dir).Status(ctx); !errors.Is(err, ErrSilent) {
		t.Errorf("Status = %v", err)
	}
	close(a.hang)
}

// A client that asks nothing more holds its place no longer than allowed, and may come back.
func TestIdleClientIsLetGo(t *testing.T) {
	dir := testlab.Folder(t)
	s, err := Listen(t.Context(), dir, &benchAgent{}, &Hub{})
	if err != nil {
		t.Fatal(err)
	}
	s.idle = 20 * time.Millisecond
	ctx, stop := context.WithCancel(t.Context())
	ended := make(chan error, 1)
	go func() { ended <- s.Run(ctx) }()
	defer func() { stop(); <-ended }()
	c := dial(t, dir)
	if _, err := c.Status(t.Context()); err != nil {
		t.Fatal(err)
	}
	patience, enough := context.WithTimeout(t.Context(), time.Minute)
	defer enough()
	if !c.conn.WaitForStateChange(patience, connectivity.Ready) {
		t.Error("it is still there")
	}
	if _, err := c.Status(t.Context()); err != nil {
		t.Errorf("it cannot come back: %v", err)
	}
}

func eventually(t *testing.T, what string, ok func() bool) {
	t.Helper()
	tick := time.NewTicker(5 * time.Millisecond)
	defer tick.Stop()
	deadline := time.After(10 * time.Second)
	for !ok() {
		select {
		case <-tick.C:
		case <-deadline:
			t.Fatalf("never came: %s", what)
		}
	}
}

// followers counts who follows now.
func followers(h *Hub) int {
	h.mu.Lock()
	defer h.mu.Unlock()
	return len(h.followers)
}

// An event that cannot be written is followed by the others.
func TestOneOddEventEndsNoFollowing(t *testing.T) {
	dir := testlab.Folder(t)
	hub, _ := serve(t, dir, &benchAgent{})
	c := dial(t, dir)
	enough := errors.New("enough")
	var texts []string
	ready := func() {
		hub.Publish(Event{Kind: KindPass, Text: "odd", Pass: &record.Pass{Metrics: record.Metrics{AvgFPS: math.NaN()}}})
		hub.Publish(Event{Kind: KindAlert, Text: "next"})
	}
	err := c.Follow(t.Context(), ready, func(e Event) error {
		if texts = append(texts, e.Text); len(texts) == 2 {
			return enough
		}
		return nil
	})
	if !errors.Is(err, enough) || texts[0] != "odd" || texts[1] != "next" {
		t.Errorf("heard %q, %v", texts, err)
	}
}

// That the status is another one is for followers within the agent: whoever follows from
// outside hears of passes and alerts.
func TestAnotherStatusIsNotForOutside(t *testing.T) {
	dir := testlab.Folder(t)
	hub, _ := serve(t, dir, &benchAgent{})
	f := hub.Follow()
	enough := errors.New("enough")
	ready := func() {
		hub.Publish(Event{Kind: KindState})
		hub.Publish(Event{Kind: KindAlert, Text: "an alert"})
	}
	err := dial(t, dir).Follow(t.Context(), ready, func(e Event) error {
		if e.Kind != KindAlert {
			t.Errorf("heard %+v", e)
		}
		return enough
	})
	if !errors.Is(err, enough) {
		t.Error(err)
	}
	<-f.Wake()
	if got := f.Take(); len(got) != 2 || got[0].Kind != KindState {
		t.Errorf("within: %+v", got)
	}
	f.Close()
	hub.Publish(Event{Kind: KindAlert})
	if got := f.Take(); len(got) != 0 {
		t.Errorf("after its end: %+v", got)
	}
}
