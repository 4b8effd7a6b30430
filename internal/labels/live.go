package main

import (
	"compress/gzip"
	"context"
	"fmt"
	"io"
	"maps"
	"os"
	"path/filepath"
	"strings"

	"capd.example/framelog"
	"capd.example/internal/testlab"
	"capd.example/plugins/plugintest"
	"capd.example/record"
	"capd.example/store"
)

// wanted says which validators should speak up about a condition of the live set.
var wanted = map[string][]string{
	"clean":            nil,
	"stopped-early":    {"completeness"},
	"background-heavy": {"background"},
	"background-light": {"background"},
	"paused":           {"hitches"},
	"frame-cap":        {"framecap"},
}

// live reads the set that internal/labels/record left: passes with the telemetry that the
// real agent took. The condition is the tag of that name, which the validators do not get.
// A copy of the store is opened, since opening brings an older one up to date.
func live(path string) ([]labelled, error) {
	ctx := context.Background()
	dir, err := os.MkdirTemp("", "labels")
	if err != nil {
		return nil, err
	}
	defer os.RemoveAll(dir)
	unpacked := filepath.Join(dir, "passes.db")
	if err := unpack(path, unpacked); err != nil {
		return nil, err
	}
	s, err := store.Open(ctx, unpacked, store.Options{})
	if err != nil {
		return nil, err
	}
	defer s.Close()
	passes, err := s.Passes(ctx, store.Filter{})
	if err != nil {
		return nil, err
	}
	var out []labelled
	for _, p := range passes {
		condition := p.Tags.Value("condition")
		want, known := wanted[condition]
		if !known {
			return nil, fmt.Errorf("pass %s: condition %q is not known", p.ID, condition)
		}
		e, err := s.Evidence(ctx, p.ID)
		if err != nil {
			return nil, err
		}
		if e.Earlier, err = s.Earlier(ctx, p.Bench, p.Tags.Cell(record.CellFactors), p.ID, 12); err != nil {
			return nil, err
		}
		e.Expected = record.Expectation{DurationS: 12}
		e.Pass.Tags = maps.Clone(e.Pass.Tags)
		delete(e.Pass.Tags, "condition")
		e.Pass.Log = ""
		out = append(out, labelled{name: p.ID, condition: condition, want: want, evidence: e})
	}
	return out, nil
}

// limited reads the frame loops that internal/labels/record left: each log's name begins
// with what held it.
func limited(folder string) ([]labelled, error) {
	logs, err := filepath.Glob(filepath.Join(folder, "*.csv"))
	if err != nil {
		return nil, err
	}
	var out []labelled
	for _, log := range logs {
		reading, _, err := framelog.ReadFile(log, framelog.Options{})
		if err != nil {
			return nil, fmt.Errorf("%s: %w", log, err)
		}
		l := labelled{name: filepath.Base(log), condition: "held", want: []string{"framecap"}}
		if strings.HasPrefix(l.name, testlab.Unlimited.String()) {
			l.condition, l.want = "free", nil
		}
		l.evidence = plugintest.Pass(reading.Frames.MS,
			func(e *record.Evidence) { e.Frames, e.Pass.Layout = reading.Frames, reading.Layout })
		out = append(out, l)
	}
	return out, nil
}

// unpack copies a file; one that ends in .gz comes out as it was.
func unpack(from, to string) error {
	in, err := os.Open(from)
	if err != nil {
		return err
	}
	defer in.Close()
	var r io.Reader = in
	if strings.HasSuffix(from, ".gz") {
		if r, err = gzip.NewReader(in); err != nil {
			return fmt.Errorf("%s: %w", from, err)
		}
	}
	out, err := os.Create(to)
	if err != nil {
		return err
	}
	defer out.Close()
	if _, err := io.Copy(out, r); err != nil {
		return err
	}
	return out.Close()
}
