package export

import (
	"archive/zip"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"math"
	"os"
	"path"
	"strings"
	"time"

	"capd.example/metrics"
	"capd.example/record"
	"capd.example/store"
)

// Taken says what became of a package that was taken in.
type Taken struct {
	New     int `json:"new"`
	Known   int `json:"known"`   // stored before, by the hash of the log
	Kept    int `json:"kept"`    // stored before and otherwise in the package: as they were they stay
	Renewed int `json:"renewed"` // taken in before; their logs have grown on their bench since
	Notes   int `json:"notes"`   // notes that are new here, and takings back of such

	Refused []Refusal `json:"refused,omitempty"`

	IDs []string `json:"-"` // of the passes that are here now
}

// Refusal is a pass of a package that contradicts itself.
type Refusal struct {
	Pass string `json:"pass"`
	Log  string `json:"log"`
	Why  string `json:"why"`
}

// Limits on what a package may make us hold in memory.
const (
	maxLine   = 16 << 20
	maxFrames = 10_000_000
	maxHeld   = 1 << 30 // bytes of one part
)

// budget is how many bytes a part may still take in memory, about.
type budget int64

func (b *budget) take(bytes int) error {
	if *b -= budget(bytes); *b < 0 {
		return errors.New("its passes would take too much memory: ask for a package of fewer passes")
	}
	return nil
}

// What is held of a part, in bytes.
const (
	heldOfText   = 8 // for each one of a pass: small objects take more than their text
	heldOfValue  = 8
	heldOfTime   = 24
	heldOfSeries = 128 // and its names
)

// Read takes the passes of a package, a folder in any of the formats or a file that [Pack]
// wrote, into the store, each exactly once. A package is not trusted: no name in it can leave its folder, every value is checked before
// it is stored, and figures are computed from the frame times that came with them; a pass
// whose figures say otherwise is refused, and the others go on. What is here is never
// changed by it but where [store.Store.Adopt] says so. Passes taken in before an error stay;
// reading it again goes on.
func Read(ctx context.Context, s *store.Store, name string) (Taken, error) {
	return read(ctx, s, name, maxHeld)
}

func read(ctx context.Context, s *store.Store, name string, most budget) (Taken, error) {
	info, err := os.Stat(name)
	if err != nil {
		return Taken{}, fmt.Errorf("import: %w", err)
	}
	if !info.IsDir() {
		z, err := zip.OpenReader(name)
		if err != nil {
			return Taken{}, fmt.Errorf("import %s: this is no package: %w", name, err)
		}
		defer z.Close()
		return readFrom(ctx, s, name, z, most)
	}
	root, err := os.OpenRoot(name)
	if err != nil {
		return Taken{}, fmt.Errorf("import: %w", err)
	}
	defer root.Close()
	return readFrom(ctx, s, name, root.FS(), most)
}

// readFrom takes in what lies in a folder or in a file of several; dir names it in errors.
func readFrom(ctx context.Context, s *store.Store, dir string, root fs.FS, most budget) (Taken, error) {
	var t Taken
	parts, format, noted, err := partsOf(root)
	if err != nil {
		return t, fmt.Errorf("import %s: %w", dir, err)
	}
	for _, p := range parts {
		list, err := readPart(ctx, root, p, format, most)
		if err != nil {
			return t, fmt.Errorf("import %s: %w", dir, err)
		}
		for _, a := range list {
			if why := recompute(&a); why != "" {
				t.Refused = append(t.Refused, Refusal{a.Pass.ID, a.Pass.Log, why})
				continue
			}
			id, became, err := s.Adopt(ctx, a)
			if err != nil {
				return t, fmt.Errorf("import %s: pass %s: %w", dir, a.Pass.ID, err)
			}
			t.IDs = append(t.IDs, id)
			switch became {
			case store.TakenIn:
				t.New++
			case store.Renewed:
				t.Renewed++
			case store.Kept:
				t.Kept++
			default:
				t.Known++
			}
		}
	}
	if noted {
		if t.Notes, err = readNotes(ctx, s, root, format); err != nil {
			return t, fmt.Errorf("import %s: %w", dir, err)
		}
	}
	return t, nil
}

