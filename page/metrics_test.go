package page

import (
	"context"
	"net/http"
	"strings"
	"testing"

	"capd.example/config"
	"capd.example/control"
	"capd.example/openmetrics"
	"capd.example/record"
)

// The lab's monitoring is answered where it is asked for, under the same rules as the page,
// and a scrape asks the agent nothing.
func TestMetrics(t *testing.T) {
	if w := get(handled(bench()), "/metrics"); w.Code != 404 {
		t.Errorf("not asked for: status %d", w.Code)
	}
	asked := make(chan bool, 100)
	hub := &control.Hub{}
	s, err := Listen(t.Context(), Options{Page: config.Page{Listen: "127.0.0.1:0", Metrics: true}, Source: bench(), Events: hub, Version: "v1",
		Figures: func(context.Context) (openmetrics.State, error) {
			asked <- true
			return openmetrics.State{Growing: 4}, nil
		}})
	if err != nil {
		t.Fatal(err)
	}
	ctx, stop := context.WithCancel(t.Context())
	ended := make(chan error, 1)
	go func() { ended <- s.Run(ctx) }()
	<-asked // it follows from now on
	hub.Publish(control.Event{Kind: control.KindPass, Pass: &record.Pass{Verdict: record.VerdictBad}})
	<-asked
	scraped := func() string { return get(s, "/metrics").Body.String() }
	for !strings.Contains(scraped(), "capd_logs_growing 4") {
		waitABit(t)
	}
	if text := scraped(); !strings.Contains(text, `capd_verdicts_total{verdict="bad"} 1`) || !strings.Contains(text, `capd_build_info{version="v1"} 1`) {
		t.Errorf("%.400q", text)
	}
	if len(asked) > 0 {
		t.Error("a scrape asked the agent")
	}
	for _, change := range []func(*http.Request){host("evil.example"), header("Origin", "http://evil.example"), header("Sec-Fetch-Site", "cross-site"), func(r *http.Request) { r.Method = "POST" }} {
		if w := get(s, "/metrics", change); w.Code < 400 {
			t.Errorf("status %d", w.Code)
		}
	}
	stop()
	if err := <-ended; err != nil {
		t.Error(err)
	}
}
