//go:build linux

package bundled_test

import (
	"os"
	"testing"
	"time"

	"github.com/rs/zerolog"

	"capd.example/plugins/bundled"
	"capd.example/plugins/host"
	"capd.example/plugins/plugintest"
	"capd.example/plugins/serve"
	"capd.example/record"
)

// The test binary is the agent and, with this argument, its bundled validators.
func TestMain(m *testing.M) {
	if len(os.Args) > 1 && os.Args[1] == "validators" {
		serve.Validators(bundled.Validators()...)
		return
	}
	os.Exit(m.Run())
}

func start(t testing.TB) *host.Host {
	self, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	h, err := host.New(host.Options{Bundled: []string{self, "validators"}, TempDir: t.TempDir(), Logger: zerolog.Nop()})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { h.Close() })
	return h
}

// minute is a pass of 60 s at 200 FPS with telemetry and two earlier passes.
func minute() record.Evidence {
	add := func(e *record.Evidence) {
		plugintest.Series(record.SeriesBackground, "%", plugintest.Flat(2.5, 60)...)(e)
		plugintest.Series(record.SeriesCPUTemp, "degrees C", plugintest.Flat(62, 60)...)(e)
		plugintest.Series("gpu.0.throttle", "", plugintest.Flat(0, 60)...)(e)
	}
	one, two := plugintest.Pass(plugintest.Steady(200, 60, 1), add), plugintest.Pass(plugintest.Steady(200, 60, 2), add)
	return plugintest.Pass(plugintest.Steady(200, 60, 3), add, plugintest.Expect(60), plugintest.After(one, two))
}

// TestAllOverTheHost: every bundled validator answers from its process as it does here.
func TestAllOverTheHost(t *testing.T) {
	h := start(t)
	e := minute()
	got := map[string]record.Finding{}
	for _, f := range h.Check(t.Context(), e) {
		got[f.Check] = f
	}
	for _, v := range bundled.Validators() {
		name := v.Describe().Name
		want := plugintest.Check(t, v, e, nil)
		if f := got[name]; f.Outcome != want.Outcome || f.Reason != want.Reason || f.Version == "" {
			t.Errorf("%s: from the process %+v, directly %+v", name, f, want)
		}
		if want.Outcome != record.OK && want.Outcome != record.NotChecked {
			t.Errorf("%s calls a good pass %s: %s", name, want.Outcome, want.Reason)
		}
	}
}

// BenchmarkPass60s is the time from evidence to findings for a pass of 60 s with all
// standard validators: with the start of their process and without.
func BenchmarkPass60s(b *testing.B) {
	e := minute()
	b.Run("cold", func(b *testing.B) {
		h := start(b)
		var stopping time.Duration
		n := 0
		for b.Loop() {
			h.Check(b.Context(), e)
			began := time.Now()
			h.Idle()
			stopping += time.Since(began)
			n++
		}
		b.ReportMetric(float64(stopping.Milliseconds())/float64(n), "ms-stopping/op")
	})
	b.Run("warm", func(b *testing.B) {
		h := start(b)
		h.Check(b.Context(), e)
		for b.Loop() {
			h.Check(b.Context(), e)
		}
	})
	b.Run("checks alone", func(b *testing.B) {
		for b.Loop() {
			for _, v := range bundled.Validators() {
				plugintest.Check(b, v, e, nil)
			}
		}
	})
}
