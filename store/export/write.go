package export

import (
	"bufio"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path"
	"path/filepath"
	"regexp"
	"slices"
	"strings"

	"capd.example/record"
	"capd.example/store"
)

// Format is the form of the tables in a package.
type Format string

// The formats.
const (
	Parquet   Format = "parquet"
	CSV       Format = "csv"
	JSONLines Format = "jsonl" // the one that [Read] takes in
)

// perPart is how many passes share one file: few enough that a correction rewrites
// little, many enough that the files are not tiny.
const perPart = 200

// framesPerPart is from how many frames on a part is full all the same: [Read] holds one whole.
const framesPerPart = 1 << 25

// packageName tells our packages from others.
const packageName = "capd-passes"

// stateFile remembers what a folder holds, so that the next export writes only what is
// new or has changed.
const stateFile = "exported.json"

// state is the content of [stateFile].
type state struct {
	Format Format `json:"format"`
	Parts  []part `json:"parts"`
}

// part is one group of passes that share their files.
type part struct {
	Folder string            `json:"folder"` // campaign=.../game=..., with slashes
	Name   string            `json:"name"`
	Passes map[string]string `json:"passes"` // id to digest
}

func (p part) file(table string, f Format) string {
	return path.Join(table, p.Folder, p.Name+"."+string(f))
}

var tables = []struct {
	name    string
	columns []column
	about   string
}{
	{"passes", passColumns, "one row per pass"},
	{"frames", frameColumns, "one row per frame"},
	{"telemetry", telemetryColumns, "one row per sample and quantity"},
}

// Done says what an export wrote.
type Done struct {
	Written   int // passes written now
	Unchanged int // passes that were there already
	Files     int // files written now
	Notes     int // notes about the passes that stand
	// NotesLeftOut says which notes were not written since they are damaged, nil where none is.
	NotesLeftOut error
}

// Source is where the passes come from: the store of a bench or the database of a lab.
type Source interface {
	Each(ctx context.Context, f store.Filter, fn func(record.Pass) error) error
	Whole(ctx context.Context, id string) (store.Arrival, error)
}

// Write brings the package in the folder dir up to date with the selected passes of a
// source: what is new or changed is written, what was taken back is removed, the rest
// stays untouched. A crash leaves a folder that the next export mends.
func Write(ctx context.Context, s Source, f store.Filter, dir string, format Format) (Done, error) {
	w := &writer{store: s, dir: dir, format: format}
	if err := w.run(ctx, f); err != nil {
		return w.done, fmt.Errorf("export to %s: %w", dir, err)
	}
	return w.done, nil
}

type writer struct {
	store  Source
	dir    string
	root   *os.Root
	format Format
	state  state
	done   Done
	notes  []record.Note // about the selected passes
}

func (w *writer) run(ctx context.Context, f store.Filter) (err error) {
	if err := os.MkdirAll(w.dir, 0o755); err != nil {
		return err
	}
	// All writing goes through a root that no name can leave.
	if w.root, err = os.OpenRoot(w.dir); err != nil {
		return err
	}
	defer w.root.Close()
	if err := w.load(); err != nil {
		return err
	}
	pending, stale, err := w.compare(ctx, f)
	if err != nil {
		return err
	}
	keep := slices.DeleteFunc(slices.Clone(w.state.Parts), func(p part) bool { return stale[p.file("", w.format)] })
	folders := make([]string, 0, len(pending))
	for folder := range pending {
		folders = append(folders, folder)
	}
	slices.Sort(folders)
	for _, folder := range folders {
		for _, group := range groups(pending[folder]) {
			p, err := w.write(ctx, folder, group)
			if err != nil {
				return err
			}
			keep = append(keep, p)
		}
	}
	if err := w.writeNotes(); err != nil {
		return err
	}
	old := w.state.Parts
	w.state.Parts = keep
	if err := w.describe(); err != nil {
		return err
	}
	if err := w.save(stateFile, w.state); err != nil {
		return err
	}
	return w.remove(old, keep)
}

