package record

import "testing"

func TestViolations(t *testing.T) {
	s := System{Fields: []Field{
		{Name: FieldMemorySpeed, Value: "6000", Unit: "MT/s"}, {Name: FieldProcessorBoost, Value: "off"},
		{Name: "graphics.0.power_limit", Value: "250.0", Unit: "W"}, {Name: "power.source", Unknown: Absent},
	}}
	for _, c := range []struct {
		name, must string
		holds      bool
	}{
		{FieldMemorySpeed, "6000", true}, {FieldMemorySpeed, "6000 MT/s", true}, {FieldMemorySpeed, "4800", false},
		{FieldMemorySpeed, ">= 5600", true}, {FieldMemorySpeed, ">=6001 MT/s", false}, {FieldMemorySpeed, "<= 6000", true},
		{FieldProcessorBoost, "OFF", true}, {FieldProcessorBoost, "not on", true}, {FieldProcessorBoost, "not off", false},
		{FieldProcessorBoost, ">= 1", false}, {"graphics.0.power_limit", "250", true},
		{"power.source", "mains", false}, {"power.source", "not battery", false}, {"no.such", "x", false},
	} {
		v := Violations(s, map[string]string{c.name: c.must})
		if (len(v) == 0) != c.holds {
			t.Errorf("%s must be %q: %+v", c.name, c.must, v)
		}
	}
	v := Violations(s, map[string]string{"b": "1", "a": "1"})
	if len(v) != 2 || v[0].Name != "a" {
		t.Errorf("not in order: %+v", v)
	}
}
