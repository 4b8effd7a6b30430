package framelog

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"hash"
	"io"
	"os"
	"time"

	"capd.example/framelog/internal/cells"
	"capd.example/framelog/internal/decimal"
	"capd.example/framelog/internal/fault"
	"capd.example/framelog/internal/unwrap"
	"capd.example/record"
)

// Digest identifies the bytes of a log as they are on disk.
type Digest struct {
	SHA256  string // hexadecimal; empty with [Options.NoHash]
	Size    int64
	ModTime time.Time
}

// Reader reads logs one after another with buffers that it keeps. The frame times of a
// reading lie in those buffers: they are valid until the next call. A Reader must not be
// used by two goroutines at a time; its zero value is ready.
type Reader struct {
	buf     []byte
	sampler sampler
	scan    scan
	hash    hash.Hash
	explain *Explanation // filled where it is set
}

// Read reads a log that is in memory. name is its path, for declared layouts and errors.
func Read(name string, data []byte, opt Options) (record.Reading, error) {
	return new(Reader).Read(name, data, opt)
}

// ReadFile reads the log at path once, and again where it changed meanwhile.
func ReadFile(path string, opt Options) (record.Reading, Digest, error) {
	return new(Reader).ReadFile(path, opt)
}

// Read is like the function [Read].
func (r *Reader) Read(name string, data []byte, opt Options) (record.Reading, error) {
	return r.read(name, bytes.NewReader(data), int64(len(data)), opt)
}

// ReadStream reads a log of unknown size from a stream.
func (r *Reader) ReadStream(name string, in io.Reader, opt Options) (record.Reading, error) {
	return r.read(name, in, 0, opt)
}

// tries is how often a log that changes while it is read is read.
const tries = 3

// ReadFile is like the function [ReadFile]. The digest is filled as far as the file
// could be read, also where the log could not be understood.
func (r *Reader) ReadFile(path string, opt Options) (record.Reading, Digest, error) {
	for try := 1; ; try++ {
		out, d, changed, err := r.readOnce(path, opt)
		if !changed {
			return out, d, err
		}
		if try == tries {
			return record.Reading{}, d, fault.New(0, "stop the logger and try again",
				"a program wrote to the log each of the %d times that it was read", tries)
		}
	}
}

func (r *Reader) readOnce(path string, opt Options) (out record.Reading, d Digest, changed bool, err error) {
	f, before, err := openLog(path, opt.NoLink)
	if err != nil {
		return out, d, false, err
	}
	defer f.Close()
	d = Digest{Size: before.Size(), ModTime: before.ModTime()}
	in := io.Reader(f)
	if !opt.NoHash {
		if r.hash == nil {
			r.hash = sha256.New()
		}
		r.hash.Reset()
		in = &hashing{r: f, h: r.hash}
	}
	out, err = r.read(path, in, before.Size(), opt)
	if OfTheMoment(err) {
		return out, d, false, fmt.Errorf("read log: %w", err)
	}
	if !opt.NoHash {
		// An error may have ended the reading early; the identity is that of all bytes.
		if _, herr := io.Copy(r.hash, f); herr != nil {
			return out, d, false, fmt.Errorf("read log: %w", herr)
		}
		var sum [sha256.Size]byte
		d.SHA256 = hex.EncodeToString(r.hash.Sum(sum[:0]))
	}
	after, serr := os.Stat(path)
	changed = serr == nil && (after.Size() != before.Size() || !after.ModTime().Equal(before.ModTime()) ||
		!os.SameFile(before, after))
	return out, d, changed, err
}

// openLog opens a regular file and nothing else: what stands under a name can be another
// thing from one moment to the next, and opening a named pipe would wait for its writer.
func openLog(path string, noLink bool) (*os.File, os.FileInfo, error) {
	f, err := openShared(path)
	if err != nil {
		return nil, nil, fmt.Errorf("open log: %w", err)
	}
	info, err := f.Stat()
	if err == nil && info.Mode().IsRegular() && noLink {
		var named os.FileInfo
		if named, err = os.Lstat(path); err == nil && !os.SameFile(named, info) {
			err = fault.New(0, "put the file itself there", "%s is a link", path)
		}
	} else if err == nil && !info.Mode().IsRegular() {
		err = fault.New(0, "name a file", "%s is no regular file", path)
	}
	if err != nil {
		f.Close()
		var known *Error
		if !errors.As(err, &known) {
			err = fmt.Errorf("look at log: %w", err)
		}
		return nil, nil, err
	}
	return f, info, nil
}

// OfTheMoment reports whether an error of reading a log came from opening or reading the
// file, so that reading it again may help.
func OfTheMoment(err error) bool { return fault.OfTheMoment(err) }

