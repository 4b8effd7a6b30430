package plugins

import (
	"fmt"
	"maps"
	"math"
	"slices"
	"strconv"
	"strings"
)

// Type is the form of a parameter's value.
type Type string

// The types. Values are written as text in every configuration.
const (
	Number  Type = "number"  // finite, with a decimal point
	Integer Type = "integer" // whole
	Boolean Type = "boolean" // true or false
	Text    Type = "text"
)

// Parameter is one setting of a validator.
type Parameter struct {
	Name    string `json:"name"` // [a-z0-9_]{1,40}
	Type    Type   `json:"type"`
	Default string `json:"default"` // in the form of its type
	Unit    string `json:"unit,omitempty"`
	About   string `json:"about"` // one sentence
}

// accepts reports why value is not of the parameter's type.
func (q Parameter) accepts(value string) error {
	switch q.Type {
	case Number:
		x, err := strconv.ParseFloat(value, 64)
		if err != nil || math.IsNaN(x) || math.IsInf(x, 0) {
			return fmt.Errorf("%q is not a number", value)
		}
	case Integer:
		if _, err := strconv.Atoi(value); err != nil {
			return fmt.Errorf("%q is not a whole number", value)
		}
	case Boolean:
		if value != "true" && value != "false" {
			return fmt.Errorf("%q is neither true nor false", value)
		}
	case Text:
	default:
		return fmt.Errorf("the type %q is unknown", q.Type)
	}
	return nil
}

// Params are the values in force for one validator: one for each of its parameters.
type Params struct {
	values map[string]string
	types  map[string]Type
}

// Resolve puts settings over the defaults. An unknown name and a value that is not of
// the parameter's type are errors; the defaults are returned with them.
func (d Description) Resolve(settings map[string]string) (Params, error) {
	values, types := map[string]string{}, map[string]Type{}
	known := map[string]Parameter{}
	for _, q := range d.Parameters {
		values[q.Name] = q.Default
		types[q.Name] = q.Type
		known[q.Name] = q
	}
	defaults := Params{values, types}
	set := maps.Clone(values)
	for _, name := range slices.Sorted(maps.Keys(settings)) {
		q, ok := known[name]
		if !ok {
			return defaults, fmt.Errorf("%s has no parameter %q; it has %s", d.Name, name,
				strings.Join(slices.Sorted(maps.Keys(known)), ", "))
		}
		if err := q.accepts(settings[name]); err != nil {
			return defaults, fmt.Errorf("%s.%s: %w", d.Name, name, err)
		}
		set[name] = settings[name]
	}
	return Params{set, types}, nil
}

// of returns the value in force of a parameter of the given type. It panics where the
// description has no such parameter: a misspelt name would switch a threshold off in
// silence. [Run] makes not-checked of it.
func (p Params) of(name string, kind Type) string {
	if p.types[name] != kind {
		panic(fmt.Sprintf("the validator asks for a %s parameter %q that its description lacks", kind, name))
	}
	return p.values[name]
}

// Number returns the named number. It panics where the description has none of that name,
// as the other methods do for their types.
func (p Params) Number(name string) float64 {
	x, _ := strconv.ParseFloat(p.of(name, Number), 64)
	return x
}

// Integer returns the named whole number.
func (p Params) Integer(name string) int {
	n, _ := strconv.Atoi(p.of(name, Integer))
	return n
}

// Boolean returns the named truth value.
func (p Params) Boolean(name string) bool { return p.of(name, Boolean) == "true" }

// Text returns the named text.
func (p Params) Text(name string) string { return p.of(name, Text) }

// Map returns all values as text.
func (p Params) Map() map[string]string { return maps.Clone(p.values) }
