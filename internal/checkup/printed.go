package checkup

import (
	"bytes"
	"maps"
	"reflect"

	"github.com/pelletier/go-toml/v2"

	"capd.example/config"
	"capd.example/plugins/bundled"
)

// Printed writes every setting as a configuration file: those without a value too, each
// parameter of the standard checks, and as comments the tables of which there is none.
func Printed(c config.Config) ([]byte, error) {
	madeWhole(reflect.ValueOf(&c).Elem())
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
	madeWhole(reflect.ValueOf(&none).Elem())
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

// madeWhole makes empty maps of those that are nil, which would not be printed.
func madeWhole(v reflect.Value) {
	switch v.Kind() {
	case reflect.Struct:
		for i := range v.NumField() {
			madeWhole(v.Field(i))
		}
	case reflect.Slice:
		for i := range v.Len() {
			madeWhole(v.Index(i))
		}
	case reflect.Map:
		if v.IsNil() && v.CanSet() {
			v.Set(reflect.MakeMap(v.Type()))
		}
	}
}