// recompute puts the figures of its frame times into a pass and says where it claims others.
func recompute(a *store.Arrival) string {
	m, err := metrics.Compute(a.Frames)
	if err != nil {
		return "its frame times give no figures: " + err.Error()
	}
	if what := metrics.Differ(a.Pass.Metrics, m); what != "" {
		return "its figures are not those of its frame times: " + what
	}
	a.Pass.Metrics = m
	return ""
}

// packageVersion is that of the packages that [Write] makes. A later one may mean something
// else by the same names.
const packageVersion = "1"

const maxDescription = 64 << 20

// partName returns the path of a part below the folder of a table, if it is a harmless one.
func partName(p string) (string, bool) {
	rest, ok := strings.CutPrefix(p, "passes/")
	return rest, ok && path.Clean(p) == p && fs.ValidPath(p) && !strings.ContainsAny(p, "\\\x00:")
}

// partsOf reads the description and returns, for each part, its path below the folder of
// a table, and whether there are notes.
func partsOf(root fs.FS) (parts []string, format Format, noted bool, err error) {
	info, err := fs.Stat(root, "datapackage.json")
	if err != nil {
		return nil, "", false, fmt.Errorf("this is no package: %w", err)
	}
	if !info.Mode().IsRegular() || info.Size() > maxDescription {
		return nil, "", false, fmt.Errorf("this is no package: datapackage.json is not a plain file of %d MiB or less",
			maxDescription>>20)
	}
	text, err := fs.ReadFile(root, "datapackage.json")
	if err != nil {
		return nil, "", false, fmt.Errorf("this is no package: %w", err)
	}
	var d struct {
		Version   string `json:"version"`
		Resources []struct {
			Name   string   `json:"name"`
			Format string   `json:"format"`
			Path   []string `json:"path"`
		} `json:"resources"`
	}
	if err := json.Unmarshal(text, &d); err != nil {
		return nil, "", false, fmt.Errorf("datapackage.json: %w", err)
	}
	if d.Version != "" && d.Version != packageVersion { // the first ones bore none
		return nil, "", false, fmt.Errorf(
			"the package is of version %.40q, this program knows version %s: update this program",
			d.Version,
			packageVersion,
		)
	}
	there := false
	for _, r := range d.Resources {
		noted = noted || r.Name == notesTable
		if r.Name != "passes" || there {
			continue
		}
		there, format = true, Format(r.Format)
		if format != JSONLines && format != CSV && format != Parquet {
			return nil, "", false, fmt.Errorf("the package is in %.40q, which is none of jsonl, csv and parquet", r.Format)
		}
		for _, p := range r.Path {
			rest, ok := partName(p)
			if !ok {
				return nil, "", false, fmt.Errorf("datapackage.json names the file %q, which is not a place for a table", p)
			}
			parts = append(parts, rest)
		}
	}
	if !there {
		return nil, "", false, errors.New("datapackage.json names no table of passes")
	}
	return parts, format, noted, nil
}

func readPart(ctx context.Context, root fs.FS, part string, format Format, left budget) ([]store.Arrival, error) {
	var order []string
	passes := map[string]*store.Arrival{}
	err := eachRow(ctx, root, "passes/"+part, format, passColumns, func(line []byte) error {
		if err := left.take(heldOfText * len(line)); err != nil {
			return err
		}
		a, err := readPass(line)
		if err != nil {
			return err
		}
		if passes[a.Pass.ID] != nil {
			return fmt.Errorf("pass %s stands in it twice", a.Pass.ID)
		}
		passes[a.Pass.ID] = &a
		order = append(order, a.Pass.ID)
		return nil
	})
	if err == nil {
		err = eachRow(
			ctx,
			root,
			"frames/"+part,
			format,
			frameColumns,
			func(line []byte) error { return readFrame(line, passes, &left) },
		)
	}
	if err == nil {
		err = eachRow(
			ctx,
			root,
			"telemetry/"+part,
			format,
			telemetryColumns,
			func(line []byte) error { return readSample(line, passes, &left) },
		)
	}
	if err != nil {
		return nil, err
	}
	var out []store.Arrival
	for _, id := range order {
		out = append(out, *passes[id])
	}
	return out, nil
}