// entry is a pass to be written.
type entry struct {
	id     string
	frames int
}

// groups divides passes into parts.
func groups(passes []entry) (out [][]string) {
	var group []string
	frames := 0
	for i, p := range passes {
		group, frames = append(group, p.id), frames+p.frames
		if len(group) == perPart || frames >= framesPerPart || i == len(passes)-1 {
			out, group, frames = append(out, group), nil, 0
		}
	}
	return out
}

func (w *writer) load() error {
	w.state = state{Format: w.format}
	text, err := w.root.ReadFile(stateFile)
	if errors.Is(err, fs.ErrNotExist) {
		return w.mustBeEmpty()
	}
	if err != nil {
		return err
	}
	if err := json.Unmarshal(text, &w.state); err != nil {
		return fmt.Errorf("%s cannot be read (%w): choose another folder", stateFile, err)
	}
	if w.state.Format != w.format {
		return fmt.Errorf("the folder holds %s already: choose another folder for %s", w.state.Format, w.format)
	}
	return nil
}

// What an export writes, as folders and as files. The state is not among the files: where
// there is one the export is known to be ours.
var (
	ownFolder = regexp.MustCompile(`^(\.|notes|(passes|frames|telemetry)(/campaign=[^/]+(/game=[^/]+)?)?)$`)
	ownFile   = regexp.MustCompile(`^((datapackage|exported)\.json\.tmp|datapackage\.json|notes/(notes\.[a-z]+|unfinished\.tmp)|(passes|frames|telemetry)/campaign=[^/]+/game=[^/]+/(part-[0-9a-f]{16}\.[a-z]+|unfinished\.tmp))$`)
)

// mustBeEmpty keeps an export from mixing with files that are not its own. One that was
// killed before it could note what it wrote left nothing but its own.
func (w *writer) mustBeEmpty() error {
	return fs.WalkDir(w.root.FS(), ".", func(name string, d fs.DirEntry, err error) error {
		switch {
		case err != nil:
			return err
		case d.IsDir() && ownFolder.MatchString(name), d.Type().IsRegular() && ownFile.MatchString(name) &&
			(name != "datapackage.json" || w.describedByUs()):
			return nil
		}
		return fmt.Errorf("the folder holds other files (%s): choose a new or an empty one", name)
	})
}

// describedByUs reports whether the description in the folder is of an export.
func (w *writer) describedByUs() bool {
	var d struct {
		Name string `json:"name"`
	}
	text, err := w.root.ReadFile("datapackage.json")
	return err == nil && json.Unmarshal(text, &d) == nil && d.Name == packageName
}

// compare finds the passes to be written, by folder, and the parts that are out of date.
func (w *writer) compare(ctx context.Context, f store.Filter) (pending map[string][]entry, stale map[string]bool,
	err error) {
	notes, err := w.allNotes(ctx)
	if err != nil {
		return nil, nil, err
	}
	folderOf, digestOf, order := map[string]string{}, map[string]string{}, []entry{}
	err = w.store.Each(ctx, f, func(p record.Pass) error {
		text, err := json.Marshal(p)
		if err != nil {
			return err
		}
		sum := sha256.Sum256(text)
		folderOf[p.ID] = path.Join("campaign="+folderName(p.Tags.Value(record.TagCampaign)),
			"game="+folderName(p.Tags.Value(record.TagGame)))
		digestOf[p.ID] = hex.EncodeToString(sum[:12])
		order = append(order, entry{p.ID, p.Metrics.Frames})
		notes.meet(p.Tags)
		return nil
	})
	if err != nil {
		return nil, nil, err
	}
	w.notes = notes.met()
	there, stale := map[string]bool{}, map[string]bool{}
	for _, p := range w.state.Parts {
		if w.outOfDate(p, folderOf, digestOf) {
			stale[p.file("", w.format)] = true
			continue
		}
		for id := range p.Passes {
			there[id] = true
			w.done.Unchanged++
		}
	}
	pending = map[string][]entry{}
	for _, p := range order {
		if !there[p.id] {
			pending[folderOf[p.id]] = append(pending[folderOf[p.id]], p)
		}
	}
	return pending, stale, nil
}

