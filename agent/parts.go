package agent

import (
	"context"
	"os"
	"time"

	"capd.example/config"
	"capd.example/framelog"
	"capd.example/internal/judging"
	"capd.example/notify"
	"capd.example/pipeline"
	"capd.example/record"
	"capd.example/store"
)

// The types here fit the parts to the interfaces of the pipeline.

type logReader struct{ opt framelog.Options }

func (r logReader) ReadLog(_ context.Context, path string) (record.Reading, pipeline.File, error) {
	reading, d, err := framelog.ReadFile(path, r.opt)
	f := pipeline.File{SHA256: d.SHA256, Size: d.Size, ModTime: d.ModTime}
	if info, statErr := os.Stat(path); statErr == nil && f.ModTime.IsZero() {
		f.Size, f.ModTime = info.Size(), info.ModTime()
	}
	return reading, f, err
}

func readerOptions(c config.Config) framelog.Options {
	opt := framelog.Options{NoLink: true} // as the watcher takes none
	for _, l := range c.Layouts {
		opt.Layouts = append(opt.Layouts, framelog.Declared(l)) // a field that only one of them has stops the build
	}
	return opt
}

type bench struct {
	Machine
	declared map[string]string // what no machine can tell
}

func (b bench) System(ctx context.Context) record.System {
	return record.Declared(b.Detect(ctx), b.declared)
}

func (b bench) Telemetry(from, to time.Time, program string) (*record.Telemetry, error) {
	return b.WindowFor(from, to, program)
}

// passStore is the store as the pipeline sees it.
type passStore struct {
	judging.Cells
	*store.Store
}

func mark(f pipeline.File, path string) store.FileMark {
	return store.FileMark{Path: path, Size: f.Size, ModTime: f.ModTime, ID: f.ID}
}

func (s passStore) save(ctx context.Context, a pipeline.Arrival, settings map[string]string) (pipeline.Saved, error) {
	got, err := s.Store.Save(ctx, store.Arrival{
		Pass: a.Pass, Frames: a.Frames, Telemetry: a.Telemetry, System: a.System,
		File: mark(a.File, a.Pass.Log), LogBytes: a.File.Bytes, Settings: settings,
	})
	return pipeline.Saved(got), err
}

func (s passStore) MarkTold(ctx context.Context, id string) error {
	return s.MarkNotified(ctx, id)
}

// Unfinished leaves those to another program that it judges again, until that is done or
// was killed.
func (r remembering) Unfinished(ctx context.Context) ([]pipeline.Unfinished, error) {
	list, err := r.Agent.store.Unfinished(ctx)
	r.held = time.Time{}
	var out []pipeline.Unfinished
	for _, u := range list {
		if !u.Held.IsZero() {
			r.held = u.Held
			continue
		}
		out = append(out, pipeline.Unfinished{ID: u.Pass.ID, Checked: u.State == store.Checked, Was: u.Was})
	}
	return out, err
}

func (s passStore) Beside(ctx context.Context, p record.Pass, cell []string) ([]record.Pass, string, error) {
	return s.Cells.Beside(ctx, p, cell)
}

func (s passStore) Earlier(ctx context.Context, p record.Pass, cell map[string]string) ([]record.Earlier, error) {
	return s.Cells.Earlier(ctx, p, cell)
}

func (s passStore) Settle(ctx context.Context, o record.Examined) error {
	return s.Cells.Settle(ctx, o)
}

func (s passStore) LastSystem(ctx context.Context, p record.Pass) (record.System, bool, error) {
	return s.Store.LastSystem(ctx, p.Bench, p.ID)
}

func (s passStore) KnownBroken(ctx context.Context, f pipeline.File, path string, why error) (bool, error) {
	return s.Store.KnownBroken(ctx, mark(f, path), why)
}

func (s passStore) RememberBroken(ctx context.Context, f pipeline.File, path string, why error) error {
	_, err := s.Store.RememberBroken(ctx, mark(f, path), why)
	return err
}

// alertQueue keeps alerts to slow channels in the store.
type alertQueue struct{ *store.Store }

func (q alertQueue) Enqueue(ctx context.Context, a notify.Queued) error {
	return q.Store.Enqueue(ctx, store.Alert{ID: a.ID, Channel: a.Channel, PassID: a.PassID, Payload: a.Payload})
}

func (q alertQueue) Due(ctx context.Context, now time.Time) ([]notify.Queued, error) {
	list, err := q.Store.Due(ctx, now)
	var out []notify.Queued
	for _, a := range list {
		out = append(out, notify.Queued{ID: a.ID, Channel: a.Channel, PassID: a.PassID, Payload: a.Payload,
			Attempts: a.Attempts})
	}
	return out, err
}
