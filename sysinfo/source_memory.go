package sysinfo

import (
	"bytes"
	"strings"
	"time"

	"capd.example/record"
)

// wordsSource reads files of lines "key number", such as /proc/meminfo.
type wordsSource struct {
	clock
	f    *file
	buf  []byte
	name string
	want []word
}

type word struct {
	key     []byte // with what separates it from the number
	col     column
	scale   float64
	rate    bool
	counter counter
}

func openWords(t tree, file string, want ...word) (source, record.Unknown) {
	f, err := openFile(t.path(file))
	if err != nil {
		return nil, reason(err)
	}
	s := &wordsSource{f: f, buf: make([]byte, 16<<10), name: file, want: want}
	if _, err := f.readAll(s.buf); err != nil {
		f.close()
		return nil, reason(err)
	}
	for i := range s.want {
		s.want[i].col.source = file
	}
	return s, ""
}

func (s *wordsSource) label() string { return s.name }

func (s *wordsSource) columns() []column {
	cols := make([]column, len(s.want))
	for i, w := range s.want {
		cols[i] = w.col
	}
	return cols
}

func (s *wordsSource) read(row []float64, now time.Time) {
	elapsed := s.since(now)
	n, err := s.f.read(s.buf)
	if err != nil {
		return
	}
	text := s.buf[:n]
	for i := range s.want {
		w := &s.want[i]
		v, ok := wordValue(text, w.key)
		switch {
		case !ok:
		case w.rate:
			row[i] = w.counter.rate(v, elapsed, w.scale)
		default:
			row[i] = float64(v) * w.scale
		}
	}
}

func (s *wordsSource) close() { s.f.close() }

func openMeminfo(t tree) (source, record.Unknown) {
	return openWords(t, "/proc/meminfo", word{key: []byte("MemAvailable:"), col: column{name: record.SeriesMemAvail, unit: "B"}, scale: 1 << 10})
}

func openVMStat(t tree) (source, record.Unknown) {
	return openWords(t, "/proc/vmstat",
		word{key: []byte("pswpin "), col: column{name: record.SeriesSwapIn, unit: "pages/s"}, scale: 1, rate: true},
		word{key: []byte("pgmajfault "), col: column{name: "mem.major_faults", unit: "1/s"}, scale: 1, rate: true})
}

// openPressure reads how long some task had to wait: the total is in microseconds.
func openPressure(t tree, file, name string) (source, record.Unknown) {
	f, err := openFile(t.path("/proc/pressure/" + file))
	if err != nil {
		return nil, reason(err)
	}
	s := &pressureSource{f: f, name: name, path: "/proc/pressure/" + file}
	if _, err := f.read(s.buf[:]); err != nil {
		f.close()
		return nil, reason(err)
	}
	return s, ""
}

type pressureSource struct {
	clock
	f          *file
	buf        [256]byte
	name, path string
	counter    counter
}

func (s *pressureSource) label() string     { return s.name }
func (s *pressureSource) columns() []column { return []column{{s.name, "%", s.path}} }
func (s *pressureSource) close()            { s.f.close() }

func (s *pressureSource) read(row []float64, now time.Time) {
	elapsed := s.since(now)
	n, err := s.f.read(s.buf[:])
	if err != nil {
		return
	}
	some, _ := line(s.buf[:n])
	i := bytes.Index(some, []byte("total="))
	if i < 0 {
		return
	}
	if v, ok := unsigned(some[i+len("total="):]); ok {
		row[0] = s.counter.rate(v, elapsed, 100e-6)
	}
}

// tableSource adds two counts over the chosen lines of a table: sectors read and written
// of drives, bytes received and sent of network cards.
type tableSource struct {
	clock
	f       *file
	buf     []byte
	chosen  [][]byte
	name    string
	cols    []column
	nameAt  int    // which word is the line's name
	at      [2]int // which words behind the name are the counts
	scale   float64
	in, out counter
}

// drivesAlone is up to how many drives a file for each is cheaper than the table of all
// that the kernel knows, which on a usual system lists many more.
const drivesAlone = 4