func (w *writer) outOfDate(p part, folderOf, digestOf map[string]string) bool {
	for id, digest := range p.Passes {
		if folderOf[id] != p.Folder || digestOf[id] != digest {
			return true
		}
	}
	for _, t := range tables {
		if _, err := w.root.Stat(p.file(t.name, w.format)); err != nil {
			return true
		}
	}
	return false
}

// write writes the three files of one part under other names and renames them when they
// are whole.
func (w *writer) write(ctx context.Context, folder string, ids []string) (part, error) {
	p := part{Folder: folder, Passes: map[string]string{}}
	sum := sha256.New()
	var open [3]*partFile
	defer func() {
		for _, f := range open {
			f.abandon()
		}
	}()
	for i, t := range tables {
		f, err := w.create(path.Join(t.name, folder), t.columns)
		if err != nil {
			return p, err
		}
		open[i] = f
	}
	err := w.wholes(ctx, ids, func(a store.Arrival) error {
		text, err := json.Marshal(a.Pass)
		if err != nil {
			return err
		}
		digest := sha256.Sum256(text)
		p.Passes[a.Pass.ID] = hex.EncodeToString(digest[:12])
		sum.Write(digest[:])
		row, err := passValues(a)
		if err == nil {
			err = open[0].row(row)
		}
		if err == nil {
			err = eachFrame(a, open[1].row)
		}
		if err == nil {
			err = eachSample(a, open[2].row)
		}
		return err
	})
	if err != nil {
		return p, err
	}
	p.Name = "part-" + hex.EncodeToString(sum.Sum(nil)[:8])
	for i, t := range tables {
		if err := open[i].finish(p.file(t.name, w.format)); err != nil {
			return p, err
		}
		w.done.Files++
	}
	w.done.Written += len(ids)
	return p, nil
}

// wholes reads passes; from a lab many at once, since each question costs a way through the network.
func (w *writer) wholes(ctx context.Context, ids []string, fn func(store.Arrival) error) error {
	if far, is := w.store.(interface {
		Wholes(context.Context, []string, func(store.Arrival) error) error
	}); is {
		return far.Wholes(ctx, ids, fn)
	}
	for _, id := range ids {
		if err := ctx.Err(); err != nil {
			return err
		}
		a, err := w.store.Whole(ctx, id)
		if err == nil {
			err = fn(a)
		}
		if err != nil {
			return err
		}
	}
	return nil
}

// partFile is a file on its way.
type partFile struct {
	sink
	root *os.Root
	name string
	f    *os.File
	buf  *bufio.Writer
}

func (w *writer) create(folder string, columns []column) (*partFile, error) {
	if err := w.root.MkdirAll(folder, 0o755); err != nil {
		return nil, err
	}
	name := path.Join(folder, "unfinished.tmp")
	f, err := w.fresh(name)
	if err != nil {
		return nil, err
	}
	p := &partFile{root: w.root, name: name, f: f, buf: bufio.NewWriterSize(f, 1<<16)}
	if p.sink, err = newSink(w.format, p.buf, columns); err != nil {
		p.abandon()
		return nil, err
	}
	return p, nil
}

// fresh makes a file anew. What an earlier attempt left under its name goes; a link there is
// not followed.
func (w *writer) fresh(name string) (*os.File, error) {
	if err := w.root.Remove(name); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return nil, err
	}
	return w.root.OpenFile(name, os.O_CREATE|os.O_EXCL|os.O_WRONLY, 0o644)
}

func (p *partFile) finish(name string) error {
	err := p.sink.close()
	if err == nil {
		err = p.buf.Flush()
	}
	if err == nil {
		err = p.f.Sync()
	}
	if e := p.f.Close(); err == nil {
		err = e
	}
	p.f = nil
	if err == nil {
		err = p.root.Rename(p.name, name)
	}
	return err
}

