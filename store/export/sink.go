package export

import (
	"bufio"
	"encoding/csv"
	"encoding/json"
	"fmt"
	"io"
	"math"
	"reflect"
	"strconv"
	"strings"
	"time"

	"github.com/parquet-go/parquet-go"
)

// kind is the type of a column.
type kind int

const (
	text kind = iota
	integer
	number
	moment // RFC 3339 in the texts, microseconds in Parquet
)

// column is one column of a table. A value is nil, string, int64, float64 or time.Time
// according to its kind.
type column struct {
	name  string
	kind  kind
	about string
}

// sink takes the rows of one table into one file.
type sink interface {
	row(values []any) error
	close() error
}

func newSink(format Format, w io.Writer, columns []column) (sink, error) {
	switch format {
	case Parquet:
		return newParquet(w, columns), nil
	case CSV:
		return newCSV(w, columns)
	case JSONLines:
		return &jsonSink{bufio.NewWriter(w), columns}, nil
	}
	return nil, fmt.Errorf("%q is not a format", format)
}

// parquetSink collects rows of values and writes them in batches.
type parquetSink struct {
	w       *parquet.GenericWriter[any]
	columns []column
	batch   []parquet.Row
}

func newParquet(w io.Writer, columns []column) *parquetSink {
	return &parquetSink{w: parquet.NewGenericWriter[any](w, schemaOf(columns), parquet.Compression(&parquet.Zstd)),
		columns: columns}
}

// schemaOf goes through a struct type, since that keeps the order of the columns.
func schemaOf(columns []column) *parquet.Schema {
	types := map[kind]struct {
		t    reflect.Type
		more string
	}{
		text: {reflect.TypeFor[string](), ",dict"}, integer: {reflect.TypeFor[int64](), ""},
		number: {reflect.TypeFor[float64](), ""}, moment: {reflect.TypeFor[int64](), ",timestamp(microsecond)"},
	}
	fields := make([]reflect.StructField, len(columns))
	for i, c := range columns {
		// A comma would end the name inside a tag.
		name := strings.ReplaceAll(c.name, ",", "_")
		t := types[c.kind]
		fields[i] = reflect.StructField{
			Name: "F" + strconv.Itoa(i), Type: t.t,
			Tag: reflect.StructTag("parquet:" + strconv.Quote(name+",optional"+t.more)),
		}
	}
	return parquet.SchemaOf(reflect.New(reflect.StructOf(fields)).Interface())
}

func (s *parquetSink) row(values []any) error {
	row := make(parquet.Row, len(values))
	for i, v := range values {
		row[i] = parquetValue(v, s.columns[i].kind).Level(0, definition(v), i)
	}
	s.batch = append(s.batch, row)
	if len(s.batch) < 1024 {
		return nil
	}
	return s.flush()
}

func definition(v any) int {
	if v == nil {
		return 0
	}
	return 1
}

func parquetValue(v any, k kind) parquet.Value {
	switch x := v.(type) {
	case string:
		return parquet.ByteArrayValue([]byte(x))
	case int64:
		return parquet.Int64Value(x)
	case float64:
		return parquet.DoubleValue(x)
	case time.Time:
		return parquet.Int64Value(x.UnixMicro())
	}
	return parquet.NullValue()
}

func (s *parquetSink) flush() error {
	_, err := s.w.WriteRows(s.batch)
	s.batch = s.batch[:0]
	return err
}

func (s *parquetSink) close() error {
	if err := s.flush(); err != nil {
		return err
	}
	return s.w.Close()
}

type csvSink struct {
	w       *csv.Writer
	columns []column
	line    []string
}

func newCSV(w io.Writer, columns []column) (*csvSink, error) {
	s := &csvSink{csv.NewWriter(w), columns, make([]string, len(columns))}
	for i, c := range columns {
		s.line[i] = c.name
	}
	return s, s.w.Write(s.line)
}

