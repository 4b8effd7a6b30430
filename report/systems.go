package report

import (
	"fmt"
	"slices"
	"strings"

	"capd.example/record"
)

// disclosure is the systems of a report: what is the same on all said once, what differs
// beside each other, what is known nowhere in one line.
type disclosure struct {
	Count   int
	Only    string // identity of the one system, where there is no more
	Same    []record.Field
	Differ  grid
	Unknown []unknownFields
	Missing int // facts that are known nowhere
}

// grid is a table of texts with headings on both sides.
type grid struct {
	Corner  string
	Columns []string
	Rows    []gridRow
}

type gridRow struct {
	Name   string
	Values []string
}

// unknownFields are the facts that are unknown for one reason.
type unknownFields struct {
	Why   record.Unknown
	Names []string
}

// spoken is a field's name in words.
func spoken(name string) string { return strings.NewReplacer(".", " ", "_", " ").Replace(name) }

func newDisclosure(systems []record.System, passes map[string]int) disclosure {
	d := disclosure{Count: len(systems)}
	if len(systems) == 0 {
		return d
	}
	if len(systems) == 1 {
		d.Only = systems[0].ID
	}
	var differ []record.Field
	for _, f := range fieldsOf(systems) {
		known, same := 0, true
		for _, s := range systems {
			g, ok := s.Get(f.Name)
			if ok {
				known++
			}
			same = same && g.Value == f.Value && g.Unit == f.Unit
		}
		switch {
		case known == 0:
			d.unknown(f)
		case same && known == len(systems):
			d.Same = append(d.Same, f)
		default:
			differ = append(differ, f)
		}
	}
	if len(differ) > 0 {
		d.Differ = sideBySide(systems, differ, passes)
	}
	return d
}

// fieldsOf lists the fields of all systems in the order in which they were detected, each
// as the first system that has it says.
func fieldsOf(systems []record.System) []record.Field {
	var out []record.Field
	seen := map[string]bool{}
	for _, s := range systems {
		for _, f := range s.Fields {
			if !seen[f.Name] {
				seen[f.Name] = true
				out = append(out, f)
			}
		}
	}
	return out
}

func (d *disclosure) unknown(f record.Field) {
	d.Missing++
	i := slices.IndexFunc(d.Unknown, func(u unknownFields) bool { return u.Why == f.Unknown })
	if i < 0 {
		i = len(d.Unknown)
		d.Unknown = append(d.Unknown, unknownFields{Why: f.Unknown})
	}
	d.Unknown[i].Names = append(d.Unknown[i].Names, spoken(f.Name))
}

// sideBySide shows the fields in which systems differ; the table is rather high than wide.
func sideBySide(systems []record.System, fields []record.Field, passes map[string]int) grid {
	value := func(s record.System, f record.Field) string {
		g, ok := s.Get(f.Name)
		if !ok {
			return fmt.Sprintf("unknown (%s)", g.Unknown)
		}
		return strings.TrimSpace(g.Value + " " + g.Unit)
	}
	name := func(s record.System) string { return "System " + s.ID }
	count := func(s record.System) string { return fmt.Sprint(passes[s.ID]) }
	var g grid
	if len(fields) >= len(systems) {
		g.Corner = "Differs"
		g.Rows = []gridRow{{Name: "passes in this report"}}
		for _, s := range systems {
			g.Columns = append(g.Columns, name(s))
			g.Rows[0].Values = append(g.Rows[0].Values, count(s))
		}
		for _, f := range fields {
			row := gridRow{Name: spoken(f.Name)}
			for _, s := range systems {
				row.Values = append(row.Values, value(s, f))
			}
			g.Rows = append(g.Rows, row)
		}
		return g
	}
	g.Corner, g.Columns = "System", []string{"passes in this report"}
	for _, f := range fields {
		g.Columns = append(g.Columns, spoken(f.Name))
	}
	for _, s := range systems {
		row := gridRow{Name: name(s), Values: []string{count(s)}}
		for _, f := range fields {
			row.Values = append(row.Values, value(s, f))
		}
		g.Rows = append(g.Rows, row)
	}
	return g
}

// systems lists the systems in the order of the cells, then those that no pass names.
func (r *Report) systems() ([]record.System, map[string]int) {
	var out []record.System
	passes, listed, of := map[string]int{}, map[string]bool{}, map[string]string{}
	for _, p := range r.in.Passes {
		passes[p.System]++
		of[p.ID] = p.System
	}
	add := func(id string) {
		if s, ok := r.in.Systems[id]; ok && !listed[id] {
			listed[id] = true
			out = append(out, s)
		}
	}
	for _, c := range r.Cells {
		for _, u := range c.Passes.Used {
			add(of[u.ID])
		}
	}
	for _, id := range keys(r.in.Systems) {
		add(id)
	}
	return out, passes
}
