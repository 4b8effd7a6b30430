// Package unwrap turns the bytes of a log into text: it unpacks, decodes UTF-16 and turns
// JSON Lines and binary formats into comma-separated text.
package unwrap

import (
	"bufio"
	"bytes"
	"compress/gzip"
	"encoding/binary"
	"fmt"
	"io"
	"unicode/utf16"
	"unicode/utf8"

	"github.com/klauspost/compress/zstd"

	"capd.example/framelog/internal/fault"
)

// A compressed log may grow to this size whatever its ratio, and beyond it by this
// ratio. Logs of numbers shrink to a fifth or a twentieth; a bomb to a thousandth.
const (
	freeGrowth = 32 << 20
	maxRatio   = 200
	zstdWindow = 32 << 20
	maxBinary  = 256 << 20 // a compressed binary log is unpacked in memory
)

// Source is the text of a log with what its wrapping says about it.
type Source struct {
	io.Reader
	Format, Compression, Encoding string
	counted                       *counter
	closers                       []func()
	LineShift                     int // lines of text that the log itself does not have
}

// New returns the text of a log that nothing is known of yet.
func New(r io.Reader) *Source { return &Source{Reader: r} }

// Count counts what is taken from the log from now on, of which n bytes were taken already.
func (s *Source) Count(n int) {
	if s.counted == nil {
		s.counted = &counter{r: s.Reader, n: int64(n)}
		s.Reader = s.counted
	}
}

// Close releases decoders.
func (s *Source) Close() {
	for _, c := range s.closers {
		c()
	}
}

// counter counts the bytes taken from the log itself.
type counter struct {
	r io.Reader
	n int64
}

func (c *counter) Read(p []byte) (int, error) {
	n, err := c.r.Read(p)
	c.n += int64(n)
	return n, err
}

// Unwrap looks at the first bytes and puts the decoder they ask for around the source.
// It returns false when they are plain text.
func (s *Source) Unwrap(first []byte, formats []Format) (bool, error) {
	whole := func(skip int) io.Reader {
		return io.MultiReader(bytes.NewReader(bytes.Clone(first[skip:])), s.Reader)
	}
	switch {
	case bytes.HasPrefix(first, []byte{0x1f, 0x8b}):
		return true, s.gunzip(whole(0))
	case bytes.HasPrefix(first, []byte{0x28, 0xb5, 0x2f, 0xfd}):
		return true, s.unzstd(whole(0))
	case bytes.HasPrefix(first, []byte{0xff, 0xfe}):
		s.Encoding = "utf-16le"
		s.Reader = &utf16Reader{r: bufio.NewReader(whole(0)), order: binary.LittleEndian}
		return true, nil
	case bytes.HasPrefix(first, []byte{0xfe, 0xff}):
		s.Encoding = "utf-16be"
		s.Reader = &utf16Reader{r: bufio.NewReader(whole(0)), order: binary.BigEndian}
		return true, nil
	case bytes.HasPrefix(first, []byte{0xef, 0xbb, 0xbf}):
		s.Reader = whole(3)
		return true, nil
	}
	if s.Format != "" {
		return false, nil
	}
	for _, f := range formats {
		if f.Magic != "" && bytes.HasPrefix(first, []byte(f.Magic)) {
			return true, s.unpackBinary(whole(0), f)
		}
	}
	if bytes.HasPrefix(first, []byte("PAR1")) {
		return false, fault.New(0, "measure it with capctl, or let the logger write text",
			"the log is a Parquet file, which this program does not read")
	}
	if looksLikeJSON(first) {
		s.Format = "jsonl"
		s.LineShift = 1
		s.Reader = newJSONLines(whole(0))
		return true, nil
	}
	return false, nil
}

func (s *Source) wrapped(name string) error {
	if s.Compression != "" {
		return fault.New(0, "unpack it", "the log is compressed twice (%s in %s)", name, s.Compression)
	}
	s.Compression = name
	return nil
}

func (s *Source) gunzip(r io.Reader) error {
	if err := s.wrapped("gzip"); err != nil {
		return err
	}
	z, err := gzip.NewReader(r)
	if fault.OfTheMoment(err) {
		return err
	} else if err != nil {
		return fault.New(0, "check that the file was copied whole", "unpack gzip: %v", err)
	}
	s.Reader = &growth{r: z, in: s.counted, name: "gzip"}
	return nil
}

