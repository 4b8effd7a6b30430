package parquetlog

import (
	"bufio"
	"errors"
	"fmt"
	"io"

	"github.com/parquet-go/parquet-go/format"
)

// The library reserves what the head of a page asks for before it reads the page. Pages of
// honest writers are about a megabyte; these bounds leave room for one page a row group. One
// page of each column of a row group is held at a time, beside the column's dictionary.
const (
	maxPageBytes   = 128 << 20
	maxPageValues  = 16 << 20
	maxGroupBytes  = 256 << 20
	maxGroupValues = 64 << 20
	maxPages       = 1 << 20 // in a file
	maxHead        = 1 << 20 // bytes of a head, which may hold the page's smallest and largest value
)

// headsFit refuses a file in which the head of a page asks for more than a log can need.
// Heads are read here as the format lays them down (Apache Parquet, parquet.thrift, in the
// compact protocol of Apache Thrift), since the library does not let them be seen.
func headsFit(r io.ReaderAt, size int64, groups []format.RowGroup) error {
	w := walk{r: r, size: size, buffered: bufio.NewReaderSize(nil, 512)}
	for n, g := range groups {
		var held page
		for i := range g.Columns {
			largest, err := w.chunk(&g.Columns[i].MetaData)
			if err != nil {
				return fmt.Errorf("column %d: %w", i+1, err)
			}
			held.bytes, held.values = held.bytes+largest.bytes, held.values+largest.values
		}
		if held.bytes > maxGroupBytes || held.values > maxGroupValues {
			return fmt.Errorf("the largest pages of the columns of row group %d ask for %d bytes and %d values together; allowed are %d and %d: write smaller pages",
				n+1, held.bytes, held.values, maxGroupBytes, maxGroupValues)
		}
	}
	return nil
}

type walk struct {
	r        io.ReaderAt
	size     int64
	pages    int
	buffered *bufio.Reader
}

// chunk looks at the heads of a column's pages, one behind the other, and returns what
// is held of them at a time.
func (w *walk) chunk(m *format.ColumnMetaData) (held page, err error) {
	var dictionary, largest page
	at := m.DataPageOffset
	if d := m.DictionaryPageOffset; d > 0 {
		if d > at {
			return held, errors.New("the file is damaged: a dictionary lies behind what needs it")
		}
		at = d
	}
	end := at + m.TotalCompressedSize
	if at < 0 || m.TotalCompressedSize < 0 || end < at || end > w.size {
		return held, errors.New("the file is cut off or damaged: pages lie outside it")
	}
	data := false // the library begins where the footer says, so a page must begin there
	for at < end {
		data = data || at == m.DataPageOffset
		if w.pages++; w.pages > maxPages {
			return held, fmt.Errorf("more than %d pages", maxPages)
		}
		length, p, err := w.head(at)
		if err != nil {
			return held, fmt.Errorf("the file is damaged: head of the page at byte %d: %w", at, err)
		}
		if p.bytes > maxPageBytes || p.values > maxPageValues {
			return held,
				fmt.Errorf("the page at byte %d asks for %d bytes and %d values; allowed are %d and %d: write smaller pages",
					at, p.bytes, p.values, maxPageBytes, maxPageValues)
		}
		if data {
			largest = page{bytes: max(largest.bytes, p.bytes), values: max(largest.values, p.values)}
		} else {
			dictionary = page{bytes: dictionary.bytes + p.bytes, values: dictionary.values + p.values}
		}
		at += length + p.stored
		if p.stored < 0 || at > w.size {
			return held, fmt.Errorf("the file is cut off or damaged: the page before byte %d ends behind the file", at)
		}
	}
	if !data && end > m.DataPageOffset {
		return held, errors.New("the file is damaged: no page begins where the footer says")
	}
	return page{bytes: dictionary.bytes + largest.bytes, values: dictionary.values + largest.values}, nil
}

// page is what the head of a page asks for: the largest, where it asks twice.
type page struct{ bytes, stored, values int64 }

