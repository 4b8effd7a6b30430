package checkup

import (
	"reflect"
	"strings"
	"testing"

	"github.com/pelletier/go-toml/v2"

	"capd.example/config"
	"capd.example/plugins/bundled"
)

// 'capd check --settings' lists every setting that a configuration may hold, and every parameter of the
// standard checks; what it prints is a configuration.
func TestEverySettingIsPrinted(t *testing.T) {
	text, err := Printed(config.Default())
	if err != nil {
		t.Fatal(err)
	}
	keys := map[string]bool{}
	for line := range strings.Lines(string(text)) {
		line = strings.Trim(line, "# \n")
		if name, _, ok := strings.Cut(line, " = "); ok {
			keys[name] = true
		} else if strings.HasPrefix(line, "[") {
			parts := strings.Split(strings.Trim(line, "[]"), ".")
			for _, p := range parts {
				keys[p] = true
			}
		}
	}
	var look func(reflect.Type)
	look = func(typ reflect.Type) {
		for f := range typ.Fields() {
			name, _, _ := strings.Cut(f.Tag.Get("toml"), ",")
			if name == "-" {
				continue
			}
			if !keys[name] {
				t.Errorf("the setting %s is not printed", name)
			}
			of := f.Type
			if of.Kind() == reflect.Slice || of.Kind() == reflect.Map {
				of = of.Elem()
			}
			if of.Kind() == reflect.Struct {
				look(of)
			}
		}
	}
	look(reflect.TypeFor[config.Config]())
	for _, v := range bundled.Validators() {
		for _, q := range v.Describe().Parameters {
			if !keys[q.Name] {
				t.Errorf("the parameter %s of %s is not printed", q.Name, v.Describe().Name)
			}
		}
	}
	var again config.Config
	if err := toml.Unmarshal(text, &again); err != nil {
		t.Errorf("what is printed is no configuration: %v", err)
	}
}
