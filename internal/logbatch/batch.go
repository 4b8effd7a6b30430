// Package logbatch reads many logs on all cores and hands their figures on in the order in
// which they were named.
package logbatch

import (
	"context"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"sync"

	"capd.example/framelog"
	"capd.example/metrics"
	"capd.example/record"
)

// Log is what was read of a log, or why it was not.
type Log struct {
	File   string        `json:"file"`
	SHA256 string        `json:"sha256"`
	Layout record.Layout `json:"layout"`
	record.Metrics
	Remarks []record.Remark `json:"remarks,omitempty"`
	More    *metrics.Extra  `json:"more,omitempty"` // figures on request
	Err     error           `json:"-"`
}

// NoLogsError says that no file in a folder is called like a log.
type NoLogsError struct {
	Folder   string
	Patterns []string // what logs are called
}

func (e *NoLogsError) Error() string {
	return fmt.Sprintf("%s: no file in the folder is called like a log (%s)", e.Folder, strings.Join(e.Patterns, " "))
}

// Find resolves patterns where the shell did not (Windows), and folders to the logs in
// them that match one of patterns; other names stay.
func Find(names, patterns []string) ([]string, error) {
	var out []string
	for _, n := range names {
		info, err := os.Stat(n)
		if err == nil && info.IsDir() {
			logs, err := logsBelow(n, patterns)
			switch {
			case err != nil:
				return nil, fmt.Errorf("list the logs: %w", err)
			case len(logs) == 0:
				return nil, &NoLogsError{n, patterns}
			}
			out = append(out, logs...)
			continue
		}
		if err != nil && strings.ContainsAny(n, "*?[") {
			if found, err := filepath.Glob(n); err == nil && len(found) > 0 {
				out = append(out, found...)
				continue
			}
		}
		out = append(out, n)
	}
	return out, nil
}

// logsBelow lists the files in a folder and those below it that match a pattern.
func logsBelow(folder string, patterns []string) ([]string, error) {
	var out []string
	if real, err := filepath.EvalSymlinks(folder); err == nil && real != filepath.Clean(folder) {
		folder = real // a link to a folder is not walked into by itself
	}
	err := filepath.WalkDir(folder, func(path string, d fs.DirEntry, err error) error {
		if err != nil || !d.Type().IsRegular() {
			return err
		}
		for _, p := range patterns {
			if ok, err := filepath.Match(strings.ToLower(p), strings.ToLower(d.Name())); ok || err != nil {
				out = append(out, path)
				return err
			}
		}
		return nil
	})
	return out, err
}

// Measure reads the files with one reader per core and hands the results on in the
// order of the files.
func Measure(ctx context.Context, files []string, opt framelog.Options, more *metrics.Options,
	each func(i int, m Log) error) error {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	next := make(chan int)
	slots := make([]chan Log, len(files))
	for i := range slots {
		slots[i] = make(chan Log, 1)
	}
	var wg sync.WaitGroup
	defer wg.Wait()
	defer cancel()
	for range min(runtime.GOMAXPROCS(0), len(files)) {
		wg.Go(func() {
			var r framelog.Reader
			var c metrics.Computer
			for i := range next {
				slots[i] <- measure(&r, &c, files[i], opt, more)
			}
		})
	}
	wg.Go(func() {
		defer close(next)
		for i := range files {
			select {
			case next <- i:
			case <-ctx.Done():
				return
			}
		}
	})
	for i := range files {
		select {
		case m := <-slots[i]:
			if err := each(i, m); err != nil {
				return err
			}
		case <-ctx.Done():
			return ctx.Err()
		}
	}
	return nil
}

func measure(r *framelog.Reader, c *metrics.Computer, file string, opt framelog.Options, more *metrics.Options) Log {
	m := Log{File: file}
	reading, digest, err := r.ReadFile(file, opt)
	if err == nil {
		m.SHA256, m.Layout, m.Remarks = digest.SHA256, reading.Layout, reading.Remarks
		m.Metrics, err = c.Compute(reading.Frames)
	}
	if err == nil {
		err = m.addMore(reading.Frames, more)
	}
	m.Err = err
	return m
}

// addMore fills in the figures on request.
func (m *Log) addMore(f record.Frames, o *metrics.Options) error {
	if o == nil {
		return nil
	}
	e, err := metrics.More(f, *o)
	if err != nil {
		return err
	}
	m.More = &e
	return nil
}
