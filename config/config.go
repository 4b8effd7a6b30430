// Package config holds the settings of both programs: defaults, then a TOML file, then
// flags. Every key is checked where it is set and an unknown key is an error with its
// line and column.
//
// Each area has a struct of its own in a file of its own, with its defaults in
// [Default] and its checks in a method check.
package config

import (
	"bytes"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"time"

	"github.com/pelletier/go-toml/v2"
	encoding "golang.org/x/text/encoding/unicode"
	"golang.org/x/text/transform"

	"capd.example/internal/text"
	"capd.example/internal/tomlerror"
)

// Config is the effective configuration.
type Config struct {
	Bench string `toml:"bench" comment:"name of this bench in every output"`
	Data  string `toml:"data" comment:"folder of the store"`
	Watch string `toml:"watch" comment:"folder that loggers write into"`

	Files    Files    `toml:"files"`
	Tags     Tags     `toml:"tags"`
	Expect   Expect   `toml:"expect"`
	Checks   Checks   `toml:"checks"`
	Notify   Notify   `toml:"notify"`
	System   System   `toml:"system"`
	Layouts  []Layout `toml:"layout"`
	Analysis Analysis `toml:"analysis"`
	Store    Store    `toml:"store"`
	Lab      Lab      `toml:"lab"`
	Page     Page     `toml:"page"`
	Campaign string   `toml:"campaign" comment:"campaign file; empty for none"`

	// From is the file that was read, "" for none.
	From string `toml:"-"`
}

// Files says which files are logs and when one is complete.
type Files struct {
	Patterns []string `toml:"patterns" comment:"names that are logs, as glob patterns"`
	QuietS   float64  `toml:"quiet_s" comment:"seconds without a change before a log counts as complete"`
	LatestS  float64  `toml:"latest_s" comment:"seconds after which the agent reads a silent log that a program still holds open"`
	PollS    float64  `toml:"poll_s" comment:"seconds between looks where the system sends no events (network shares); 0 decides by itself"`
	Existing bool     `toml:"existing" comment:"take logs that were in the folder before the first start"`
}

// Tags says how facts are read from a log's path and what else is known.
type Tags struct {
	Paths  []string          `toml:"paths" comment:"path templates below the watched folder, first match wins: {game}/{resolution}-{preset}/pass{pass}.csv"`
	Trust  []string          `toml:"trust" comment:"all sources of tags in rising order of trust; empty for plan, path, header, detected, hand"`
	Fixed  map[string]string `toml:"fixed" comment:"tags that hold for every pass of this bench"`
	Header map[string]string `toml:"header" comment:"heading key of a log = tag name; keys that are tag names need no entry"`
}

// Expect says what every pass should be like where no campaign says so.
type Expect struct {
	DurationS  float64   `toml:"duration_s" comment:"length of a pass in seconds; 0 for unknown"`
	ToleranceS float64   `toml:"tolerance_s" comment:"allowed difference in seconds; 0 for the check's default"`
	CapFPS     float64   `toml:"cap_fps" comment:"a frame cap that is meant; 0 for none"`
	RefreshHz  []float64 `toml:"refresh_hz" comment:"refresh rates at which a frame cap is suspected"`
	Passes     int       `toml:"passes" comment:"passes wanted per cell"`
}

// Checks says which validators run and with which parameters.
type Checks struct {
	Required  []string                     `toml:"required" comment:"checks without which a pass is only 'unverified'"`
	Off       []string                     `toml:"off" comment:"checks that do not run"`
	DeadlineS float64                      `toml:"deadline_s" comment:"seconds that a validator may take for one pass"`
	Folder    string                       `toml:"folder" comment:"folder of validators of your own; empty for none; others must not be able to write to it"`
	Pinned    map[string]string            `toml:"pinned" comment:"file in that folder = its SHA-256; what is not listed is not started"`
	Plain     []string                     `toml:"plain" comment:"files in that folder whose language cannot do mutual TLS; not on Windows"`
	MemoryMB  int                          `toml:"memory_mb" comment:"memory that the validators' process may hold, in MiB"`
	Params    map[string]map[string]string `toml:"params" comment:"[checks.params.NAME] parameter = value, as text"`
}

