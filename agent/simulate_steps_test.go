package agent

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/fsnotify/fsnotify"

	"capd.example/campaign"
	"capd.example/framelog"
	"capd.example/record"
	"capd.example/store"
)

// logFile is a log in the folder.
type logFile struct {
	path string
	text []byte

	name  string    // of the recording that it holds
	grows bool      // its logger is at work
	last  time.Time // when it last wrote
	wants float64   // seconds to be recorded
	got   float64
	even  bool // every frame was written as it came, so that the log can be followed
}

// step does one thing that happens on a bench.
func (w *simulated) step() {
	if f := w.recording(); f != nil && w.rng.IntN(3) > 0 {
		w.record(f)
		return
	}
	deeds := []struct {
		weight int
		do     func()
	}{
		{20, w.arrives}, {10, w.begins}, {4, w.rename}, {3, w.rewrite}, {3, w.cut}, {3, w.vanish}, {4, w.copy}, {3, w.rubbish},
		{6, w.retag}, {4, w.overrule}, {8, w.order}, {3, w.desk},
		{4, w.sicken}, {4, w.hangUp}, {4, w.refuse}, {8, w.balk}, {4, w.crashNow}, {10, w.crashSoon}, {3, func() { w.say("time passes") }},
	}
	sum := 0
	for _, d := range deeds {
		sum += d.weight
	}
	at := w.rng.IntN(sum)
	for _, d := range deeds {
		if at -= d.weight; at < 0 {
			d.do()
			return
		}
	}
}

// place invents where a log of a cell lies.
func (w *simulated) place() string {
	cell := w.book.Plan.Cell(w.rng.IntN(w.book.Plan.Len()))
	w.recordings++
	return filepath.Join(w.watch, cell[record.TagGame], cell[record.TagResolution], fmt.Sprintf("%s %d.csv", cell[record.TagPreset], w.recordings))
}

// frames invents frame times of some seconds.
func (w *simulated) frames(seconds float64) (text []byte, got float64) {
	for got < seconds {
		ms := 25 + 10*w.rng.Float64()
		if w.rng.IntN(600) == 0 {
			ms = 700
		}
		text = fmt.Appendf(text, "%.3f\n", ms)
		got += ms / 1000
	}
	return text, got
}

const heading = "took_ms\n"

// recorded invents a whole log, or one that was stopped early.
func (w *simulated) recorded() []byte {
	seconds := 10.5
	if w.rng.IntN(4) == 0 {
		seconds = 1 + 6*w.rng.Float64()
	}
	text, _ := w.frames(seconds)
	return append([]byte(heading), text...)
}

// put writes a file as it stands now.
func (w *simulated) put(f *logFile, ops ...fsnotify.Op) {
	sum := sha256.Sum256(f.text)
	w.written[hex.EncodeToString(sum[:])] = f.name
	w.must(os.MkdirAll(filepath.Dir(f.path), 0o755))
	w.must(os.WriteFile(f.path, f.text, 0o644))
	w.must(os.Chtimes(f.path, time.Now(), time.Now()))
	w.read(f)
	for _, op := range ops {
		w.happens(f.path, op)
	}
}

// read notes where a log lies that cannot be read.
func (w *simulated) read(f *logFile) {
	if _, _, err := framelog.ReadFile(f.path, framelog.Options{}); err != nil {
		w.mu.Lock()
		w.unreadable[f.path] = true
		w.mu.Unlock()
	}
}

func (w *simulated) rel(path string) string { return strings.TrimPrefix(path, w.watch+"/") }

func (w *simulated) add(text []byte) *logFile {
	f := &logFile{path: w.place(), text: text}
	f.name = f.path
	w.files = append(w.files, f)
	w.put(f, fsnotify.Create, fsnotify.Write)
	return f
}

func (w *simulated) any() *logFile {
	if len(w.files) == 0 {
		return nil
	}
	return w.files[w.rng.IntN(len(w.files))]
}

func (w *simulated) recording() *logFile {
	for _, f := range w.files {
		if f.grows {
			return f
		}
	}
	return nil
}

func (w *simulated) arrives() {
	f := w.add(w.recorded())
	w.say("%s arrives, %d bytes", w.rel(f.path), len(f.text))
}

func (w *simulated) begins() {
	if w.recording() != nil {
		return
	}
	text, got := w.frames(4)
	f := &logFile{path: w.place(), text: append([]byte(heading), text...), grows: true, last: time.Now(), got: got, even: true}
	f.name, f.wants = f.path, 10.5
	if w.rng.IntN(4) == 0 {
		f.wants = 5
	}
	w.hold(f, w.rng.IntN(4) > 0)
	w.files = append(w.files, f)
	w.put(f, fsnotify.Create, fsnotify.Write)
	w.say("%s is being recorded", w.rel(f.path))
}