func readPass(line []byte) (a store.Arrival, err error) {
	var row struct {
		Pass     string `json:"pass"`
		Fields   string `json:"system_fields"`
		More     string `json:"telemetry_more"`
		Decimals int    `json:"decimals"`
	}
	if err := json.Unmarshal(line, &row); err != nil {
		return a, err
	}
	if err := json.Unmarshal([]byte(row.Pass), &a.Pass); err != nil {
		return a, fmt.Errorf("the column pass: %w", err)
	}
	if row.Fields != "" && row.Fields != "null" {
		if err := json.Unmarshal([]byte(row.Fields), &a.System.Fields); err != nil {
			return a, fmt.Errorf("the column system_fields: %w", err)
		}
	}
	if row.More != "" {
		var more telemetryMore
		if err := json.Unmarshal([]byte(row.More), &more); err != nil {
			return a, fmt.Errorf("the column telemetry_more: %w", err)
		}
		a.Telemetry = &record.Telemetry{Processes: more.Processes, Missing: more.Missing}
	}
	a.Frames.Decimals = row.Decimals
	a.System.ID = a.Pass.System
	return a, checkPass(a)
}

// checkPass refuses what no store has written.
func checkPass(a store.Arrival) error {
	if p := a.Pass; !p.Dated() || p.EndedAt.Before(p.StartedAt) {
		return fmt.Errorf("it ran from %v to %v, which is not possible", p.StartedAt, p.EndedAt)
	}
	return a.Check()
}

func readFrame(line []byte, passes map[string]*store.Arrival, left *budget) error {
	var row struct {
		Pass string   `json:"pass"`
		N    int      `json:"n"`
		MS   *float64 `json:"ms"`
	}
	if err := json.Unmarshal(line, &row); err != nil {
		return err
	}
	a := passes[row.Pass]
	switch {
	case a == nil:
		return fmt.Errorf("frame of pass %.40q, which is not in this part", row.Pass)
	case row.N != len(a.Frames.MS)+1:
		return fmt.Errorf("frame %d where frame %d is due", row.N, len(a.Frames.MS)+1)
	case row.N > maxFrames:
		return fmt.Errorf("more than %d frames", maxFrames)
	case row.MS == nil || *row.MS < 0 || math.IsInf(*row.MS, 0):
		return errors.New("a frame time is missing or negative")
	}
	a.Frames.MS = append(a.Frames.MS, *row.MS)
	return left.take(heldOfValue)
}

func readSample(line []byte, passes map[string]*store.Arrival, left *budget) error {
	var row struct {
		Pass   string    `json:"pass"`
		Series string    `json:"series"`
		Unit   string    `json:"unit"`
		Source string    `json:"source"`
		N      int       `json:"n"`
		At     time.Time `json:"at"`
		Value  *float64  `json:"value"`
	}
	if err := json.Unmarshal(line, &row); err != nil {
		return err
	}
	a := passes[row.Pass]
	if a == nil {
		return fmt.Errorf("sample of pass %.40q, which is not in this part", row.Pass)
	}
	if a.Telemetry == nil {
		a.Telemetry = &record.Telemetry{}
	}
	t := a.Telemetry
	if k := len(t.Series); k == 0 || t.Series[k-1].Name != row.Series {
		if row.N != 1 || k >= 10000 {
			return fmt.Errorf("sample %d of the series %.80q comes first", row.N, row.Series)
		}
		if err := left.take(heldOfSeries + len(row.Series) + len(row.Unit) + len(row.Source)); err != nil {
			return err
		}
		t.Series = append(t.Series, record.Series{Name: row.Series, Unit: row.Unit, Source: row.Source})
	}
	s := &t.Series[len(t.Series)-1]
	if row.N != len(s.Values)+1 || row.N > maxFrames {
		return fmt.Errorf("sample %d where sample %d is due", row.N, len(s.Values)+1)
	}
	value := math.NaN()
	if row.Value != nil {
		value = *row.Value
	}
	s.Values = append(s.Values, value)
	held := heldOfValue
	if len(t.At) < row.N {
		t.At = append(t.At, row.At)
		held += heldOfTime
	}
	return left.take(held)
}
