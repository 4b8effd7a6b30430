package sysinfo

import (
	"testing"

	"capd.example/record"
)

func TestDeclare(t *testing.T) {
	detected := record.System{Fields: []record.Field{
		{Name: "memory.timings", Unknown: record.Absent}, {Name: record.FieldProcessorBoost, Value: "on", Identity: true},
	}}
	detected.ID = detected.Identity()
	s := record.Declared(detected, map[string]string{"cooler": "Nordwind 360", "memory.timings": "30-38-38-96", record.FieldProcessorBoost: "off"})
	for name, want := range map[string]string{"bench.cooler": "Nordwind 360", "memory.timings": "30-38-38-96", record.FieldProcessorBoost: "on"} {
		if f, _ := s.Get(name); f.Value != want {
			t.Errorf("%s = %q, want %q", name, f.Value, want)
		}
	}
	if f, _ := s.Get("bench.cooler"); f.Source != "declared" {
		t.Errorf("source %q", f.Source)
	}
	if s.ID == detected.ID || s.ID != s.Identity() {
		t.Errorf("identity %s", s.ID)
	}
	if f, _ := detected.Get("memory.timings"); f.Value != "" {
		t.Error("the detected system was changed")
	}
}