// Bytes returns the bytes of the log at path as they are on disk.
func Bytes(path string, opt Options) ([]byte, error) {
	f, _, err := openLog(path, opt.NoLink)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	data, err := io.ReadAll(f)
	if err != nil {
		return nil, fmt.Errorf("read log: %w", err)
	}
	return data, nil
}

// headSize is how much of the beginning of a file tells whether it reads as a log.
const headSize = 64 << 10

// Begins reports whether a file that is still being written reads as a log so far. What is
// packed tells only when it is whole and counts as one; what cannot be read does not.
func Begins(path string, opt Options) bool {
	f, _, err := openLog(path, opt.NoLink)
	if err != nil {
		return false
	}
	defer f.Close()
	head := make([]byte, headSize)
	n, err := io.ReadFull(f, head)
	if err != nil && !errors.Is(err, io.EOF) && !errors.Is(err, io.ErrUnexpectedEOF) {
		return false
	}
	head = head[:n]
	if n >= 2 && (head[0] == 0x1f && head[1] == 0x8b || head[0] == 0x28 && head[1] == 0xb5) {
		return true
	}
	if end := bytes.LastIndexByte(head, '\n'); end >= 0 {
		head = head[:end+1] // the last row may be half written
	}
	_, err = Read(path, head, opt)
	var many *AmbiguousError
	return err == nil || errors.As(err, &many)
}

// hashing feeds all that is read to a hash.
type hashing struct {
	r io.Reader
	h hash.Hash
}

func (t *hashing) Read(p []byte) (int, error) {
	n, err := t.r.Read(p)
	t.h.Write(p[:n])
	return n, err
}

// fill reads into the buffer behind n bytes until it is full or the text ends.
func (r *Reader) fill(src io.Reader, n int) (int, bool, error) {
	if r.buf == nil {
		r.buf = make([]byte, pieceSize+pad)
	}
	idle := 0
	for n < len(r.buf)-pad {
		k, err := src.Read(r.buf[n : len(r.buf)-pad])
		n += k
		if err == io.EOF {
			return n, true, nil
		}
		if err != nil {
			return n, false, err
		}
		if k > 0 {
			idle = 0
		} else if idle++; idle > 100 {
			return n, false, io.ErrNoProgress
		}
	}
	return n, false, nil
}

// open reads the first piece and takes off whatever the text is wrapped in.
func (r *Reader) open(src *unwrap.Source, opt Options) (n int, eof bool, err error) {
	n, eof, err = r.fill(src, 0)
	for layers := 0; err == nil; layers++ {
		if n >= 2 && (r.buf[0] == 0x1f || r.buf[0] == 0x28) {
			src.Count(n)
		}
		var again bool
		if again, err = src.Unwrap(r.buf[:n], opt.Formats); !again || err != nil {
			break
		}
		if layers == 4 {
			return n, eof, fault.New(0, "unpack it", "the log is wrapped too often")
		}
		n, eof, err = r.fill(src, 0)
	}
	return n, eof, err
}

// read is the whole way from bytes to a reading.
func (r *Reader) read(name string, in io.Reader, size int64, opt Options) (record.Reading, error) {
	var out record.Reading
	src := unwrap.New(in)
	defer src.Close()
	n, eof, err := r.open(src, opt)
	if err != nil {
		return out, err
	}
	head := r.buf[:n]
	if n == 0 {
		return out, fault.New(0, "check that the logger wrote into it", "the log is empty")
	}
	if k := bytes.IndexByte(head[:min(n, 4096)], 0); k >= 0 {
		return out, fault.New(1+bytes.Count(head[:k], []byte{'\n'}),
			"check that it is a text log; a log cut off by a crash can end in NUL bytes, remove them", "a NUL byte")
	}
	d, err := declaredFor(opt, name, head)
	if err != nil {
		return out, err
	}
	t, err := r.sampler.findTable(head, eof, d)
	if err != nil {
		return out, err
	}
	program := opt.Program
	if d.Program != "" {
		program = d.Program
	}
	ch, err := r.decide(t, d, program, name)
	if r.explain != nil {
		r.explain.note(&r.sampler, t, ch, r.sampler.sampleColumns(t, ch.prog, ""), head, src.LineShift)
	}
	if err != nil {
		return out, err
	}
	if err := r.walk(src, t, ch, n, eof, size, opt); err != nil {
		return out, moveLine(err, src.LineShift)
	}
	out, err = r.conclude(src, t, ch, d, program)
	return out, moveLine(err, src.LineShift)
}

