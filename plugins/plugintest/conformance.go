package plugintest

import (
	"context"
	"encoding/json"
	"math"
	"net"
	"reflect"
	"testing"
	"time"
	"unicode/utf8"

	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/grpc/test/bufconn"

	"capd.example/plugins"
	"capd.example/plugins/internal/wire"
	"capd.example/record"
)

// Conformance runs the suite that every validator must pass. bad are passes in which the
// validator must find something, good such in which it must not; both may be empty, but
// then little is tested.
func Conformance(t *testing.T, v plugins.Validator, bad, good []record.Evidence) {
	d := v.Describe()
	t.Run("description", func(t *testing.T) { description(t, v, d) })
	t.Run("nothing to look at", func(t *testing.T) {
		if f := Check(t, v, record.Evidence{}, nil); f.Outcome != record.NotChecked {
			t.Errorf("empty evidence is %q, must be not-checked: %s", f.Outcome, f.Reason)
		}
	})
	t.Run("odd evidence", func(t *testing.T) {
		for _, e := range odd() {
			wellFormed(t, d, Check(t, v, e, nil))
		}
	})
	t.Run("unknown setting", func(t *testing.T) {
		if f := Check(t, v, Pass(Steady(60, 20, 1)),
			map[string]string{"no_such_setting": "1"}); f.Outcome != record.NotChecked {
			t.Errorf("got %q: %s", f.Outcome, f.Reason)
		}
	})
	all := append(append(append([]record.Evidence{}, bad...), good...), odd()...)
	t.Run("same answer again, evidence untouched", func(t *testing.T) {
		for _, e := range all {
			before := clone(t, e)
			first := Check(t, v, e, nil)
			if again := Check(t, v, e, nil); print1(t, first) != print1(t, again) {
				t.Errorf("two answers to one question:\n%s\n%s", print1(t, first), print1(t, again))
			}
			if !reflect.DeepEqual(before, clone(t, e)) {
				t.Error("the validator changed the evidence")
			}
		}
	})
	t.Run("over the wire", func(t *testing.T) { overWire(t, v, d, all) })
	t.Run("finds", func(t *testing.T) {
		for i, e := range bad {
			f := Check(t, v, e, nil)
			wellFormed(t, d, f)
			if f.Outcome != record.Bad && f.Outcome != record.Doubtful {
				t.Errorf("bad pass %d is %q: %s", i, f.Outcome, f.Reason)
			}
		}
	})
	t.Run("lets pass", func(t *testing.T) {
		for i, e := range good {
			f := Check(t, v, e, nil)
			wellFormed(t, d, f)
			if f.Outcome != record.OK {
				t.Errorf("good pass %d is %q: %s", i, f.Outcome, f.Reason)
			}
		}
	})
	t.Run("ends when told to", func(t *testing.T) {
		ctx, cancel := context.WithCancel(context.Background())
		cancel()
		done := make(chan struct{})
		go func() { defer close(done); plugins.Run(ctx, v, Pass(Steady(60, 60, 1)), nil) }()
		select {
		case <-done:
		case <-time.After(10 * time.Second):
			t.Error("still running 10 s after its context ended")
		}
	})
}

func description(t *testing.T, v plugins.Validator, d plugins.Description) {
	if err := d.Validate(); err != nil {
		t.Fatal(err)
	}
	if !reflect.DeepEqual(d, v.Describe()) {
		t.Error("two calls of Describe differ")
	}
	if d.About == "" {
		t.Error("About is empty: say in one sentence what is checked")
	}
	for _, p := range d.Parameters {
		if p.About == "" {
			t.Errorf("parameter %s has no About", p.Name)
		}
	}
}

// wellFormed holds for every finding.
func wellFormed(t *testing.T, d plugins.Description, f record.Finding) {
	t.Helper()
	if !f.Outcome.Valid() || f.Reason == "" || f.Check != d.Name || f.Version != d.Version {
		t.Errorf("incomplete finding: %+v", f)
	}
	if !utf8.ValidString(f.Reason) || !utf8.ValidString(f.Advice) {
		t.Errorf("text that is not UTF-8: %q %q", f.Reason, f.Advice)
	}
	for name, x := range f.Numbers {
		if math.IsNaN(x) || math.IsInf(x, 0) {
			t.Errorf("number %s is %g: leave out what is not known", name, x)
		}
	}
	if found := f.Outcome == record.Bad || f.Outcome == record.Doubtful; found && (f.Advice == "" || len(f.Numbers) == 0) {
		t.Errorf("a finding of %q needs advice and numbers: %+v", f.Outcome, f)
	}
}

