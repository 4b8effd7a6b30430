package main

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"maps"
	"os"
	"reflect"
	"slices"
	"strings"

	"github.com/pelletier/go-toml/v2"

	"capd.example/agent"
	"capd.example/config"
	"capd.example/internal/cli"
	"capd.example/internal/logbook"
	"capd.example/plugins/bundled"
	"capd.example/record"
	"capd.example/tag"
)

// checkCmd is `capd check`.
type checkCmd struct{}

func (checkCmd) Run(a *app) error {
	c := a.config
	from := c.From
	if from == "" {
		from = "none (defaults; put one at " + config.DefaultFile() + ")"
	}
	fmt.Fprintf(a.stderr, "configuration file: %s\n", from)
	fmt.Fprintf(a.stderr, "capd would watch %s for %v and keep passes in %s\n", c.Watch, c.Files.Patterns, c.StoreFile())
	wrong := agent.WrongSettings(c)
	if len(c.Tags.Paths) == 0 {
		fmt.Fprintln(a.stderr, "tags.paths is empty: game, resolution, preset and pass will be unknown unless a log's heading names them")
	}
	if info, err := os.Stat(c.Watch); errors.Is(err, fs.ErrNotExist) {
		fmt.Fprintln(a.stderr, "the watched folder does not exist yet: 'capd run' makes it")
	} else if err != nil {
		wrong = append(wrong, fmt.Errorf("watch: %w", err))
	} else if !info.IsDir() {
		wrong = append(wrong, fmt.Errorf("watch: %s is a file, not a folder", c.Watch))
	}
	if info, err := os.Stat(c.Data); err == nil && !info.IsDir() {
		wrong = append(wrong, fmt.Errorf("data: %s is a file, not a folder", c.Data))
	}
	if err := aboutCampaign(a.stderr, c); err != nil {
		wrong = append(wrong, err)
	}
	c.Notify, c.Lab = c.Notify.Hidden(), c.Lab.Hidden()
	text, err := printed(c)
	if err != nil {
		return cli.FailedError(fmt.Errorf("print the configuration: %w", err))
	}
	fmt.Fprintln(a.stderr, "the settings in force, as a configuration file:")
	if _, err := a.stdout.Write(text); err != nil {
		return cli.FailedError(err)
	}
	if err := errors.Join(wrong...); err != nil {
		return cli.UsageError(err)
	}
	return nil
}

// printed writes every setting as a configuration file: those without a value too, each
// parameter of the standard checks, and as comments the tables of which there is none.
func printed(c config.Config) ([]byte, error) {
	full(reflect.ValueOf(&c).Elem())
	c.Checks.Params = maps.Clone(c.Checks.Params)
	for _, v := range bundled.Validators() {
		d := v.Describe()
		set := map[string]string{}
		for _, q := range d.Parameters {
			set[q.Name] = q.Default
		}
		maps.Copy(set, c.Checks.Params[d.Name])
		if len(set) > 0 {
			c.Checks.Params[d.Name] = set
		}
	}
	text, err := toml.Marshal(c)
	if err != nil {
		return nil, err
	}
	var none struct {
		Layouts []config.Layout `toml:"layout,omitempty"`
		Notify  struct {
			Rules map[string]config.NotifyRule `toml:"rules,omitempty"`
		} `toml:"notify,omitempty"`
	}
	if len(c.Layouts) == 0 {
		none.Layouts = []config.Layout{{}}
		text = bytes.Replace(text, []byte("layout = []\n"), nil, 1) // an empty array would forbid the tables
	}
	if len(c.Notify.Rules) == 0 {
		none.Notify.Rules = map[string]config.NotifyRule{"CHANNEL": {}}
	}
	full(reflect.ValueOf(&none).Elem())
	more, err := toml.Marshal(none)
	if err != nil {
		return nil, err
	}
	for line := range bytes.Lines(more) {
		line = bytes.TrimSpace(line)
		if string(line) == "[notify]" || string(line) == "[notify.rules]" {
			continue
		}
		text = append(append(text, bytes.TrimSpace(append([]byte("# "), line...))...), '\n')
	}
	return text, nil
}

// full makes empty maps of those that are nil, which would not be printed.
func full(v reflect.Value) {
	switch v.Kind() {
	case reflect.Struct:
		for i := range v.NumField() {
			full(v.Field(i))
		}
	case reflect.Slice:
		for i := range v.Len() {
			full(v.Index(i))
		}
	case reflect.Map:
		if v.IsNil() && v.CanSet() {
			v.Set(reflect.MakeMap(v.Type()))
		}
	}
}

// aboutCampaign says what the campaign is and what will not be known of a log but from the
// plan's position.
func aboutCampaign(out io.Writer, c config.Config) error {
	if c.Campaign == "" {
		return nil
	}
	book, err := logbook.Open(c.Campaign)
	if err != nil {
		return fmt.Errorf("campaign: %w", err)
	}
	fmt.Fprintf(out, "campaign %s: %s, %s each\n", book.Campaign.Name, record.Count(book.Plan.Len(), "cell"), record.Count(book.Campaign.Passes, "pass"))
	known := []string{record.TagProcessor, record.TagGraphics, record.TagDriver}
	if templates, err := tag.ParseTemplates(c.Tags.Paths); err == nil {
		for _, t := range templates {
			known = append(known, t.Names()...)
		}
	}
	known = append(known, slices.Collect(maps.Values(c.Tags.Header))...)
	known = append(known, slices.Collect(maps.Keys(c.Tags.Fixed))...)
	var rest []string
	for _, f := range book.Campaign.Factors {
		if len(f.Levels) > 1 && !slices.Contains(known, f.Name) {
			rest = append(rest, f.Name)
		}
	}
	if len(rest) > 0 {
		fmt.Fprintf(out, "%s: these come only from the plan's position, unless a log's heading or program names them; add them to a path template\n", strings.Join(rest, ", "))
	}
	return fixedLevels(book, c.Tags.Fixed)
}

// fixedLevels is the error of fixed tags that no cell can have.
func fixedLevels(book *logbook.Book, fixed map[string]string) error {
	for _, name := range slices.Sorted(maps.Keys(fixed)) {
		f, is := book.Campaign.Factor(name)
		if !is {
			continue
		}
		if short, _ := book.Aliases.Short(name, fixed[name]); !slices.Contains(f.Levels, short) {
			return fmt.Errorf("tags.fixed.%s: the campaign has no level %q; it has %s", name, fixed[name], strings.Join(f.Levels, ", "))
		}
	}
	return nil
}
