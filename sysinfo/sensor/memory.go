package sensor

import (
	"bytes"
	"strings"
	"time"

	"capd.example/record"
	"capd.example/sysinfo/tree"
)

// wordsSource reads files of lines "key number", such as /proc/meminfo.
type wordsSource struct {
	clock
	f    *tree.File
	buf  []byte
	name string
	want []word
}

type word struct {
	key     []byte // with what separates it from the number
	col     Column
	scale   float64
	rate    bool
	counter counter
}

func openWords(t tree.Tree, file string, want ...word) (Source, record.Unknown) {
	f, err := tree.Open(t.Path(file))
	if err != nil {
		return nil, tree.Reason(err)
	}
	s := &wordsSource{f: f, buf: make([]byte, 16<<10), name: file, want: want}
	if _, err := f.ReadAll(s.buf); err != nil {
		f.Close()
		return nil, tree.Reason(err)
	}
	for i := range s.want {
		s.want[i].col.Source = file
	}
	return s, ""
}

func (s *wordsSource) Label() string { return s.name }

func (s *wordsSource) Columns() []Column {
	cols := make([]Column, len(s.want))
	for i, w := range s.want {
		cols[i] = w.col
	}
	return cols
}

func (s *wordsSource) Read(row []float64, now time.Time) {
	elapsed := s.since(now)
	n, err := s.f.Read(s.buf)
	if err != nil {
		return
	}
	text := s.buf[:n]
	for i := range s.want {
		w := &s.want[i]
		v, ok := tree.WordValue(text, w.key)
		switch {
		case !ok:
		case w.rate:
			row[i] = w.counter.rate(v, elapsed, w.scale)
		default:
			row[i] = float64(v) * w.scale
		}
	}
}

func (s *wordsSource) Close() { s.f.Close() }

func openMeminfo(t tree.Tree) (Source, record.Unknown) {
	return openWords(t, "/proc/meminfo", word{key: []byte("MemAvailable:"),
		col: Column{Name: record.SeriesMemAvail, Unit: "B"}, scale: 1 << 10})
}

func openVMStat(t tree.Tree) (Source, record.Unknown) {
	return openWords(t, "/proc/vmstat",
		word{key: []byte("pswpin "), col: Column{Name: record.SeriesSwapIn, Unit: "pages/s"}, scale: 1, rate: true},
		word{key: []byte("pgmajfault "), col: Column{Name: "mem.major_faults", Unit: "1/s"}, scale: 1, rate: true})
}

// openPressure reads how long some task had to wait: the total is in microseconds.
func openPressure(t tree.Tree, file, name string) (Source, record.Unknown) {
	f, err := tree.Open(t.Path("/proc/pressure/" + file))
	if err != nil {
		return nil, tree.Reason(err)
	}
	s := &pressureSource{f: f, name: name, path: "/proc/pressure/" + file}
	if _, err := f.Read(s.buf[:]); err != nil {
		f.Close()
		return nil, tree.Reason(err)
	}
	return s, ""
}

type pressureSource struct {
	clock
	f          *tree.File
	buf        [256]byte
	name, path string
	counter    counter
}

func (s *pressureSource) Label() string     { return s.name }
func (s *pressureSource) Columns() []Column { return []Column{{s.name, "%", s.path}} }
func (s *pressureSource) Close()            { s.f.Close() }

func (s *pressureSource) Read(row []float64, now time.Time) {
	elapsed := s.since(now)
	n, err := s.f.Read(s.buf[:])
	if err != nil {
		return
	}
	some, _ := tree.Line(s.buf[:n])
	i := bytes.Index(some, []byte("total="))
	if i < 0 {
		return
	}
	if v, ok := tree.Unsigned(some[i+len("total="):]); ok {
		row[0] = s.counter.rate(v, elapsed, 100e-6)
	}
}

// tableSource adds two counts over the chosen lines of a table: sectors read and written
// of drives, bytes received and sent of network cards.
type tableSource struct {
	clock
	f       *tree.File
	buf     []byte
	chosen  [][]byte
	name    string
	cols    []Column
	nameAt  int    // which word is the line's name
	at      [2]int // which words behind the name are the counts
	scale   float64
	in, out counter
}

// drivesAlone is up to how many drives a file for each is cheaper than the table of all
// that the kernel knows, which on a usual system lists many more.
const drivesAlone = 4

