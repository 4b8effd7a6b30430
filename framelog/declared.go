package framelog

import (
	"strconv"
	"strings"

	"capd.example/framelog/internal/fault"
	"capd.example/framelog/internal/unit"
)

// declaredFor returns the first layout that is meant for the log.
func declaredFor(opt Options, name string, head []byte) (Declared, error) {
	for _, d := range opt.Layouts {
		if err := d.Check(); err != nil {
			return d, err
		}
		if d.matches(name, head) {
			return d, nil
		}
	}
	return Declared{}, nil
}

// find returns the column that a declared layout means, from 0: by its exact name, by its
// position, or by its name in other letters. A name that the heading has twice means none.
func (t *table) find(layout, key, column string) (int, error) {
	at, times := t.named(func(n string) bool { return n == column })
	if times == 0 {
		if p, err := strconv.Atoi(column); err == nil && p >= 1 && p <= t.columns {
			return p - 1, nil
		}
		at, times = t.named(func(n string) bool { return strings.EqualFold(strings.TrimSpace(n), strings.TrimSpace(column)) })
	}
	switch {
	case times > 1:
		return 0, fault.New(0, "name it by its position", "declared layout %q: %s %q is in the heading twice", layout, key, column)
	case times == 1:
		return at, nil
	}
	have := "the log has no heading, name it by its position from 1 to " + strconv.Itoa(t.columns)
	if t.names != nil {
		quoted := make([]string, 0, 12)
		for _, n := range t.names[:min(12, len(t.names))] {
			quoted = append(quoted, strconv.Quote(n))
		}
		have = "the heading on line " + strconv.Itoa(max(t.preamble, 1)) + " has " + strings.Join(quoted, ", ")
	}
	return 0, fault.New(0, have, "declared layout %q does not fit: %s %q is not there", layout, key, column)
}

// named returns the last column whose name is meant, and how many are.
func (t *table) named(meant func(string) bool) (at, times int) {
	for c, n := range t.names {
		if meant(n) {
			at, times = c, times+1
		}
	}
	return at, times
}

// chooseDeclared applies a declared layout: what it states is binding, what it leaves
// open is found from the sample.
func chooseDeclared(cols []*column, t *table, d Declared, path string) (choice, error) {
	if d.Column == "" {
		return choose(cols, t, path)
	}
	pos, err := t.find(d.Name, "column", d.Column)
	if err != nil {
		return choice{}, err
	}
	var col *column
	for _, c := range cols {
		if c.pos == pos {
			col = c
		}
	}
	if col == nil {
		return choice{}, fault.New(t.preamble+1, "check column, delimiter and decimal",
			"declared layout %q does not fit: column %q holds no numbers", d.Name, d.Column)
	}
	u, _ := unit.ByName(d.Unit)
	if d.Kind != "" && u != unit.None {
		return choice{main: reading{col: col, stamp: d.Kind == "timestamp", unit: u}, prog: -1}, nil
	}
	if u != unit.None {
		col.stated = u
	} else if col.stated == unit.Other {
		col.stated = unit.None
	}
	var rs []reading
	if d.Kind != "timestamp" {
		rs = append(rs, col.durations()...)
	}
	if d.Kind != "duration" {
		rs = append(rs, col.stamps()...)
	}
	switch len(rs) {
	case 0:
		return choice{}, fault.New(t.preamble+1, "state kind and unit as well, or check the column",
			"declared layout %q does not fit: column %q holds no plausible frame times or stamps", d.Name, d.Column)
	case 1:
		return choice{main: rs[0], prog: -1}, nil
	}
	return choice{}, ambiguous(rs, t, path)
}
