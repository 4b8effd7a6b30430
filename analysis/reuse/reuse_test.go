package reuse_test

import (
	"testing"

	"capd.example/analysis"
	"capd.example/analysis/reuse"
	"capd.example/record"
)

func TestComparable(t *testing.T) {
	old := passes(cell("P1", "G1", "Lanterns", "1"), 100, 101, 100)
	now := passes(cell("P1", "G2", "Lanterns", "1"), 120, 121, 120)
	for i := range old {
		old[i].System = "old"
		old[i].Tags["driver"] = record.Tag{Value: "1.0"}
		now[i].Tags["driver"] = record.Tag{Value: "2.0"}
		now[i].Tags["note"] = record.Tag{Value: "new fan"}
		old[i].Findings = []record.Finding{{Check: "thermal", Outcome: record.NotChecked}}
		now[i].Findings = []record.Finding{{Check: "thermal", Outcome: record.OK, Version: "1"}}
	}
	field := func(name, value string) record.Field { return record.Field{Name: name, Value: value, Identity: true} }
	systems := map[string]record.System{
		"old": {Fields: []record.Field{field("graphics.0.name", "G1"), field("memory.configured_speed", "4800"), field("os.build", "1")}},
		"s1":  {Fields: []record.Field{field("graphics.0.name", "G2"), field("memory.configured_speed", "6000"), field("os.build", "1")}},
	}
	c := reuse.Comparable(old, now, systems, nil, analysis.Options{})
	got := map[string]bool{}
	for _, d := range c.Differences {
		got[d.Name] = d.Matters
	}
	want := map[string]bool{"tag driver": true, "system memory.configured_speed": true, "check thermal": true, "tag note": false}
	if len(got) != len(want) || !c.Refused {
		t.Errorf("%+v", c)
	}
	for n, m := range want {
		if g, ok := got[n]; !ok || g != m {
			t.Errorf("%s: %v %v", n, g, ok)
		}
	}
	c = reuse.Comparable(old, now, systems, []string{"tag driver", "system memory.configured_speed", "check thermal"}, analysis.Options{})
	if c.Refused || len(c.Differences) != 4 {
		t.Errorf("accepted, and still: %+v", c)
	}
	if c := reuse.Comparable(now, now, systems, nil, analysis.Options{}); c.Refused || len(c.Differences) != 0 {
		t.Errorf("the same passes: %+v", c)
	}
	if c := reuse.Comparable(nil, now, systems, nil, analysis.Options{}); !c.Refused {
		t.Errorf("no old pass: %+v", c)
	}
	now[0].Tags["game version"] = record.Tag{Value: "1.2"}
	if c := reuse.Comparable(now[1:], now[:1], systems, nil, analysis.Options{}); !c.Refused {
		t.Errorf("another game version: %+v", c)
	}
}