func (s *Source) unzstd(r io.Reader) error {
	if err := s.wrapped("zstd"); err != nil {
		return err
	}
	z, err := zstd.NewReader(r, zstd.WithDecoderConcurrency(1), zstd.WithDecoderLowmem(true),
		zstd.WithDecoderMaxWindow(zstdWindow), zstd.WithDecoderMaxMemory(1<<40))
	if err != nil {
		return fault.New(0, "check that the file was copied whole", "unpack zstd: %v", err)
	}
	s.closers = append(s.closers, z.Close)
	s.Reader = &growth{r: z, in: s.counted, name: "zstd"}
	return nil
}

// growth stops a decompressor that yields far more than any log would.
type growth struct {
	r    io.Reader
	in   *counter
	out  int64
	name string
}

func (g *growth) Read(p []byte) (int, error) {
	n, err := g.r.Read(p)
	g.out += int64(n)
	if g.out > freeGrowth && g.out > maxRatio*g.in.n {
		return 0, fault.New(0, "if it really is a log, unpack it first",
			"the log unpacks to more than %d MiB from %d kB: not read any further", g.out>>20, g.in.n>>10)
	}
	if err != nil && err != io.EOF && !fault.OfTheMoment(err) {
		err = fault.New(0, "check that the file was copied whole", "unpack %s: %v", g.name, err)
	}
	return n, err
}

// unpackBinary hands a binary log to its format. It needs random access: the file itself
// where it is plain, else its bytes in memory.
func (s *Source) unpackBinary(r io.Reader, f Format) error {
	data, err := io.ReadAll(io.LimitReader(r, maxBinary+1))
	if err != nil {
		return err
	}
	if len(data) > maxBinary {
		return fault.New(0, "split it", "the %s log has more than %d MiB", f.Name, maxBinary>>20)
	}
	text, err := f.Text(bytes.NewReader(data), int64(len(data)))
	if err != nil {
		return fault.New(0, "check that the file was copied whole", "read %s: %v", f.Name, err)
	}
	s.Format = f.Name
	s.LineShift = 1
	s.Reader = text
	return nil
}

// utf16Reader turns UTF-16 into UTF-8.
type utf16Reader struct {
	r     *bufio.Reader
	order binary.ByteOrder
	begun bool
	rest  []byte
	buf   [8]byte
}

func (u *utf16Reader) Read(p []byte) (int, error) {
	n := 0
	for n < len(p) {
		if len(u.rest) > 0 {
			k := copy(p[n:], u.rest)
			u.rest = u.rest[k:]
			n += k
			continue
		}
		if n > 0 && u.r.Buffered() < 4 && u.begun {
			break // rather a short read than to wait for more
		}
		r, err := u.rune()
		if err != nil {
			return n, err
		}
		if !u.begun {
			u.begun = true
			if r == 0xfeff {
				continue
			}
		}
		if r < utf8.RuneSelf {
			p[n] = byte(r)
			n++
			continue
		}
		u.rest = utf8.AppendRune(u.buf[:0], r)
	}
	return n, nil
}

func (u *utf16Reader) rune() (rune, error) {
	r, err := u.unit()
	if err != nil || !utf16.IsSurrogate(r) {
		return r, err
	}
	low, err := u.unit()
	if err == io.EOF {
		return utf8.RuneError, nil
	} else if err != nil {
		return 0, err
	}
	return utf16.DecodeRune(r, low), nil
}

// unit reads one 16-bit unit. A single byte at the end was cut off and is dropped.
func (u *utf16Reader) unit() (rune, error) {
	b, err := u.r.Peek(2)
	if len(b) < 2 {
		if err == nil {
			err = io.EOF
		}
		return 0, err // of which a disk that failed, or damage of what it is packed in, is no end
	}
	r := rune(u.order.Uint16(b))
	if _, err := u.r.Discard(2); err != nil {
		return 0, fmt.Errorf("decode UTF-16: %w", err)
	}
	return r, nil
}

// Format is a binary format that can be turned into comma-separated text with a heading.
type Format struct {
	Name  string // for record.Layout.Format
	Magic string // the bytes it begins with
	// Text returns the table as text. It must bound its own memory.
	Text func(r io.ReaderAt, size int64) (io.Reader, error)
}