// head reads the head of the page at a byte and returns its own length.
func (w *walk) head(at int64) (length int64, p page, err error) {
	most := min(w.size-at, maxHead)
	in := compact{left: most, in: w.buffered}
	w.buffered.Reset(io.NewSectionReader(w.r, at, most))
	err = in.fields(0, func(path []int16, v int64) {
		switch {
		case len(path) == 1 && path[0] == 2:
			p.bytes = max(p.bytes, v)
		case len(path) == 1 && path[0] == 3:
			p.bytes, p.stored = max(p.bytes, v), v
		case len(path) == 2 && (path[0] == 5 || path[0] == 7 || path[0] == 8) && path[1] == 1:
			p.values = max(p.values, v)
		case len(path) == 2 && path[0] == 8 && (path[1] == 5 || path[1] == 6): // lengths of levels
			p.bytes = max(p.bytes, v)
		}
	})
	return most - in.left, p, err
}

// compact reads values in Thrift's compact protocol.
type compact struct {
	in   *bufio.Reader
	left int64 // bytes that there are
	path []int16
}

const maxDepth = 8 // of structs and lists

var errHead = errors.New("no such thing as a page's head")

// fields reads a struct and hands over each number with the fields that lead to it.
func (c *compact) fields(depth int, number func(path []int16, v int64)) error {
	if depth > maxDepth {
		return errHead
	}
	id := int16(0)
	for {
		b, err := c.byte()
		if err != nil || b == 0 {
			return err
		}
		if d := int16(b >> 4); d != 0 {
			id += d
		} else {
			v, err := c.signed()
			if err != nil {
				return err
			}
			id = int16(v)
		}
		c.path = append(c.path, id)
		if err := c.value(b&15, depth, number); err != nil {
			return err
		}
		c.path = c.path[:len(c.path)-1]
	}
}

func (c *compact) value(kind byte, depth int, number func([]int16, int64)) error {
	switch kind {
	case 1, 2: // true and false stand in the head of the field
		return nil
	case 3:
		_, err := c.byte()
		return err
	case 4, 5, 6:
		v, err := c.signed()
		if err == nil && number != nil {
			number(c.path, v)
		}
		return err
	case 7:
		return c.skip(8)
	case 8:
		n, err := c.unsigned()
		if err != nil {
			return err
		}
		return c.skip(n)
	case 9, 10:
		return c.list(depth)
	case 12:
		return c.fields(depth+1, number)
	}
	return errHead // a page's head has no maps
}

// list passes over a list or a set.
func (c *compact) list(depth int) error {
	if depth > maxDepth {
		return errHead
	}
	b, err := c.byte()
	if err != nil {
		return err
	}
	n, kind := uint64(b>>4), b&15
	if n == 15 {
		if n, err = c.unsigned(); err != nil {
			return err
		}
	}
	for range n { // every element takes a byte at least
		if kind == 1 || kind == 2 {
			err = c.skip(1)
		} else {
			err = c.value(kind, depth+1, nil)
		}
		if err != nil {
			return err
		}
	}
	return nil
}

func (c *compact) byte() (byte, error) {
	c.left--
	b, err := c.in.ReadByte()
	if err == io.EOF {
		err = io.ErrUnexpectedEOF
	}
	return b, err
}

func (c *compact) skip(n uint64) error {
	if n > uint64(max(0, c.left)) {
		return io.ErrUnexpectedEOF
	}
	c.left -= int64(n)
	_, err := c.in.Discard(int(n))
	return err
}

func (c *compact) unsigned() (uint64, error) {
	var x uint64
	for shift := 0; shift < 64; shift += 7 {
		b, err := c.byte()
		if err != nil {
			return 0, err
		}
		x |= uint64(b&0x7f) << shift
		if b < 0x80 {
			return x, nil
		}
	}
	return 0, errHead
}

// signed undoes the zigzag.
func (c *compact) signed() (int64, error) {
	x, err := c.unsigned()
	return int64(x>>1) ^ -int64(x&1), err
}