func (p *partFile) abandon() {
	if p != nil && p.f != nil {
		p.f.Close()
		p.root.Remove(p.name)
	}
}

// remove deletes the files of parts that are no longer kept. It comes after the new
// state was written, so a crash can leave too much and never too little.
func (w *writer) remove(old, keep []part) error {
	kept := map[string]bool{}
	for _, p := range keep {
		kept[p.file("", w.format)] = true
	}
	for _, p := range old {
		if kept[p.file("", w.format)] {
			continue
		}
		for _, t := range tables {
			if err := w.root.Remove(p.file(t.name, w.format)); err != nil && !errors.Is(err, fs.ErrNotExist) {
				return err
			}
		}
	}
	return nil
}

func (w *writer) save(name string, v any) error {
	text, err := json.MarshalIndent(v, "", " ")
	if err != nil {
		return err
	}
	f, err := w.fresh(name + ".tmp")
	if err != nil {
		return err
	}
	_, err = f.Write(append(text, '\n'))
	if err == nil {
		err = f.Sync()
	}
	if e := f.Close(); err == nil {
		err = e
	}
	if err != nil {
		return err
	}
	return w.root.Rename(name+".tmp", name)
}

// folderName writes a tag's value so that it is one harmless directory name on every
// system: other bytes than letters, digits, "-" and "_" as %XX, an empty value as the
// name that readers of such folders know for it, a very long one cut and told apart by
// its hash.
func folderName(value string) string {
	if value == "" {
		return "__HIVE_DEFAULT_PARTITION__"
	}
	var b strings.Builder
	for i := range len(value) {
		c := value[i]
		if c >= 'a' && c <= 'z' || c >= 'A' && c <= 'Z' || c >= '0' && c <= '9' || c == '-' || c == '_' {
			b.WriteByte(c)
		} else {
			fmt.Fprintf(&b, "%%%02X", c)
		}
	}
	name := b.String()
	if len(name) <= 120 {
		return name
	}
	sum := sha256.Sum256([]byte(value))
	cut := name[:100]
	if i := strings.LastIndexByte(cut, '%'); i > len(cut)-3 {
		cut = cut[:i]
	}
	return cut + "_" + hex.EncodeToString(sum[:6])
}

// describe writes the data package's description.
func (w *writer) describe() error {
	type field struct {
		Name        string `json:"name"`
		Type        string `json:"type"`
		Description string `json:"description,omitempty"`
	}
	type resource struct {
		Name        string   `json:"name"`
		Description string   `json:"description"`
		Profile     string   `json:"profile"`
		Path        []string `json:"path"`
		Format      string   `json:"format"`
		Schema      struct {
			Fields []field `json:"fields"`
		} `json:"schema"`
	}
	var list []resource
	names := map[kind]string{text: "string", integer: "integer", number: "number", moment: "datetime"}
	add := func(name, about string, columns []column, paths []string) {
		r := resource{Name: name, Description: about, Profile: "tabular-data-resource", Format: string(w.format), Path: paths}
		for _, c := range columns {
			r.Schema.Fields = append(r.Schema.Fields, field{c.name, names[c.kind], c.about})
		}
		list = append(list, r)
	}
	for _, t := range tables {
		paths := []string{}
		for _, p := range w.state.Parts {
			paths = append(paths, filepath.ToSlash(p.file(t.name, w.format)))
		}
		slices.Sort(paths)
		add(t.name, t.about, t.columns, paths)
	}
	if len(w.notes) > 0 {
		add(notesTable, "one row per note of the reviewer's, or per taking back of one", noteColumns,
			[]string{notesFile(w.format)})
	}
	return w.save("datapackage.json", map[string]any{
		"profile": "data-package", "name": packageName, "version": packageVersion,
		"title": "Recorded passes with frame times and telemetry", "resources": list,
	})
}