// odd is evidence as it comes from broken logs and benches.
func odd() []record.Evidence {
	nan := math.NaN()
	return []record.Evidence{
		Pass([]float64{16}),
		Pass(Flat(0, 50)),
		Pass(Flat(1e9, 5)),
		Pass(Steady(60, 1, 1), After(Pass(nil), Pass(nil), Pass([]float64{1}))),
		Pass(Steady(60, 20, 1),
			Series(record.SeriesBackground, "%", Flat(nan, 20)...), Series(record.SeriesCPUTemp, "degrees C", Flat(nan, 20)...),
			Series("cpu.core.0.clock", "MHz", Flat(nan, 20)...), Series("gpu.0.clock", "MHz"), Series("gpu.0.throttle", ""),
			Series(record.SeriesCPUThrottle, "", 5, 3)),
		Pass(Steady(60, 20, 1), func(e *record.Evidence) { e.Telemetry = &record.Telemetry{} }),
		Pass(Steady(60, 20, 1), func(e *record.Evidence) {
			e.Pass.Metrics = record.Metrics{}
			e.Pass.StartedAt, e.Pass.EndedAt, e.Pass.LogAt = time.Time{}, time.Time{}, time.Time{}
			e.Expected = record.Expectation{DurationS: -1, CapFPS: -60, RefreshHz: []float64{0, -1, nan}}
			e.Pass.Remarks = []record.Remark{{Kind: "not yet known", Line: -1}, {}}
		}),
	}
}

// overWire asks through both ends of the protocol and compares with the direct answer.
func overWire(t *testing.T, v plugins.Validator, d plugins.Description, all []record.Evidence) {
	l := bufconn.Listen(1 << 20)
	s := grpc.NewServer(grpc.MaxRecvMsgSize(wire.MaxEvidence))
	wire.Register(s, wire.NewServer([]plugins.Validator{v}))
	go s.Serve(l)
	defer s.Stop()
	conn, err := grpc.NewClient("passthrough:///x", grpc.WithTransportCredentials(insecure.NewCredentials()),
		grpc.WithContextDialer(func(context.Context, string) (net.Conn, error) { return l.Dial() }))
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close()
	c := wire.NewClient(conn)
	if got, err := c.Describe(t.Context(), "test"); err != nil || len(got) != 1 || print1(t, got[0]) != print1(t, d) {
		t.Fatalf("describe: %v %v", got, err)
	}
	for i, e := range all {
		if err := c.Load(t.Context(), wire.Pack(e)); err != nil {
			t.Fatal(err)
		}
		got, err := c.Check(t.Context(), d)
		if err != nil {
			t.Fatalf("pass %d: %v", i, err)
		}
		if direct := Check(t, v, e, nil); print1(t, got) != print1(t, direct) {
			t.Errorf("pass %d: over the wire\n%s\nbut directly\n%s", i, print1(t, got), print1(t, direct))
		}
	}
}

func print1(t *testing.T, x any) string {
	t.Helper()
	text, err := json.Marshal(x)
	if err != nil {
		t.Fatalf("%v: %+v", err, x)
	}
	return string(text)
}

// clone copies the parts of evidence that a validator could change, bit for bit.
func clone(t *testing.T, e record.Evidence) [][]uint64 {
	t.Helper()
	bits := func(x []float64) (out []uint64) {
		for _, v := range x {
			out = append(out, math.Float64bits(v))
		}
		return out
	}
	out := [][]uint64{bits(e.Frames.MS)}
	if e.Telemetry != nil {
		for _, s := range e.Telemetry.Series {
			out = append(out, bits(s.Values))
		}
	}
	for _, x := range e.Earlier {
		out = append(out, bits(x.SecondsMS), []uint64{uint64(x.Pass.Metrics.Frames)})
	}
	return append(out, []uint64{uint64(len(e.Pass.Tags)), uint64(len(e.Pass.Claims)), uint64(len(e.System.Fields))})
}