// Layout is a declared log layout, for what the structure of a log cannot tell.
type Layout struct {
	Name          string `toml:"name" comment:"your name for it"`
	Path          string `toml:"path" comment:"glob pattern that the log's path must match; empty for any"`
	Heading       string `toml:"heading" comment:"text that the heading line must contain; empty for any"`
	Column        string `toml:"column" comment:"heading of the column, or its position from 1"`
	Kind          string `toml:"kind" comment:"duration or timestamp"`
	Unit          string `toml:"unit" comment:"s, ms, us or ns"`
	Delimiter     string `toml:"delimiter" comment:"empty to find it"`
	Decimal       string `toml:"decimal" comment:". or , ; empty to find it"`
	SkipLines     int    `toml:"skip_lines" comment:"lines ahead of the heading that are not read"`
	Program       string `toml:"program" comment:"the program whose rows are used where a log holds several"`
	ProgramColumn string `toml:"program_column" comment:"heading or position of the column that names the program"`
}

// Default returns the configuration that is in force where nothing is set.
func Default() Config {
	host, err := os.Hostname()
	if err != nil || host == "" {
		host = "bench"
	}
	return Config{
		Bench: host,
		Data:  defaultData(),
		Watch: defaultWatch(),
		Files: Files{
			Patterns: []string{"*.csv", "*.tsv", "*.txt", "*.log", "*.jsonl", "*.gz", "*.zst"},
			QuietS:   2, LatestS: 600, Existing: true,
		},
		Expect:   Expect{Passes: 3},
		Checks:   Checks{Required: []string{"completeness"}, DeadlineS: 5, MemoryMB: 512},
		Notify:   defaultNotify(),
		Analysis: defaultAnalysis(),
	}
}

// Load reads the file at path as [Read] does, and checks the settings. The errors of several
// are joined, and each names the file.
func Load(path string) (Config, error) {
	c, err := Read(path)
	if err != nil {
		return c, err
	}
	return c, InFile(c.From, c.Check())
}

// InFile says of each of the joined errors in which configuration file it is.
func InFile(path string, err error) error {
	if joined, is := err.(interface{ Unwrap() []error }); is && path != "" {
		var all []error
		for _, e := range joined.Unwrap() {
			all = append(all, fmt.Errorf("configuration %s: %w", path, e))
		}
		return errors.Join(all...)
	}
	return err
}

// Read reads the file at path over the defaults; an empty path means the default file,
// which need not exist. It does not look at whether the settings make sense.
func Read(path string) (Config, error) {
	c := Default()
	asked := path != ""
	if !asked {
		path = DefaultFile()
	}
	text, err := os.ReadFile(path)
	if errors.Is(err, fs.ErrNotExist) && !asked {
		return c, nil
	}
	if err != nil {
		return c, fmt.Errorf("read configuration: %w", err)
	}
	c.From = path
	// Editors and shells of Windows write a byte order mark, or UTF-16.
	if text, _, err = transform.Bytes(encoding.BOMOverride(transform.Nop), text); err != nil {
		return c, fmt.Errorf("configuration %s: %w", path, err)
	}
	dec := toml.NewDecoder(bytes.NewReader(text)).DisallowUnknownFields()
	if err := dec.Decode(&c); err != nil {
		return c, fmt.Errorf("configuration %s: %w", path, tomlerror.Explain(err, moved))
	}
	// A relative folder is meant from where the file lies, not from where a program
	// happens to be started.
	from, err := filepath.Abs(path)
	if err != nil {
		return c, fmt.Errorf("configuration %s: %w", path, err)
	}
	for _, p := range []*string{&c.Data, &c.Watch, &c.Campaign, &c.Checks.Folder} {
		if *p != "" && !filepath.IsAbs(*p) {
			*p = filepath.Join(filepath.Dir(from), *p)
		}
	}
	return c, nil
}

// movedTo names the place of settings that once stood elsewhere.
var movedTo = map[string]string{
	"analysis.agreement":          "a parameter of the check: checks.params.agreement",
	"analysis.avg_limit_percent":  "a parameter of the check: checks.params.agreement",
	"analysis.low1_limit_percent": "a parameter of the check: checks.params.agreement",
}

// moved says where a setting is now.
func moved(key string) string {
	if to := movedTo[key]; to != "" {
		return ", which is " + to + " now"
	}
	return ""
}

// Check returns every setting that makes no sense, each named by its key, joined.
func (c Config) Check() error {
	var w wrong
	c.checkFolders(&w)
	c.Files.check(&w)
	c.Expect.check(&w)
	c.Checks.check(&w)
	c.Tags.check(&w)
	c.Notify.check(&w)
	c.Analysis.check(&w)
	c.Store.check(&w)
	c.Lab.check(&w)
	c.Page.check(&w)
	c.System.check(&w)
	return errors.Join(w...)
}

