package sysinfo

import (
	"context"
	"errors"
	"fmt"
	"math"
	"os"
	"strings"
	"time"

	"capd.example/record"
	"capd.example/sysinfo/nvml"
	"capd.example/sysinfo/recording"
	"capd.example/sysinfo/sensor"
	"capd.example/sysinfo/winsys"
	"github.com/rogpeppe/go-internal/txtar"
)

// recordedSamples is how many samples a recording has: every source then had two turns.
const recordedSamples = 9

// recordedFrom is the time of a recording's first sample; the others follow a second apart, so
// that a replay has the same rates.
var recordedFrom = time.Date(2026, 1, 1, 12, 0, 0, 0, time.UTC)

// Record asks the bench everything that detection and sampling ask, and returns a file of the
// answers that can be replayed elsewhere: a text archive with what a replay must show, and at its
// end a line for each thing that works, does not, or is not there. Serial numbers, addresses
// and names that people gave are left out. It takes as many seconds as it takes samples; more
// are lines for what this package does not know of.
func (b *Bench) Record(ctx context.Context, more ...Told) ([]byte, []Told, error) {
	var members []txtar.File
	var twin *Bench // answers as a replay will
	kept := winsys.NewRecorded()
	keep := func(a winsys.Asker) winsys.Asker {
		if a == nil {
			return nil
		}
		return winsys.Recorder{Asker: a, Kept: kept, Bare: recording.Bare}
	}
	comment := ", on Linux"
	if b.windows != nil {
		comment = ", on Windows"
		twin = New(Options{Windows: keep(b.windows), NVML: keep(b.library())})
	} else {
		// As they will be read, to the last byte.
		members = txtar.Parse(txtar.Format(&txtar.Archive{Files: recording.Linux(b.tree.Path("/"))})).Files
		folder, err := os.MkdirTemp("", "capd-recording")
		if err != nil {
			return nil, nil, err
		}
		defer os.RemoveAll(folder)
		if err := recording.Unpack(folder, members); err != nil {
			return nil, nil, fmt.Errorf("keep the machine's files: %w", err)
		}
		twin = New(Options{Root: folder, NVML: keep(b.library())})
	}
	benches := []*Bench{twin}
	if b.live {
		benches = append(benches, b)
	}
	seen, err := look(ctx, b.live, benches...)
	if err != nil {
		return nil, nil, err
	}
	archive := &txtar.Archive{}
	kept.Write(archive)
	members = append(members, archive.Files...)
	told := append(seen[len(seen)-1].told(), more...)
	lines := make([]string, len(told))
	for i, t := range told {
		lines[i] = t.String()
	}
	return recording.Format(comment+". Nothing in it names a person or this one machine.", members, seen[0].describe(), lines), told, nil
}

// Replay returns what a recorded machine shows, and what it showed when it was recorded.
func Replay(ctx context.Context, file []byte) (shows, showed string, err error) {
	a, err := recording.Parse(file)
	if err != nil {
		return "", "", err
	}
	o, err := answersIn(a)
	if err != nil {
		return "", "", err
	}
	if o.Windows == nil {
		folder, err := os.MkdirTemp("", "capd-recording")
		if err != nil {
			return "", "", err
		}
		defer os.RemoveAll(folder)
		if err := recording.Unpack(folder, a.Files); err != nil {
			return "", "", err
		}
		o.Root = folder
	}
	seen, err := look(ctx, false, New(o))
	if err != nil {
		return "", "", err
	}
	return seen[0].describe(), recording.Member(a, recording.Seen), nil
}

// library returns NVIDIA's library for a recording; nil where there is none.
func (b *Bench) library() winsys.Asker {
	if b.opt.NVML != nil || !b.live {
		return b.opt.NVML
	}
	own, _ := nvml.Load(nvml.File()) // handles are not shared with what the bench itself asks
	return own
}

// answersIn returns what answers in an archive: a Windows machine, NVIDIA's library, both or
// neither.
func answersIn(a *txtar.Archive) (o Options, err error) {
	var windows, library bool
	for _, f := range a.Files {
		if question, is := winsys.AnswerTo(f.Name); is {
			of := strings.HasPrefix(question, nvml.Prefix)
			library, windows = library || of, windows || !of
		}
	}
	if !windows && !library {
		return o, nil
	}
	r, err := winsys.ReadRecorded(a)
	if err != nil {
		return o, err
	}
	if windows {
		o.Windows = r
	}
	if library {
		o.NVML = r
	}
	return o, nil
}

// view is what a bench showed.
type view struct {
	system record.System
	cols   []sensor.Column
	row    []float64
	gaps   []record.Gap
}

// look detects benches and samples them side by side, in real seconds where they are live.
func look(ctx context.Context, live bool, benches ...*Bench) ([]view, error) {
	views := make([]view, len(benches))
	samplers := make([]*sampler, len(benches))
	for i, b := range benches {
		views[i].system = b.Detect(ctx)
		s, err := b.startSampling()
		if err != nil {
			return nil, err
		}
		defer b.stopSampling(s)
		s.turn.Store(1)
		samplers[i] = s
		views[i].row = make([]float64, len(b.ring.cols))
	}
	second := time.NewTicker(time.Second)
	defer second.Stop()
	for n := range recordedSamples {
		if live && n > 0 {
			select {
			case <-ctx.Done():
				return nil, ctx.Err()
			case <-second.C:
			}
		}
		done := make(chan struct{})
		go func() {
			defer close(done)
			for i, s := range samplers {
				s.sampleAt(1, views[i].row, recordedFrom.Add(time.Duration(n)*time.Second))
			}
		}()
		if err := patient(ctx, done, samplers); err != nil {
			return nil, err
		}
	}
	for i, b := range benches {
		views[i].cols, views[i].gaps = b.ring.cols, b.gaps
	}
	return views, nil
}

// patient waits for a sample; a source that does not come back is named.
func patient(ctx context.Context, done <-chan struct{}, samplers []*sampler) error {
	const patience = 20 * time.Second
	late := time.NewTimer(patience)
	defer late.Stop()
	select {
	case <-done:
		return nil
	case <-ctx.Done():
	case <-late.C:
	}
	for _, s := range samplers {
		if k := s.reading.Load(); k >= 0 {
			s.blocked[k].Store(true) // nobody closes what is in use
			return fmt.Errorf("%s: %s within %s", s.sources[k].Label(), didNotReturn, patience)
		}
	}
	return errors.Join(ctx.Err(), errors.New(didNotReturn))
}

// describe writes everything that was seen, a line for each field, series and gap.
func (v view) describe() string {
	var out strings.Builder
	out.WriteString(recording.System(v.system) + "\n")
	for i, c := range v.cols {
		if c.Name == sensor.ColumnFresh {
			continue
		}
		value := "no number"
		if !math.IsNaN(v.row[i]) {
			value = fmt.Sprintf("%.6g %s", v.row[i], c.Unit)
		}
		fmt.Fprintf(&out, "%-24s %-20s %s\n", c.Name, strings.TrimSpace(value), c.Source)
	}
	for _, g := range v.gaps {
		fmt.Fprintf(&out, "%-24s ? %-18s %s\n", g.Name, g.Why, g.Text)
	}
	return out.String()
}