// openDisks reads drives, and not what is built on top of them, which would count twice.
func openDisks(t tree.Tree) (Source, record.Unknown) {
	var names []string
	for _, d := range t.Glob("/sys/block/*") {
		if t.Exists(d + "/device") {
			names = append(names, d[strings.LastIndexByte(d, '/')+1:])
		}
	}
	if s := openDrives(t, names); s != nil {
		return s, ""
	}
	return openTable(t, "/proc/diskstats", names, &tableSource{
		name: "disk", nameAt: 2, at: [2]int{2, 6}, scale: 512, // sectors of 512 bytes, whatever the drive's own
		cols: []Column{{record.SeriesDiskRead, "B/s", "/proc/diskstats"},
			{record.SeriesDiskWrite, "B/s", "/proc/diskstats"}}})
}

// drivesSource adds the sectors read and written of few drives (kernel:
// Documentation/block/stat.rst).
type drivesSource struct {
	clock
	files   []*tree.File
	buf     [512]byte
	in, out counter
}

// openDrives returns nil where there are too many drives or one has no file of its own.
func openDrives(t tree.Tree, names []string) Source {
	if len(names) == 0 || len(names) > drivesAlone {
		return nil
	}
	s := &drivesSource{}
	for _, n := range names {
		f, err := tree.Open(t.Path("/sys/block/" + n + "/stat"))
		if err != nil {
			s.Close()
			return nil
		}
		f.Prompt()
		s.files = append(s.files, f)
	}
	return s
}

func (s *drivesSource) Label() string { return "disk" }

func (s *drivesSource) Columns() []Column {
	const source = "/sys/block/*/stat"
	return []Column{{record.SeriesDiskRead, "B/s", source}, {record.SeriesDiskWrite, "B/s", source}}
}

func (s *drivesSource) Read(row []float64, now time.Time) {
	elapsed := s.since(now)
	var in, out uint64
	for _, f := range s.files {
		n, err := f.Read(s.buf[:])
		if err != nil {
			continue // the sum falls once, which is no rate, when a drive is taken away
		}
		a, b := twoCounts(s.buf[:n], [2]int{2, 6})
		in, out = in+a, out+b
	}
	row[0], row[1] = s.in.rate(in, elapsed, 512), s.out.rate(out, elapsed, 512) // sectors, whatever the drive's own
}

func (s *drivesSource) Close() {
	for _, f := range s.files {
		f.Close()
	}
}

// openNetwork reads real network cards, and not bridges and tunnels, which would count
// twice.
func openNetwork(t tree.Tree) (Source, record.Unknown) {
	var names []string
	for _, d := range t.Glob("/sys/class/net/*") {
		if t.Exists(d + "/device") {
			names = append(names, d[strings.LastIndexByte(d, '/')+1:]+":")
		}
	}
	return openTable(t, "/proc/net/dev", names, &tableSource{
		name: "net", nameAt: 0, at: [2]int{0, 8}, scale: 1,
		cols: []Column{{record.SeriesNetRecv, "B/s", "/proc/net/dev"}, {record.SeriesNetSend, "B/s", "/proc/net/dev"}}})
}

func openTable(t tree.Tree, file string, names []string, s *tableSource) (Source, record.Unknown) {
	if len(names) == 0 {
		return nil, record.Absent
	}
	f, err := tree.Open(t.Path(file))
	if err != nil {
		return nil, tree.Reason(err)
	}
	s.f, s.buf = f, make([]byte, 32<<10)
	for _, n := range names {
		s.chosen = append(s.chosen, []byte(n))
	}
	return s, ""
}

func (s *tableSource) Label() string     { return s.name }
func (s *tableSource) Columns() []Column { return s.cols }
func (s *tableSource) Close()            { s.f.Close() }

func (s *tableSource) Read(row []float64, now time.Time) {
	elapsed := s.since(now)
	n, err := s.f.Read(s.buf)
	if err != nil {
		return
	}
	var in, out uint64
	for text := s.buf[:n]; len(text) > 0; {
		var l []byte
		l, text = tree.Line(text)
		var w []byte
		for range s.nameAt + 1 {
			w, l = tree.Word(l)
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
		n, rest, ok := tree.NextUnsigned(b)
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