// wrong gathers the settings that make no sense.
type wrong []error

func (w *wrong) add(key, format string, args ...any) {
	*w = append(*w, fmt.Errorf("%s: %s", key, fmt.Sprintf(format, args...)))
}

// where adds key where the condition holds.
func (w *wrong) where(holds bool, key, format string, args ...any) {
	if holds {
		w.add(key, format, args...)
	}
}

func (c Config) checkFolders(w *wrong) {
	w.where(c.Bench == "", "bench", "is empty: give this bench a name")
	w.where(c.Data == "", "data", "is empty: name the folder of the store")
	w.where(c.Watch == "", "watch", "is empty: name the folder that loggers write into")
	w.where(c.Data != "" && c.Watch != "" && inside(c.Data, c.Watch),
		"data", "%s lies inside the watched folder %s: choose another folder", c.Data, c.Watch)
	for _, p := range []struct{ key, path string }{
		{"data", c.Data}, {"watch", c.Watch}, {"campaign", c.Campaign}, {"checks.folder", c.Checks.Folder},
	} {
		w.where(strings.ContainsFunc(p.path, text.Hostile), // "C:\bench\new" in double quotes
			p.key, "%q holds a character that is not printed: %s", p.path, tomlerror.AsPath)
	}
}

func (f Files) check(w *wrong) {
	w.where(len(f.Patterns) == 0, "files.patterns", "is empty: no file would ever be a log")
	for i, p := range f.Patterns {
		_, err := filepath.Match(p, "x")
		w.where(err != nil, fmt.Sprintf("files.patterns[%d]", i), "%q is not a glob pattern", p)
	}
	w.where(!(f.QuietS > 0 && f.QuietS <= 3600), "files.quiet_s", "%g is not between 0 and 3600 seconds", f.QuietS)
	w.where(f.LatestS < f.QuietS, "files.latest_s", "%g is less than files.quiet_s", f.LatestS)
	w.where(f.PollS < 0, "files.poll_s", "%g is negative", f.PollS)
}

func (e Expect) check(w *wrong) {
	w.where(e.DurationS < 0, "expect.duration_s", "%g is negative", e.DurationS)
	w.where(e.ToleranceS < 0, "expect.tolerance_s", "%g is negative", e.ToleranceS)
	w.where(e.CapFPS < 0, "expect.cap_fps", "%g is negative", e.CapFPS)
	w.where(e.Passes < 1, "expect.passes", "%d is less than 1", e.Passes)
	for i, r := range e.RefreshHz {
		w.where(!(r > 0), fmt.Sprintf("expect.refresh_hz[%d]", i), "%g is not a rate", r)
	}
}

func (c Checks) check(w *wrong) {
	w.where(!(c.DeadlineS > 0), "checks.deadline_s", "%g is not a time", c.DeadlineS)
	w.where(c.MemoryMB < 64, "checks.memory_mb", "%d is too little: a validator needs 64 or more", c.MemoryMB)
}

// Seconds turns a setting in seconds into a duration.
func Seconds(s float64) time.Duration { return time.Duration(s * float64(time.Second)) }

func inside(path, folder string) bool {
	rel, err := filepath.Rel(folder, path)
	return err == nil && rel != ".." && !strings.HasPrefix(rel, ".."+string(filepath.Separator))
}

// DefaultFile is where the configuration is looked for when none is named.
func DefaultFile() string {
	if d, err := os.UserConfigDir(); err == nil {
		return filepath.Join(d, "capd", "capd.toml")
	}
	return "capd.toml"
}

// StoreFile returns the path of the store in the data folder.
func (c Config) StoreFile() string { return filepath.Join(c.Data, "passes.db") }

func defaultData() string {
	if runtime.GOOS == "windows" {
		if d := os.Getenv("LOCALAPPDATA"); d != "" {
			return filepath.Join(d, "capd")
		}
		if d := os.Getenv("ProgramData"); d != "" {
			return filepath.Join(d, "capd")
		}
	} else if d := os.Getenv("XDG_DATA_HOME"); filepath.IsAbs(d) {
		return filepath.Join(d, "capd")
	}
	if h, err := os.UserHomeDir(); err == nil {
		return filepath.Join(h, ".local", "share", "capd")
	}
	return "capd-data"
}

func defaultWatch() string {
	if h, err := os.UserHomeDir(); err == nil {
		// Not below Documents, which Windows likes to keep elsewhere and in step with a cloud.
		return filepath.Join(h, "frame-logs")
	}
	return "frame-logs"
}
