package main

import (
	"encoding/csv"
	"fmt"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"time"

	"capd.example/framelog"
	"capd.example/metrics"
	"capd.example/plugins/plugintest"
	"capd.example/record"
)

// detects says which validator should speak up about a condition of the manifest. A cut
// processor quota is no heat: no sensor shows it, so that only its effect on the rate can
// be found.
var detects = map[string][]string{
	"clean":            nil,
	"stopped-early":    {"completeness"},
	"background-heavy": {"background"},
	"background-light": {"background"},
	"hitch":            {"hitches"},
	"frame-cap":        {"framecap"},
	"throttle-steps":   {"drift"},
}

// recorded reads the recorded passes. Undisturbed passes of a cell come first, as
// measured, and are the earlier passes of the disturbed ones.
func recorded(folder string) ([]labelled, error) {
	rows, err := manifest(filepath.Join(folder, "manifest.csv"))
	if err != nil {
		return nil, err
	}
	earlier := map[string][]record.Earlier{}
	var out []labelled
	for _, clean := range []bool{true, false} {
		for _, row := range rows {
			if (row["condition"] == "clean") != clean {
				continue
			}
			e, busy, err := load(folder, row)
			if err != nil {
				return nil, err
			}
			cell := row["scene"] + row["resolution"] + row["quality"]
			e.Earlier = append([]record.Earlier(nil), earlier[cell]...)
			l := labelled{name: row["file"], condition: row["condition"], want: detects[row["condition"]], evidence: e}
			// The machine was shared: where other work kept it busy, the check of the
			// background is right to say so, and passes need not agree.
			if busy >= 10 {
				l.condition += fmt.Sprintf(", other work %.0f %%", busy)
				l.allowed = append(l.allowed, "background", "agreement")
			}
			out = append(out, l)
			if clean {
				earlier[cell] = append(earlier[cell], plugintest.Earlier(e, record.Clean))
			}
		}
	}
	return out, nil
}

func manifest(path string) ([]map[string]string, error) {
	return readTable(path, ',')
}

func readTable(path string, comma rune) ([]map[string]string, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	r := csv.NewReader(f)
	r.Comma = comma
	all, err := r.ReadAll()
	if err != nil {
		return nil, fmt.Errorf("%s: %w", path, err)
	}
	var out []map[string]string
	for _, line := range all[1:] {
		row := map[string]string{}
		for i, name := range all[0] {
			row[name] = line[i]
		}
		out = append(out, row)
	}
	return out, nil
}

// load reads one log and the telemetry beside it; busy is the mean load of what is
// neither the program nor its helpers, in per cent of one core.
func load(folder string, row map[string]string) (e record.Evidence, busy float64, err error) {
	path := filepath.Join(folder, row["file"])
	reading, digest, err := framelog.ReadFile(path, framelog.Options{})
	if err != nil {
		return e, 0, err
	}
	m, err := metrics.Compute(reading.Frames)
	if err != nil {
		return e, 0, fmt.Errorf("%s: %w", path, err)
	}
	e = plugintest.Pass(reading.Frames.MS, func(e *record.Evidence) {
		e.Pass.Metrics, e.Pass.Layout, e.Pass.Remarks = m, reading.Layout, reading.Remarks
		e.Pass.SHA256, e.Pass.ID, e.Frames = digest.SHA256, record.PassID(digest.SHA256), reading.Frames
		e.Pass.EndedAt = e.Pass.StartedAt.Add(time.Duration(m.DurationS * float64(time.Second)))
		e.Pass.LogAt = e.Pass.EndedAt.Add(time.Second)
		if row["scene"] != "c" { // that scene is as long as its demo takes
			e.Expected = record.Expectation{DurationS: 20, From: "campaign"}
		}
	})
	samples, err := readTable(strings.TrimSuffix(path, ".csv")+".bench.tsv", '\t')
	if err != nil {
		return e, 0, err
	}
	busy = telemetry(&e, samples)
	return e, busy, nil
}

// telemetry rebuilds the series from the samples beside a log. The recorder's own column
// holds the load that was made on purpose, because it started it; the background is all
// that is not the measured program, so both count.
func telemetry(e *record.Evidence, samples []map[string]string) (busy float64) {
	number := func(row map[string]string, column string) float64 {
		x, _ := strconv.ParseFloat(row[column], 64)
		return x
	}
	series := map[string][]float64{}
	for _, row := range samples {
		add := func(name string, x float64) { series[name] = append(series[name], x) }
		add(record.SeriesBackground, number(row, "other_percent")+number(row, "logger_percent"))
		add(record.SeriesGame, number(row, "workload_percent"))
		add(record.SeriesBusy, number(row, "busy_percent_all"))
		add("cpu.core.0.clock", number(row, "mhz_cpu0"))
		add("cpu.core.1.clock", number(row, "mhz_cpu1"))
		add(record.SeriesMemAvail, number(row, "mem_available_mb")*1e6)
		busy += number(row, "other_percent") / float64(len(samples))
	}
	for name, x := range series {
		plugintest.Series(name, "", x...)(e)
	}
	return busy
}
