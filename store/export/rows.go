package export

import (
	"bufio"
	"bytes"
	"context"
	"encoding/csv"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/parquet-go/parquet-go"
)

// eachRow calls fn with every row of a table as one JSON object, whatever form it is in, so
// that all forms are checked alike. Errors name the file and the line or row.
func eachRow(
	ctx context.Context,
	root fs.FS,
	name string,
	format Format,
	columns []column,
	fn func([]byte) error,
) error {
	f, err := root.Open(name)
	if err != nil {
		return err
	}
	defer f.Close()
	info, err := f.Stat()
	if err != nil {
		return err
	}
	if !info.Mode().IsRegular() {
		return fmt.Errorf("%s is not a plain file", name)
	}
	n := 0
	put := func(row []byte) error {
		if n++; n%1024 == 0 && ctx.Err() != nil {
			return ctx.Err()
		}
		if len(row) > maxLine {
			return fmt.Errorf("a row of more than %d MiB", maxLine>>20)
		}
		return fn(row)
	}
	switch format {
	case CSV:
		err = csvRows(f, columns, put)
	case Parquet:
		err = parquetRows(f, info.Size(), columns, put)
	default:
		in := bufio.NewScanner(f)
		in.Buffer(nil, maxLine)
		for err == nil && in.Scan() {
			err = put(in.Bytes())
		}
		err = errors.Join(err, in.Err())
	}
	if err != nil {
		what := "line"
		if format == Parquet {
			what = "row"
		}
		return fmt.Errorf("%s, %s %d: %w", name, what, n, err)
	}
	return nil
}

// object writes values of columns as one JSON object.
type object struct{ bytes.Buffer }

func (o *object) put(name string, value any) error {
	text, err := json.Marshal(value)
	if err != nil {
		return err
	}
	if o.Len() > 0 {
		o.WriteByte(',')
	} else {
		o.WriteByte('{')
	}
	o.WriteString(strconv.Quote(name)) // names of columns are plain
	o.WriteByte(':')
	o.Write(text)
	return nil
}

// csvRows reads a table of comma-separated text by its headings.
func csvRows(f io.Reader, columns []column, put func([]byte) error) error {
	from := &shortRows{from: f}
	in := csv.NewReader(from)
	in.ReuseRecord = true
	head, err := in.Read()
	if errors.Is(err, io.EOF) {
		return errors.New("there is no line of headings")
	} else if err != nil {
		return err
	}
	head = slices.Clone(head)
	for {
		from.long = 0
		line, err := in.Read()
		if errors.Is(err, io.EOF) {
			return nil
		} else if err != nil {
			return err
		}
		var o object
		for i, name := range head {
			k := slices.IndexFunc(columns, func(c column) bool { return c.name == name })
			if k < 0 {
				continue
			}
			var v any = bare(line[i])
			if kind := columns[k].kind; line[i] == "" && kind != text {
				v = nil
			} else if kind == integer || kind == number {
				x, err := strconv.ParseFloat(line[i], 64)
				if err != nil {
					return fmt.Errorf("%.40q is no number in the column %s", line[i], name)
				}
				if v = x; kind == integer {
					v = int64(x)
				}
			}
			if err := o.put(name, v); err != nil {
				return fmt.Errorf("the column %s: %w", name, err)
			}
		}
		o.WriteByte('}')
		if err := put(o.Bytes()); err != nil {
			return err
		}
	}
}

// bare takes the apostrophe away that [SafeCell] put before a text.
func bare(s string) string {
	if rest, ok := strings.CutPrefix(s, "'"); ok && SafeCell(rest, false) == s {
		return rest
	}
	return s
}

// shortRows refuses a row that is longer than any that an export writes, over however many
// lines its texts go: a reader of comma-separated text would hold it whole.
type shortRows struct {
	from io.Reader
	long int // since whoever reads began with a row
}

func (s *shortRows) Read(p []byte) (int, error) {
	n, err := s.from.Read(p)
	if s.long += n; s.long > maxLine {
		return n, fmt.Errorf("a line of more than %d MiB", maxLine>>20)
	}
	return n, err
}

// maxTable is what a table in Parquet may take in memory, by what it says itself.
const maxTable = 2 << 30

// maxPacked is how large such a table within an archive may be: it is unpacked in memory.
const maxPacked = 256 << 20

// parquetRows reads a table in Parquet by the names of its columns. The reader of the format is
// not made for files that mean harm: where it gives up, the file is refused.
func parquetRows(f fs.File, size int64, columns []column, put func([]byte) error) (err error) {
	defer func() {
		if r := recover(); r != nil {
			err = fmt.Errorf("the file is damaged: %v", r)
		}
	}()
	at, ok := f.(io.ReaderAt)
	if !ok {
		data, err := io.ReadAll(io.LimitReader(f, maxPacked+1))
		if err != nil {
			return err
		}
		if len(data) > maxPacked {
			return fmt.Errorf("it is larger than %d MiB: unpack the package into a folder and import that", maxPacked>>20)
		}
		at, size = bytes.NewReader(data), int64(len(data))
	}
	file, err := parquet.OpenFile(at, size)
	if err != nil {
		return err
	}
	held := int64(0)
	for _, g := range file.Metadata().RowGroups {
		if held += g.TotalByteSize; held > maxTable || g.TotalByteSize < 0 {
			return fmt.Errorf("the table would take more than %d GiB", maxTable>>30)
		}
	}
	names := file.Schema().Columns()
	in := parquet.NewReader(file)
	defer in.Close()
	rows := make([]parquet.Row, 256)
	for {
		n, err := in.ReadRows(rows)
		for _, row := range rows[:n] {
			if err := parquetRow(row, names, columns, put); err != nil {
				return err
			}
		}
		if errors.Is(err, io.EOF) {
			return nil
		} else if err != nil {
			return err
		}
	}
}

func parquetRow(row parquet.Row, names [][]string, columns []column, put func([]byte) error) error {
	var o object
	for _, v := range row {
		if v.Column() < 0 || v.Column() >= len(names) || len(names[v.Column()]) != 1 {
			return errors.New("a column within another is in none of our tables")
		}
		name := names[v.Column()][0]
		k := slices.IndexFunc(columns, func(c column) bool { return c.name == name })
		if k < 0 {
			continue
		}
		var x any
		switch kind := columns[k].kind; {
		case v.IsNull():
		case kind == text && v.Kind() == parquet.ByteArray:
			x = string(v.ByteArray())
		case kind == integer && v.Kind() == parquet.Int64:
			x = v.Int64()
		case kind == number && v.Kind() == parquet.Double:
			x = v.Double()
		case kind == moment && v.Kind() == parquet.Int64:
			x = time.UnixMicro(v.Int64()).UTC().Format(time.RFC3339Nano)
		default:
			return fmt.Errorf("the column %s is of another type", name)
		}
		if err := o.put(name, x); err != nil {
			return fmt.Errorf("the column %s: %w", name, err)
		}
	}
	o.WriteByte('}')
	return put(o.Bytes())
}
