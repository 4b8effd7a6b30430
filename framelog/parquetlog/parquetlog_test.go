package parquetlog_test

import (
	"bytes"
	"encoding/binary"
	"io"
	"runtime"
	"slices"
	"strings"
	"testing"

	"capd.example/framelog"
	"capd.example/framelog/parquetlog"
	"github.com/parquet-go/parquet-go"
	"github.com/parquet-go/parquet-go/compress"
	"github.com/parquet-go/parquet-go/encoding/thrift"
)

type row struct {
	At   int64    `parquet:"stamp_ns"`
	Took float64  `parquet:"took_ms,snappy"`
	Who  string   `parquet:"program,dict"`
	Heat *float64 `parquet:"degrees,optional"`
}

func file(t testing.TB, n int) ([]byte, []float64) {
	var out bytes.Buffer
	w := parquet.NewGenericWriter[row](&out, parquet.MaxRowsPerRowGroup(1000))
	var want []float64
	at := int64(1_795_588_296_129_000_007)
	for i := range n {
		ms := 8 + float64(i*7919%1013)/128 // on no decimal grid
		at += int64(ms * 1e6)
		r := row{At: at, Took: ms, Who: "hollow, \"the\" game"}
		if i%3 == 0 {
			r.Heat = &ms
		}
		if _, err := w.Write([]row{r}); err != nil {
			t.Fatal(err)
		}
		want = append(want, ms)
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	return out.Bytes(), want
}

func TestFramesComeBackBitForBit(t *testing.T) {
	b, want := file(t, 3500)
	got, err := framelog.Read("x.parquet", b, framelog.Options{Formats: []framelog.Format{parquetlog.Format}})
	if err != nil {
		t.Fatal(err)
	}
	if got.Layout.Format != "parquet" || got.Layout.Column != "took_ms" || len(got.Frames.MS) != len(want) {
		t.Fatalf("%+v, %d frames", got.Layout, len(got.Frames.MS))
	}
	for i := range want {
		if got.Frames.MS[i] != want[i] {
			t.Fatalf("frame %d is %v, want %v", i, got.Frames.MS[i], want[i])
		}
	}
}

func TestNestedTablesAreRefused(t *testing.T) {
	var out bytes.Buffer
	w := parquet.NewGenericWriter[struct{ Took []float64 }](&out)
	if _, err := w.Write([]struct{ Took []float64 }{{[]float64{1, 2}}}); err != nil {
		t.Fatal(err)
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	if _, err := framelog.Read("x.parquet", out.Bytes(), framelog.Options{Formats: []framelog.Format{parquetlog.Format}}); err == nil {
		t.Fatal("no error")
	}
}

// hostile is a file of one column whose first page asks for a gigabyte.
func hostile(t testing.TB, codec compress.Codec) []byte {
	var out bytes.Buffer
	w := parquet.NewGenericWriter[struct {
		Took float64 `parquet:"took_ms"`
	}](&out, parquet.Compression(codec))
	for i := range 1000 {
		if _, err := w.Write([]struct {
			Took float64 `parquet:"took_ms"`
		}{{8 + float64(i%7)}}); err != nil {
			t.Fatal(err)
		}
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	b := out.Bytes()
	// The magic word, then the head's fields 1 (kind of page) and 2 (size) as 32-bit numbers
	// of Thrift's compact protocol: 0x15, zigzag, 0x15, zigzag.
	_, one := binary.Uvarint(b[5:])
	at := 5 + one + 1
	if b[4] != 0x15 || b[at-1] != 0x15 {
		t.Fatalf("the file begins with % x", b[:16])
	}
	_, two := binary.Uvarint(b[at:])
	return slices.Concat(b[:at], binary.AppendUvarint(nil, 2<<30), b[at+two:])
}

// What the head of a page asks for is not reserved before it is looked at.
func TestAPageThatAsksForAGigabyteIsRefused(t *testing.T) {
	for _, codec := range []compress.Codec{&parquet.Uncompressed, &parquet.Snappy, &parquet.Gzip} {
		b := hostile(t, codec)
		var before, after runtime.MemStats
		runtime.ReadMemStats(&before)
		_, err := framelog.Read("x.parquet", b, framelog.Options{Formats: []framelog.Format{parquetlog.Format}})
		if err == nil || !strings.Contains(err.Error(), "the page at byte 4 asks for 1073741824 bytes") {
			t.Errorf("%v: %v", codec, err)
		}
		if runtime.ReadMemStats(&after); after.TotalAlloc-before.TotalAlloc > 64<<20 {
			t.Errorf("%v: to refuse it took %d MB", codec, (after.TotalAlloc-before.TotalAlloc)>>20)
		}
	}
}

// greedy is a file of twelve columns whose only pages each claim to have 127 MB of content.
func greedy(t testing.TB) []byte {
	type wide struct{ C0, C1, C2, C3, C4, C5, C6, C7, C8, C9, C10, C11 float64 }
	var out bytes.Buffer
	w := parquet.NewGenericWriter[wide](&out, parquet.Compression(&parquet.Snappy), parquet.PageBufferSize(1<<20))
	for i := range 2000 {
		if _, err := w.Write([]wide{{C0: float64(i), C11: float64(i % 7)}}); err != nil {
			t.Fatal(err)
		}
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	b := out.Bytes()
	f, err := parquet.OpenFile(bytes.NewReader(b), int64(len(b)))
	if err != nil {
		t.Fatal(err)
	}
	footer := f.Metadata()
	columns := footer.RowGroups[0].Columns
	var body []byte
	from := 0
	for i := range columns {
		m := &columns[i].MetaData
		at := int(m.DataPageOffset)
		_, kind := binary.Uvarint(b[at+1:])
		size := at + 1 + kind + 1 // as in hostile
		_, width := binary.Uvarint(b[size:])
		if b[at] != 0x15 || b[size-1] != 0x15 || m.DictionaryPageOffset != 0 {
			t.Fatalf("column %d begins with % x", i, b[at:at+8])
		}
		before := len(body)
		body = append(body, b[from:at]...)
		m.DataPageOffset = int64(len(body))
		body = append(body, b[at:size]...)
		body = binary.AppendUvarint(body, 127<<21)
		m.TotalCompressedSize += int64(len(body)-before) - int64(size+width-from)
		from = size + width
	}
	last := columns[len(columns)-1].MetaData
	body = append(body, b[from:]...)[:last.DataPageOffset+last.TotalCompressedSize]
	end, err := thrift.Marshal(new(thrift.CompactProtocol), footer)
	if err != nil {
		t.Fatal(err)
	}
	return append(binary.LittleEndian.AppendUint32(append(body, end...), uint32(len(end))), "PAR1"...)
}

// Nor is what many columns ask for together, of which each asks for little enough.
func TestManyColumnsThatAskForMuchAreRefused(t *testing.T) {
	b := greedy(t)
	var before, after runtime.MemStats
	runtime.ReadMemStats(&before)
	_, err := framelog.Read("x.parquet", b, framelog.Options{Formats: []framelog.Format{parquetlog.Format}})
	if err == nil || !strings.Contains(err.Error(), "row group 1 ask for 1598029824 bytes") {
		t.Error(err)
	}
	if runtime.ReadMemStats(&after); after.TotalAlloc-before.TotalAlloc > 64<<20 {
		t.Errorf("to refuse %d bytes it took %d MB", len(b), (after.TotalAlloc-before.TotalAlloc)>>20)
	}
}

// Damaged files give an error or a table, never a panic, and open within bounds.
func FuzzText(f *testing.F) {
	b, _ := file(f, 30)
	f.Add(b)
	f.Add(b[:len(b)/2])
	f.Add(hostile(f, &parquet.Snappy))
	f.Add([]byte("PAR1PAR1"))
	f.Add([]byte("PAR1\x00\xff\xff\xff\x2fPAR1")) // a footer of 800 MB, it says
	f.Fuzz(func(t *testing.T, b []byte) {
		var before, after runtime.MemStats
		runtime.ReadMemStats(&before)
		r, err := parquetlog.Text(bytes.NewReader(b), int64(len(b)))
		if runtime.ReadMemStats(&after); after.TotalAlloc-before.TotalAlloc > 256<<20 {
			t.Fatalf("to open %d bytes took %d MB", len(b), (after.TotalAlloc-before.TotalAlloc)>>20)
		}
		if err != nil {
			return
		}
		n, err := io.Copy(io.Discard, io.LimitReader(r, 1<<20))
		if err == nil && n == 0 {
			t.Fatal("an empty table without a heading")
		}
	})
}