// openDisks reads drives, and not what is built on top of them, which would count twice.
func openDisks(t tree) (source, record.Unknown) {
	var names []string
	for _, d := range t.glob("/sys/block/*") {
		if t.exists(d + "/device") {
			names = append(names, d[strings.LastIndexByte(d, '/')+1:])
		}
	}
	if s := openDrives(t, names); s != nil {
		return s, ""
	}
	return openTable(t, "/proc/diskstats", names, &tableSource{
		name: "disk", nameAt: 2, at: [2]int{2, 6}, scale: 512, // sectors of 512 bytes, whatever the drive's own
		cols: []column{{record.SeriesDiskRead, "B/s", "/proc/diskstats"}, {record.SeriesDiskWrite, "B/s", "/proc/diskstats"}}})
}

// drivesSource adds the sectors read and written of few drives (kernel:
// Documentation/block/stat.rst).
type drivesSource struct {
	clock
	files   []*file
	buf     [512]byte
	in, out counter
}

// openDrives returns nil where there are too many drives or one has no file of its own.
func openDrives(t tree, names []string) source {
	if len(names) == 0 || len(names) > drivesAlone {
		return nil
	}
	s := &drivesSource{}
	for _, n := range names {
		f, err := openFile(t.path("/sys/block/" + n + "/stat"))
		if err != nil {
			s.close()
			return nil
		}
		f.prompt()
		s.files = append(s.files, f)
	}
	return s
}

func (s *drivesSource) label() string { return "disk" }

func (s *drivesSource) columns() []column {
	const source = "/sys/block/*/stat"
	return []column{{record.SeriesDiskRead, "B/s", source}, {record.SeriesDiskWrite, "B/s", source}}
}

func (s *drivesSource) read(row []float64, now time.Time) {
	elapsed := s.since(now)
	var in, out uint64
	for _, f := range s.files {
		n, err := f.read(s.buf[:])
		if err != nil {
			continue // the sum falls once, which is no rate, when a drive is taken away
		}
		a, b := twoCounts(s.buf[:n], [2]int{2, 6})
		in, out = in+a, out+b
	}
	row[0], row[1] = s.in.rate(in, elapsed, 512), s.out.rate(out, elapsed, 512) // sectors, whatever the drive's own
}

func (s *drivesSource) close() {
	for _, f := range s.files {
		f.close()
	}
}

// openNetwork reads real network cards, and not bridges and tunnels, which would count
// twice.
func openNetwork(t tree) (source, record.Unknown) {
	var names []string
	for _, d := range t.glob("/sys/class/net/*") {
		if t.exists(d + "/device") {
			names = append(names, d[strings.LastIndexByte(d, '/')+1:]+":")
		}
	}
	return openTable(t, "/proc/net/dev", names, &tableSource{
		name: "net", nameAt: 0, at: [2]int{0, 8}, scale: 1,
		cols: []column{{record.SeriesNetRecv, "B/s", "/proc/net/dev"}, {record.SeriesNetSend, "B/s", "/proc/net/dev"}}})
}

func openTable(t tree, file string, names []string, s *tableSource) (source, record.Unknown) {
	if len(names) == 0 {
		return nil, record.Absent
	}
	f, err := openFile(t.path(file))
	if err != nil {
		return nil, reason(err)
	}
	s.f, s.buf = f, make([]byte, 32<<10)
	for _, n := range names {
		s.chosen = append(s.chosen, []byte(n))
	}
	return s, ""
}

func (s *tableSource) label() string     { return s.name }
func (s *tableSource) columns() []column { return s.cols }
func (s *tableSource) close()            { s.f.close() }

func (s *tableSource) read(row []float64, now time.Time) {
	elapsed := s.since(now)
	n, err := s.f.read(s.buf)
	if err != nil {
		return
	}
	var in, out uint64
	for text := s.buf[:n]; len(text) > 0; {
		var l []byte
		l, text = line(text)
		var w []byte
		for range s.nameAt + 1 {
			w, l = field(l)
		}
		if s.wanted(w) {
			a, b := twoCounts(l, s.at)
			in, out = in+a, out+b
		}
	}
	row[0], row[1] = s.in.rate(in, elapsed, s.scale), s.out.rate(out, elapsed, s.scale)
}

func (s *tableSource) wanted(name []byte) bool {
	for _, c := range s.chosen {
		if bytes.Equal(c, name) {
			return true
		}
	}
	return false
}

// twoCounts returns the words of b at the two positions.
func twoCounts(b []byte, at [2]int) (x, y uint64) {
	for k := 0; k <= at[1]; k++ {
		n, rest, ok := nextUnsigned(b)
		if !ok {
			return x, y
		}
		if k == at[0] {
			x = n
		}
		if k == at[1] {
			y = n
		}
		b = rest
	}
	return x, y
}
