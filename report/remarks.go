package report

import (
	"capd.example/record"
)

// remark is a note of the reviewer's as the page shows it.
type remark struct {
	Place, Text, Day string
	Cell             string // the one that it is about, its place in the page; "" for several
	Cells            int
}

// remarks are the notes in their order; what is noted on one cell alone stands beside it too.
func (r *Report) remarks(rows []cellRow) (out []remark) {
	for _, n := range r.in.Notes {
		x := remark{Place: n.Place(), Text: n.Text, Day: n.At.UTC().Format("2006-01-02")}
		at := 0
		for i, c := range r.Cells {
			if n.Fits(func(name string) string { return c.Factors[name] }) {
				x.Cells++
				at = i
			}
		}
		if x.Cells == 1 && len(r.Cells) > 1 {
			x.Cell = rows[at].ID
			rows[at].Remarks = append(rows[at].Remarks, "noted: "+n.Text)
		}
		out = append(out, x)
	}
	return out
}

// NoteTable has one row per note of the reviewer's.
func NoteTable(notes []record.Note, factors []string) Table {
	about := func(n record.Note) map[string]string { return n.About }
	fields := []field[record.Note]{
		text("about", "levels of factors, or the campaign", record.Note.Place),
		text("text", "", func(n record.Note) string { return n.Text }),
		text("at", "when it was written, UTC", func(n record.Note) string { return n.At.UTC().Format("2006-01-02T15:04:05Z") }),
	}
	return newTable("notes", "Notes by the reviewer; empty factors are not restricted", notes, factorFields(factors, about), fields)
}
