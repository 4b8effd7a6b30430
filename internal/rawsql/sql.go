package rawsql

import (
	"bufio"
	"context"
	"encoding/csv"
	"encoding/json"
	"fmt"
	"io"
	"math"
	"strconv"
	"strings"
	"time"

	"github.com/jedib0t/go-pretty/v6/table"

	"capd.example/internal/output"
	safe "capd.example/internal/text"
	"capd.example/store"
	"capd.example/store/export"
)

// Grace is how long a query may take to stop. The database does not stop within one call of
// a function, such as a search in a very long text; then the program ends without it.
const Grace = time.Second

// Answer runs one query and writes its rows; raw leaves texts for spreadsheets as they are.
func Answer(ctx context.Context, s *store.Store, text string, to io.Writer, format string, raw bool) error {
	rows, err := s.Query(ctx, text)
	if err != nil {
		return err
	}
	defer rows.Close()
	out := bufio.NewWriterSize(to, 1<<16)
	switch format {
	case "csv":
		err = writeCSV(out, rows, raw)
	case "jsonl":
		err = writeJSONL(out, rows)
	case "parquet":
		err = export.Rows(out, rows.Columns, rows.Next)
	default:
		err = writeTable(out, rows, format == "markdown")
	}
	if err != nil {
		return err
	}
	return out.Flush()
}

func writeCSV(w io.Writer, rows *store.Rows, raw bool) error {
	out := csv.NewWriter(w)
	heads := make([]string, len(rows.Columns))
	for i, h := range rows.Columns {
		heads[i] = export.SafeCell(h, raw)
	}
	if err := out.Write(heads); err != nil {
		return err
	}
	line := make([]string, len(rows.Columns))
	err := eachRow(rows, func(row []any) error {
		for i, v := range row {
			line[i] = plain(v)
			if _, isText := v.(string); isText {
				line[i] = export.SafeCell(line[i], raw)
			}
		}
		return out.Write(line)
	})
	out.Flush()
	if err == nil {
		err = out.Error()
	}
	return err
}

func writeJSONL(w io.Writer, rows *store.Rows) error {
	enc := json.NewEncoder(safe.Escaped(w))
	enc.SetEscapeHTML(false)
	return eachRow(rows, func(row []any) error {
		// Written by hand, since a map would lose the order of the columns.
		var b strings.Builder
		b.WriteByte('{')
		for i, v := range row {
			if i > 0 {
				b.WriteByte(',')
			}
			if f, ok := v.(float64); ok && (math.IsNaN(f) || math.IsInf(f, 0)) {
				v = nil
			}
			key, err := json.Marshal(rows.Columns[i])
			if err != nil {
				return err
			}
			value, err := json.Marshal(v)
			if err != nil {
				return err
			}
			b.Write(key)
			b.WriteByte(':')
			b.Write(value)
		}
		b.WriteByte('}')
		return enc.Encode(json.RawMessage(b.String()))
	})
}

func writeTable(w io.Writer, rows *store.Rows, markdown bool) error {
	head := make(table.Row, len(rows.Columns))
	for i, c := range rows.Columns {
		head[i] = safe.Plain(c)
	}
	var list []table.Row
	err := eachRow(rows, func(row []any) error {
		cells := make(table.Row, len(row))
		for i, v := range row {
			cells[i] = safe.Plain(plain(v))
		}
		list = append(list, cells)
		return nil
	})
	if err != nil {
		return err
	}
	if markdown {
		return output.Markdown(w, head, list)
	}
	return output.Table(w, head, list)
}

func eachRow(rows *store.Rows, fn func([]any) error) error {
	for {
		row, err := rows.Next()
		if err != nil || row == nil {
			return err
		}
		if err := fn(row); err != nil {
			return err
		}
	}
}

// plain writes a value of the database; numbers so that they read back the same.
func plain(v any) string {
	switch x := v.(type) {
	case nil:
		return ""
	case float64:
		return strconv.FormatFloat(x, 'g', -1, 64)
	case []byte:
		return fmt.Sprintf("%x", x)
	}
	return fmt.Sprint(v)
}