func (s *csvSink) row(values []any) error {
	for i, v := range values {
		switch x := v.(type) {
		case string:
			s.line[i] = SafeCell(x, false)
		case float64:
			s.line[i] = strconv.FormatFloat(x, 'g', -1, 64)
		case time.Time:
			s.line[i] = x.UTC().Format(time.RFC3339Nano)
		case nil:
			s.line[i] = ""
		default:
			s.line[i] = fmt.Sprint(v)
		}
	}
	return s.w.Write(s.line)
}

func (s *csvSink) close() error {
	s.w.Flush()
	return s.w.Error()
}

// SafeCell puts an apostrophe before a text that a spreadsheet would take for a formula
// (OWASP, "CSV Injection"), unless raw is set.
func SafeCell(s string, raw bool) string {
	if raw || s == "" || !strings.ContainsRune("=+-@\t\r\n", rune(s[0])) {
		return s
	}
	return "'" + s
}

type jsonSink struct {
	w       *bufio.Writer
	columns []column
}

func (s *jsonSink) row(values []any) error {
	s.w.WriteByte('{')
	for i, v := range values {
		if i > 0 {
			s.w.WriteByte(',')
		}
		if x, ok := v.(float64); ok && (math.IsNaN(x) || math.IsInf(x, 0)) {
			v = nil
		}
		key, err := json.Marshal(s.columns[i].name)
		if err != nil {
			return err
		}
		value, err := json.Marshal(v)
		if err != nil {
			return err
		}
		s.w.Write(key)
		s.w.WriteByte(':')
		s.w.Write(value)
	}
	_, err := s.w.WriteString("}\n")
	return err
}

func (s *jsonSink) close() error { return s.w.Flush() }

// inferred is how many rows [Rows] looks at to find the types of the columns.
const inferred = 10000

// Rows writes the result of a query as one Parquet file. next returns nil at the end.
// The types of the columns come from the first 10,000 rows; a later value of another type
// is an error.
func Rows(w io.Writer, names []string, next func() ([]any, error)) error {
	var head [][]any
	for len(head) < inferred {
		row, err := next()
		if err != nil {
			return err
		}
		if row == nil {
			break
		}
		head = append(head, row)
	}
	columns := infer(names, head)
	s := newParquet(w, columns)
	for _, row := range head {
		if err := writeTyped(s, columns, row); err != nil {
			return err
		}
	}
	for len(head) == inferred {
		row, err := next()
		if err != nil {
			return err
		}
		if row == nil {
			break
		}
		if err := writeTyped(s, columns, row); err != nil {
			return err
		}
	}
	return s.close()
}

func infer(names []string, rows [][]any) []column {
	columns := make([]column, len(names))
	for i, name := range names {
		columns[i] = column{name: name, kind: integer}
		seen := false
		for _, row := range rows {
			switch row[i].(type) {
			case nil:
				continue
			case float64:
				columns[i].kind = max(columns[i].kind, number)
			case int64:
			default:
				columns[i].kind = text
			}
			seen = true
			if columns[i].kind == text {
				break
			}
		}
		if !seen {
			columns[i].kind = text
		}
	}
	return columns
}

func writeTyped(s sink, columns []column, row []any) error {
	for i, v := range row {
		ok := v == nil
		switch x := v.(type) {
		case int64:
			switch columns[i].kind {
			case number:
				row[i] = float64(x)
			case text:
				row[i] = strconv.FormatInt(x, 10)
			}
			ok = true
		case float64:
			if columns[i].kind == text {
				row[i] = strconv.FormatFloat(x, 'g', -1, 64)
			}
			ok = columns[i].kind != integer
		case string:
			ok = columns[i].kind == text
		case []byte:
			row[i], ok = string(x), columns[i].kind == text
		}
		if !ok {
			return fmt.Errorf("column %q holds %v beside values of another type: cast it in the query", columns[i].name, v)
		}
	}
	return s.row(row)
}