// hold says whether a logger has a file open.
func (w *simulated) hold(f *logFile, open bool) {
	w.mu.Lock()
	defer w.mu.Unlock()
	if delete(w.open, f.path); open {
		w.open[f.path] = true
	}
}

func (w *simulated) held(f *logFile) bool {
	w.mu.Lock()
	defer w.mu.Unlock()
	return w.open[f.path]
}

// record lets a recording go on for as long as it was since it wrote last.
func (w *simulated) record(f *logFile) {
	since := time.Since(f.last).Seconds()
	if since > 8 {
		f.even = false // the game stood still: where it started cannot be told any more
	}
	text, got := w.frames(min(since, 8))
	f.text, f.got, f.last = append(f.text, text...), f.got+got, time.Now()
	w.put(f, fsnotify.Write)
	if f.got >= f.wants {
		f.grows = false
		w.hold(f, false)
		w.say("%s is finished after %.1f s", w.rel(f.path), f.got)
		return
	}
	w.say("%s grows to %.1f s", w.rel(f.path), f.got)
}

func (w *simulated) rename() {
	f := w.any()
	if f == nil {
		return
	}
	old, open := f.path, w.held(f)
	w.hold(f, false)
	f.path = w.place()
	w.must(os.MkdirAll(filepath.Dir(f.path), 0o755))
	w.must(os.Rename(old, f.path))
	w.hold(f, open)
	w.read(f)
	w.say("%s is renamed to %s", w.rel(old), w.rel(f.path))
	w.happens(old, fsnotify.Rename)
	w.happens(f.path, fsnotify.Create)
}

func (w *simulated) rewrite() {
	f := w.any()
	if f == nil || f.grows {
		return
	}
	w.recordings++
	f.text, f.name = w.recorded(), fmt.Sprint(f.path, " rewritten ", w.recordings)
	w.say("%s is rewritten, %d bytes", w.rel(f.path), len(f.text))
	w.put(f, fsnotify.Write)
}

func (w *simulated) cut() {
	f := w.any()
	if f == nil || f.grows {
		return
	}
	w.recordings++
	f.text, f.name = f.text[:w.rng.IntN(len(f.text)+1)], fmt.Sprint(f.path, " cut ", w.recordings)
	w.say("%s is cut to %d bytes", w.rel(f.path), len(f.text))
	w.put(f, fsnotify.Write)
}

func (w *simulated) vanish() {
	f := w.any()
	if f == nil {
		return
	}
	w.hold(f, false)
	w.files = slices.DeleteFunc(w.files, func(g *logFile) bool { return g == f })
	w.must(os.Remove(f.path))
	w.say("%s is deleted", w.rel(f.path))
	w.happens(f.path, fsnotify.Remove)
}

func (w *simulated) copy() {
	f := w.any()
	if f == nil {
		return
	}
	f.even = false // its beginning may be a pass of its own from now on
	g := &logFile{path: w.place(), text: slices.Clone(f.text), name: f.name}
	w.files = append(w.files, g)
	w.say("%s is copied to %s", w.rel(f.path), w.rel(g.path))
	w.put(g, fsnotify.Create, fsnotify.Write)
}

func (w *simulated) rubbish() {
	f := w.add([]byte(fmt.Sprintf("note %d: the fan rattles\n", w.rng.Int())))
	w.say("%s is no log", w.rel(f.path))
}

// somePass picks a pass of those that are stored.
func (w *simulated) somePass() (record.Pass, bool) {
	list, err := w.hand.Passes(context.Background(), store.Filter{})
	w.must(err)
	if len(list) == 0 {
		return record.Pass{}, false
	}
	return list[w.rng.IntN(len(list))], true
}

// retag corrects a tag as capctl does that is killed before it has judged the pass again;
// the agent does that, sometimes only when the time of the other program is over.
func (w *simulated) retag() {
	p, ok := w.somePass()
	if !ok {
		return
	}
	f := w.book.Campaign.Factors[w.rng.IntN(len(w.book.Campaign.Factors))]
	name, value := f.Name, f.Levels[w.rng.IntN(len(f.Levels))]
	if w.rng.IntN(3) == 0 {
		name, value = "note", fmt.Sprint("window ", w.rng.IntN(3))
	}
	if w.rng.IntN(2) == 0 {
		w.must(w.hand.Hold(context.Background(), "capctl"))
	}
	if _, err := w.hand.Retag(context.Background(), []string{p.ID}, map[string]string{name: value}, "me", ""); err != nil {
		w.say("pass %s cannot be corrected: %v", p.ID, err)
		return
	}
	if w.tags[p.ID] == nil {
		w.tags[p.ID] = map[string]string{}
	}
	w.tags[p.ID][name] = value
	w.say("pass %s gets %s=%s by hand", p.ID, name, value)
}

