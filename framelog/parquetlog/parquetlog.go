// Package parquetlog lets framelog read Parquet files (Apache Parquet, an open format):
// it turns a flat table into comma-separated text, row group by row group. It is a
// package of its own so that only programs that want it link the Parquet library.
//
// Doubles are written with the fewest digits that give the same double back, so nothing
// is lost on the way.
package parquetlog

import (
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"strconv"
	"strings"

	"capd.example/framelog"
	"github.com/parquet-go/parquet-go"
)

// Format is Parquet as framelog wants it in its options.
var Format = framelog.Format{Name: "parquet", Magic: "PAR1", Text: Text}

const batch = 512 // rows turned into text at a time

// maxLeaves bounds the columns, as for text logs.
const maxLeaves = 4096

// Text returns the table in r as comma-separated text with a heading.
func Text(r io.ReaderAt, size int64) (text io.Reader, err error) {
	defer caught(&err)
	if err := footerFits(r, size); err != nil {
		return nil, err
	}
	f, err := parquet.OpenFile(r, size, parquet.SkipBloomFilters(true), parquet.SkipPageIndex(true))
	if err != nil {
		return nil, err
	}
	if err := headsFit(r, size, f.Metadata().RowGroups); err != nil {
		return nil, err
	}
	names, err := flat(f.Schema())
	if err != nil {
		return nil, err
	}
	t := &rowText{groups: f.RowGroups(), columns: len(names), rows: make([]parquet.Row, batch)}
	for i, n := range names {
		t.sep(i)
		t.quoted(n)
	}
	t.out = append(t.out, '\n')
	return t, nil
}

// footerFits refuses a file whose last eight bytes, the length of the footer and the magic
// word, ask for more than the file holds: the library would reserve what they ask for.
func footerFits(r io.ReaderAt, size int64) error {
	const ends = 4 + 8 // magic word, length and magic word again
	var tail [8]byte
	if size < ends {
		return errors.New("the file is cut off: it has no footer")
	}
	if _, err := r.ReadAt(tail[:], size-int64(len(tail))); err != nil && err != io.EOF {
		return err
	}
	if n := int64(binary.LittleEndian.Uint32(tail[:])); n > size-ends {
		return fmt.Errorf("the file is cut off or damaged: a footer of %d bytes does not fit into %d", n, size)
	}
	return nil
}

// caught turns a panic of the Parquet library on damaged input into an error.
func caught(err *error) {
	if p := recover(); p != nil {
		*err = fmt.Errorf("the file is damaged: %v", p)
	}
}

// flat returns the names of the columns; nested ones have dots.
func flat(s *parquet.Schema) ([]string, error) {
	var names []string
	for _, path := range s.Columns() {
		leaf, ok := s.Lookup(path...)
		if !ok || leaf.MaxRepetitionLevel > 0 {
			return nil, fmt.Errorf("column %q repeats within a row: write a flat table", strings.Join(path, "."))
		}
		names = append(names, strings.Join(path, "."))
	}
	if len(names) == 0 || len(names) > maxLeaves {
		return nil, fmt.Errorf("%d columns, allowed are 1 to %d", len(names), maxLeaves)
	}
	return names, nil
}

// rowText is the table as a stream of text.
type rowText struct {
	groups  []parquet.RowGroup
	cur     parquet.Rows
	columns int
	rows    []parquet.Row
	out     []byte
	given   int
	err     error
}

func (t *rowText) Read(p []byte) (int, error) {
	for t.given == len(t.out) {
		if t.err != nil {
			return 0, t.err
		}
		t.out, t.given = t.out[:0], 0
		t.next()
	}
	n := copy(p, t.out[t.given:])
	t.given += n
	return n, nil
}

// next turns the next batch of rows into text.
func (t *rowText) next() {
	defer caught(&t.err)
	if t.cur == nil {
		if len(t.groups) == 0 {
			t.err = io.EOF
			return
		}
		t.cur, t.groups = t.groups[0].Rows(), t.groups[1:]
	}
	n, err := t.cur.ReadRows(t.rows)
	for _, row := range t.rows[:n] {
		t.row(row)
	}
	if err == nil && n > 0 {
		return
	}
	if cerr := t.cur.Close(); err == nil || err == io.EOF {
		err = cerr
	}
	t.cur, t.err = nil, err
}

func (t *rowText) row(row parquet.Row) {
	at := 0
	for _, v := range row {
		for ; at < v.Column(); at++ {
			t.sep(at + 1)
		}
		t.value(v)
	}
	for ; at < t.columns-1; at++ {
		t.sep(at + 1)
	}
	t.out = append(t.out, '\n')
}

func (t *rowText) value(v parquet.Value) {
	switch {
	case v.IsNull():
	case v.Kind() == parquet.Double:
		t.out = strconv.AppendFloat(t.out, v.Double(), 'g', -1, 64)
	case v.Kind() == parquet.Float:
		t.out = strconv.AppendFloat(t.out, float64(v.Float()), 'g', -1, 32)
	case v.Kind() == parquet.Int32:
		t.out = strconv.AppendInt(t.out, int64(v.Int32()), 10)
	case v.Kind() == parquet.Int64:
		t.out = strconv.AppendInt(t.out, v.Int64(), 10)
	case v.Kind() == parquet.Boolean:
		t.out = strconv.AppendBool(t.out, v.Boolean())
	default:
		t.quoted(string(v.ByteArray()))
	}
}

func (t *rowText) sep(i int) {
	if i > 0 {
		t.out = append(t.out, ',')
	}
}

// quoted appends a cell of text; line ends become blanks, so that a row stays a line.
func (t *rowText) quoted(s string) {
	s = strings.NewReplacer("\n", " ", "\r", " ", `"`, `""`, "\x00", " ").Replace(s)
	t.out = append(append(append(t.out, '"'), s...), '"')
}
