package results

import (
	"bytes"
	"encoding/json"
	"strings"
	"testing"

	"capd.example/analysis"
	"capd.example/analysis/power"
	"capd.example/analysis/ready"
	"capd.example/analysis/summary"
	"capd.example/internal/cli"
	"capd.example/internal/output"
)

const hostile = "Salt\x1b[31m Flats <b>|\u202e"

// forms prints one thing as text, Markdown and JSON.
func forms(t *testing.T, print func(*cli.Streams, output.Form) error) (plain, markdown, asJSON, said string) {
	t.Helper()
	var out [3]bytes.Buffer
	var messages bytes.Buffer
	for i, f := range []output.Form{{}, {Markdown: true}, {JSON: true}} {
		if err := print(&cli.Streams{Program: "capctl", Out: &out[i], Err: &messages}, f); err != nil {
			t.Fatal(err)
		}
		if strings.ContainsAny(out[i].String(), "\x1b\u202e") {
			t.Errorf("what could steer a terminal gets through: %q", out[i].String())
		}
	}
	return out[0].String(), out[1].String(), out[2].String(), messages.String()
}

// What stands against publishing is a line with what to do, in each form, whatever names hold.
func TestPrintConcerns(t *testing.T) {
	list := []ready.Concern{
		{Kind: ready.Open, Text: "3 of 8 cells planned: " + hostile, Advice: "record them", Passes: []string{"0123"}},
		{Kind: ready.Driver, Text: "two drivers", Advice: "name them"},
	}
	plain, markdown, asJSON, _ := forms(t, func(a *cli.Streams, f output.Form) error { return PrintConcerns(a, f, list) })
	if !strings.Contains(plain, "open        3 of 8 cells planned: Salt") || strings.Count(plain, "\n            -> ") != 2 {
		t.Errorf("%s", plain)
	}
	if !strings.HasPrefix(markdown, "- **open**: 3 of 8 cells") || strings.Contains(markdown, "<b>") ||
		strings.Count(markdown, "\n") != 2 {
		t.Errorf("%s", markdown)
	}
	var c ready.Concern
	if err := json.Unmarshal([]byte(strings.SplitN(asJSON, "\n", 2)[0]), &c); err != nil || c.Kind != ready.Open ||
		len(c.Passes) != 1 {
		t.Errorf("%v: %s", err, asJSON)
	}
}

// Sentences are lines; their claims are for programs alone.
func TestPrintSentences(t *testing.T) {
	list := []summary.Sentence{
		{Topic: "lead", Table: "games", Text: "At 4K " + hostile + " leads.", Claims: []summary.Claim{
			{Kind: summary.Ratio, A: "x", B: "y", Low: 0.1, High: 0.2}}},
		{Topic: "scope", Table: "cells", Text: "Four cells."},
	}
	plain, markdown, asJSON, _ := forms(t, func(a *cli.Streams, f output.Form) error { return PrintSentences(a, f, list) })
	if strings.Count(plain, "\n") != 2 || !strings.HasSuffix(plain, "\nFour cells.\n") || strings.Contains(plain, "0.1") {
		t.Errorf("%s", plain)
	}
	if !strings.HasSuffix(markdown, "\n- Four cells.\n") || strings.Contains(markdown, "<b>") {
		t.Errorf("%s", markdown)
	}
	var s summary.Sentence
	if err := json.Unmarshal([]byte(strings.SplitN(asJSON, "\n", 2)[0]), &s); err != nil || len(s.Claims) != 1 ||
		s.Claims[0].High != 0.2 {
		t.Errorf("%v: %s", err, asJSON)
	}
}

// A column that no sensor fills is not shown and is named once; one that some cells lack has
// dashes there.
func TestPrintPower(t *testing.T) {
	u := analysis.Undefined
	empty := power.Sum{Passes: 2, PerWatt: u, PerWattLow: u, PerWattHigh: u, PerWattBoth: u, CardWatts: u,
		CardMostWatts: u, CardTemp: u, CardClock: u, CardBusy: u, CPUWatts: u, CPUMostWatts: u, CPUTemp: u,
		CPUClock: u, CPUBusy: u}
	full := empty
	full.CardWatts, full.PerWatt, full.Throttled = 212.4, 0.4567, "card: heat"
	empty.CardTemp = 71
	plain, markdown, asJSON, said := forms(t, func(a *cli.Streams, f output.Form) error {
		return PrintPower(a, f, []power.Sum{full, empty}, nil)
	})
	head, rows, _ := strings.Cut(plain, "\n")
	for _, want := range []string{"FPS per W, card", "card W", "card C, most", "throttled"} {
		if !strings.Contains(head, want) {
			t.Errorf("no column %q in %s", want, head)
		}
	}
	if strings.Contains(head, "processor") || strings.Contains(head, "MHz") {
		t.Errorf("columns without a number: %s", head)
	}
	if !strings.Contains(rows, "0.457") || !strings.Contains(rows, "212") || !strings.Contains(rows, "card: heat") {
		t.Errorf("%s", rows)
	}
	if !strings.Contains(said, "no sensor told: FPS per W, both; card MHz; card busy; processor W;") {
		t.Errorf("%s", said)
	}
	if !strings.Contains(markdown, "| 2 | 0.457 | 212 | - | card: heat |") {
		t.Errorf("%s", markdown)
	}
	if !strings.Contains(asJSON, `"fps_per_watt":null`) || !strings.Contains(asJSON, `"card_watts":212.4`) {
		t.Errorf("%s", asJSON)
	}
}