// moveLine corrects line numbers where the text has a heading that the log has not.
func moveLine(err error, shift int) error {
	var e *Error
	if shift > 0 && errors.As(err, &e) && e.Line > shift {
		e.Line -= shift
	}
	return err
}

// decide settles which columns are read.
func (r *Reader) decide(t *table, d Declared, program, name string) (choice, error) {
	prog := -1
	if d.ProgramColumn != "" {
		c, err := t.find(d.Name, "program_column", d.ProgramColumn)
		if err != nil {
			return choice{}, err
		}
		prog = c
	} else {
		prog = r.sampler.programColumn(t)
	}
	mainProgram := ""
	if prog >= 0 {
		mainProgram = r.sampler.sampledProgram(t, prog, program)
	}
	cols := r.sampler.sampleColumns(t, prog, mainProgram)
	ch, err := chooseDeclared(cols, t, d, name)
	if prog < 0 && d.Column == "" && (err != nil || ch.stamp == nil || ch.main.stamp) {
		if split, ok := r.sampler.splitByText(t, name); ok {
			return split, nil
		}
	}
	ch.prog = prog
	if t.columns == 1 {
		ch.prog = -1
	}
	return ch, err
}

// walk goes through all rows.
func (r *Reader) walk(src *unwrap.Source, t *table, ch choice, n int, eof bool, size int64, opt Options) error {
	limit := opt.MaxFrames
	if limit <= 0 {
		limit = DefaultMaxFrames
	}
	maxBytes := opt.MaxBytes
	if maxBytes <= 0 {
		maxBytes = DefaultMaxBytes
	}
	s := &r.scan
	s.begin(t, ch, r.expectedRows(t, n, size, limit), limit)
	at, read := t.body, int64(n)
	for {
		if eof && at < n {
			n = r.cutSummary(t, ch, at, n)
		}
		blank(r.buf[n : n+pad])
		var err error
		if at, err = s.lines(r.buf, at, n, eof); err != nil {
			return err
		}
		if eof {
			break
		}
		if at == 0 && n == len(r.buf)-pad {
			if n >= fault.MaxLine {
				return fault.New(s.line+1, "check that the log has one row per frame", "a line is longer than %d kB",
					fault.MaxLine>>10)
			}
			r.buf = append(r.buf, make([]byte, len(r.buf)-pad)...)
		}
		kept := copy(r.buf, r.buf[at:n])
		at = 0
		before := kept
		if n, eof, err = r.fill(src, kept); err != nil {
			return err
		}
		if read += int64(n - before); read > maxBytes {
			return fault.New(s.line, "split the log", "the log has more than %d MiB", maxBytes>>20)
		}
	}
	if at < n {
		s.last(r.buf[at:n])
		if s.limitErr != nil {
			return s.limitErr
		}
	}
	return s.end()
}

// summaryLines is how many lines at the end are looked at for a summary in the form of
// rows ("mean;;16.6").
const summaryLines = 16

// cutSummary returns where the rows of the last piece b[at:n] end. A line at the end
// that has a number where the frame time is, but text where all other rows have numbers,
// is part of a summary, and so is all behind it.
func (r *Reader) cutSummary(t *table, ch choice, at, n int) int {
	b, s := r.buf[:n], &r.sampler
	end, cut, lines := n, -1, 0
	for i := 0; i < summaryLines && end > at; i++ {
		start := at + 1 + bytes.LastIndexByte(b[at:max(at, end-1)], t.eol)
		line := cells.TrimCR(bytes.TrimSuffix(b[start:end], []byte{t.eol}))
		end = start
		if len(bytes.TrimSpace(line)) == 0 {
			continue
		}
		lines++
		if s.isRow(t, line) {
			break
		}
		if len(s.cells) == t.columns {
			if _, k := decimal.Parse(s.cells[ch.main.col.pos], t.point); k == decimal.IsNumber {
				cut = start
				r.scan.summary = lines
			}
		}
	}
	if cut < 0 {
		return n
	}
	return cut
}

// blank fills the bytes behind the text, which are looked at but never taken for text.
func blank(b []byte) {
	for i := range b {
		b[i] = ' '
	}
}

// expectedRows guesses the number of rows from the length of the sample lines, so that
// the frame times are allocated once.
func (r *Reader) expectedRows(t *table, n int, size int64, limit int) int {
	bytes := 0
	for _, l := range r.sampler.sample {
		bytes += len(l) + 1
	}
	if bytes == 0 {
		return 0
	}
	total := max(size, int64(n))
	return int(min(total*int64(len(r.sampler.sample))/int64(bytes)*17/16+16, int64(limit), 1<<20))
}