func (w *simulated) overrule() {
	p, ok := w.somePass()
	if !ok {
		return
	}
	v := []record.Verdict{record.Clean, record.VerdictBad}[w.rng.IntN(2)]
	if err := w.hand.Overrule(context.Background(), p.ID, v, "I looked", "me"); err != nil {
		w.say("pass %s cannot be overruled: %v", p.ID, err)
		return
	}
	w.verdicts[p.ID] = overruled{p.Revision, v}
	w.say("pass %s is %s by hand", p.ID, v)
}

// order gives an order about the position, as capctl does.
func (w *simulated) order() {
	page, err := w.book.Read(context.Background(), w.hand, w.config.Bench)
	w.must(err)
	cell := w.rng.IntN(w.book.Plan.Len())
	o := campaign.Order{Verb: []campaign.Verb{campaign.Begin, campaign.Next, campaign.Back, campaign.Skip}[w.rng.IntN(4)], At: time.Now()}
	switch {
	case o.Verb == campaign.Back:
		o.Stay = true
	case o.Verb == campaign.Skip && page.Position.Cell >= 0 && w.rng.IntN(2) == 0:
		cell = page.Position.Cell
	case o.Verb == campaign.Begin:
		o.Stay = page.Coverage.State(cell).Complete()
	}
	o.Cell = w.book.Plan.Cell(cell)
	w.say("order: %s cell %d", o.Verb, cell)
	if err := w.book.Give(context.Background(), w.hand, w.config.Bench, o); err != nil {
		w.say("  which is not taken: %v", err)
		return
	}
	w.orders = append(w.orders, ordered{o.Verb, cell, o.Stay, o.At})
}

// turnTag is a tag that is given to one pass alone, with another value each time.
const turnTag = "turn"

// desk does what a person can tell the running agent.
func (w *simulated) desk() {
	w.mu.Lock()
	ag := w.life.agent
	w.mu.Unlock()
	if ag == nil {
		return
	}
	ctx := context.Background()
	switch w.rng.IntN(4) {
	case 0:
		w.say("paused")
		w.must(ag.service.Pause(ctx, ""))
	case 1:
		w.say("goes on")
		w.must(ag.service.Resume(ctx))
	case 2:
		tags, once := map[string]string{"ambient": "20"}, w.rng.IntN(2) == 0
		if once {
			w.turns++
			tags = map[string]string{turnTag: strconv.Itoa(w.turns)}
		}
		w.say("the coming passes get %v, one alone: %v", tags, once)
		if err := ag.service.Begin(ctx, tags, once); err != nil {
			w.say("  %v", err) // the store refuses just now: it is said, and the tags are in force
		}
	case 3:
		w.say("is asked how it is")
		if _, err := ag.service.Status(ctx); err != nil {
			w.say("  no answer: %v", err)
		}
	}
}

// while sets the end of something that goes wrong for a time.
func (w *simulated) while(end *time.Time) time.Duration {
	d := time.Duration(w.rng.Int64N(int64(time.Minute)))
	if w.rng.IntN(6) == 0 {
		d = time.Duration(w.rng.Int64N(int64(time.Hour)))
	}
	w.mu.Lock()
	defer w.mu.Unlock()
	*end = time.Now().Add(d)
	return d
}

func (w *simulated) sicken() {
	hangs := w.rng.IntN(2) == 0
	w.mu.Lock()
	w.hangs = hangs
	w.mu.Unlock()
	w.say("validators give no answer for %s, late: %v", w.while(&w.sick), hangs)
}

func (w *simulated) hangUp() {
	late := w.rng.IntN(2) == 0
	w.mu.Lock()
	w.late = late
	w.mu.Unlock()
	w.say("no alert arrives for %s, late: %v", w.while(&w.down), late)
}

func (w *simulated) refuse() { w.say("the store takes nothing for %s", w.while(&w.refuses)) }

func (w *simulated) balk() {
	w.mu.Lock()
	w.life.balks = w.rng.IntN(9) + 1
	n := w.life.balks
	w.mu.Unlock()
	w.say("the store refuses commit %d from now", n)
}

func (w *simulated) crashNow() {
	w.say("crash")
	w.crash()
}

func (w *simulated) crashSoon() {
	w.mu.Lock()
	w.life.commits, w.life.keep = w.rng.IntN(9), w.rng.IntN(2) == 0
	n, keep := w.life.commits, w.life.keep
	w.mu.Unlock()
	w.say("crash at commit %d from now, which counts: %v", n, keep)
}
