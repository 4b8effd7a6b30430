package sensor

import (
	"bytes"
	"fmt"
	"math"
	"time"

	"capd.example/record"
	"capd.example/sysinfo/tree"
)

// cpuSource reads the processor times of /proc/stat.
type cpuSource struct {
	clock
	f     *tree.File
	buf   []byte
	cores int
	idle  []uint64 // of the whole machine, then of each processor
	total []uint64
	steal counter
	busy  float64 // processors busy at the latest sample
}

func openCPU(t tree.Tree) (*cpuSource, error) {
	f, err := tree.Open(t.Path("/proc/stat"))
	if err != nil {
		return nil, err
	}
	s := &cpuSource{f: f, buf: make([]byte, 256<<10)}
	n, err := f.ReadAll(s.buf)
	if err != nil {
		f.Close()
		return nil, err
	}
	// The lines of the processors come first; what follows is long and of no use here.
	for text := s.buf[:n]; bytes.HasPrefix(text, []byte("cpu")); s.cores++ {
		_, text = tree.Line(text)
	}
	s.cores = max(s.cores-1, 0)
	if s.cores == 0 {
		f.Close()
		return nil, tree.ErrNoData
	}
	s.buf = make([]byte, 256*(s.cores+1))
	s.idle, s.total = make([]uint64, s.cores+1), make([]uint64, s.cores+1)
	return s, nil
}

func (s *cpuSource) Label() string { return "cpu" }

const ColumnBusySeconds = ".cpu.busy_s" // cumulative, all processors

func (s *cpuSource) Columns() []Column {
	const source = "/proc/stat"
	cols := []Column{{ColumnBusySeconds, "s", source}, {record.SeriesBusy, "%", source}, {record.SeriesSteal, "%", source}}
	for i := range s.cores {
		cols = append(cols, Column{record.Numbered(record.SeriesCoreBusy, i), "%", source})
	}
	return cols
}

func (s *cpuSource) Read(row []float64, now time.Time) {
	elapsed := s.since(now)
	n, err := s.f.Read(s.buf)
	if err != nil {
		return
	}
	text := s.buf[:n]
	for i := 0; i <= s.cores && bytes.HasPrefix(text, []byte("cpu")); i++ {
		var l []byte
		l, text = tree.Line(text)
		_, rest := tree.Word(l)
		idle, total, steal := cpuTimes(rest)
		share := s.share(i, idle, total)
		if i > 0 {
			row[2+i] = share
			continue
		}
		row[0], row[1] = float64(total-idle)/tree.UserHZ, share
		if share >= 0 { // not NaN
			s.busy = share / 100 * float64(s.cores)
		}
		row[2] = s.steal.rate(steal, elapsed, 100.0/tree.UserHZ/float64(s.cores))
	}
}

func (s *cpuSource) load() float64 { return s.busy }

// cpuTimes adds a line's times: user, nice, system, idle, iowait, irq, softirq, steal.
// Guest times stand inside user and nice already. Stolen time is neither idle nor ours,
// so it is left out of the total.
func cpuTimes(b []byte) (idle, total, steal uint64) {
	for k := range 8 {
		n, rest, ok := tree.NextUnsigned(b)
		if !ok {
			break
		}
		b = rest
		switch k {
		case 3, 4:
			idle += n
			total += n
		case 7:
			steal = n
		default:
			total += n
		}
	}
	return idle, total, steal
}

// share returns the busy share of one processor since the last look in percent.
func (s *cpuSource) share(i int, idle, total uint64) float64 {
	di, dt := idle-s.idle[i], total-s.total[i]
	first := s.total[i] == 0
	back := idle < s.idle[i] || total < s.total[i] // iowait may run backwards
	s.idle[i], s.total[i] = idle, total
	if first || back || dt == 0 || di > dt {
		return math.NaN()
	}
	return 100 * float64(dt-di) / float64(dt)
}

func (s *cpuSource) Close() { s.f.Close() }

// gaugeSource reads files that hold one number each.
type gaugeSource struct {
	name   string
	gauges []gauge
	buf    [64]byte
	// perSample bounds how many files one sample reads besides the first ones, which all
	// samples do, so that a machine of many processors does not pay for all at once; the
	// others wait for their turn.
	perSample, first, next int
}

type gauge struct {
	f     *tree.File
	col   Column
	scale float64
}

func (s *gaugeSource) Label() string { return s.name }

func (s *gaugeSource) Columns() []Column {
	cols := make([]Column, len(s.gauges))
	for i, g := range s.gauges {
		cols[i] = g.col
	}
	return cols
}

func (s *gaugeSource) Read(row []float64, _ time.Time) {
	first, others := min(s.first, len(s.gauges)), len(s.gauges)-min(s.first, len(s.gauges))
	for i := range first {
		row[i] = s.gauges[i].read(s.buf[:])
	}
	n := others
	if s.perSample > 0 {
		n = min(n, s.perSample)
	}
	for range n {
		i := first + s.next
		s.next = (s.next + 1) % others
		row[i] = s.gauges[i].read(s.buf[:])
	}
}

func (g *gauge) read(buf []byte) float64 {
	n, err := g.f.Read(buf)
	if err != nil {
		return math.NaN()
	}
	v, ok := tree.Signed(buf[:n])
	if !ok {
		return math.NaN()
	}
	return float64(v) * g.scale
}

func (s *gaugeSource) Close() {
	for _, g := range s.gauges {
		g.f.Close()
	}
}

// add opens one more file; it reports why that is not possible.
func (s *gaugeSource) add(t tree.Tree, file string, scale float64, name, unit string) record.Unknown {
	f, err := tree.Open(t.Path(file))
	if err != nil {
		return tree.Reason(err)
	}
	var buf [64]byte
	if _, err := f.Read(buf[:]); err != nil {
		f.Close()
		return tree.Reason(err)
	}
	s.gauges = append(s.gauges, gauge{f, Column{name, unit, file}, scale})
	return ""
}

// prompt says that all files tell what the processor itself knows.
func (s *gaugeSource) prompt() {
	for _, g := range s.gauges {
		g.f.Prompt()
	}
}

// openClocks reads what clock each processor runs at. The kernel tells an average since
// its last tick, which is old on an idle processor: weigh it by the processor's load.
func openClocks(t tree.Tree) (Source, record.Unknown) {
	s := &gaugeSource{name: record.SeriesCoreClock, perSample: 16}
	why := record.Absent
	for _, dir := range t.Glob(tree.CPUDir + "/cpu[0-9]*/cpufreq") {
		var n int
		if _, err := fmt.Sscanf(dir, tree.CPUDir+"/cpu%d/", &n); err != nil {
			continue
		}
		if w := s.add(t, dir+"/scaling_cur_freq", 1e-3, record.Numbered(record.SeriesCoreClock, n), "MHz"); w != "" {
			why = w
		}
	}
	if len(s.gauges) == 0 {
		return nil, why
	}
	s.prompt()
	return s, ""
}

// openThrottle reads how often the processor's thermal interrupt fired. The package's
// count shows once per processor: one per package is taken. Where it is missing, the
// counts of the cores are.
func openThrottle(t tree.Tree) (Source, record.Unknown) {
	s := &sumSource{gaugeSource: gaugeSource{name: record.SeriesCPUThrottle}, unit: "", out: record.SeriesCPUThrottle}
	seen := map[string]bool{}
	why := record.Absent
	for _, pattern := range []string{"package", "core"} {
		for _, file := range t.Glob(tree.CPUDir + "/cpu[0-9]*/thermal_throttle/" + pattern + "_throttle_count") {
			dir := file[:len(file)-len("thermal_throttle/"+pattern+"_throttle_count")] + "topology/"
			key, _ := t.Text(dir + "physical_package_id")
			if pattern == "core" {
				core, _ := t.Text(dir + "core_id")
				key += "/" + core
			}
			if seen[key] {
				continue
			}
			if w := s.add(t, file, 1, "", ""); w != "" {
				why = w
				continue
			}
			seen[key] = true
		}
		if len(s.gauges) > 0 {
			s.row = make([]float64, len(s.gauges))
			s.prompt()
			return s, ""
		}
	}
	return nil, why
}

// sumSource adds the numbers of several files.
type sumSource struct {
	gaugeSource
	out, unit string
	row       []float64
}

func (s *sumSource) Columns() []Column {
	return []Column{{s.out, s.unit, s.gauges[0].col.Source}}
}

func (s *sumSource) Read(row []float64, now time.Time) {
	for i := range s.row {
		s.row[i] = math.NaN()
	}
	s.gaugeSource.Read(s.row, now)
	sum := 0.0
	for _, v := range s.row {
		sum += v
	}
	row[0] = sum
}

// powerSource turns the energy counters of the processor packages into power.
type powerSource struct {
	clock
	zones []energyZone
	buf   [64]byte
}

type energyZone struct {
	f    *tree.File
	wrap uint64
	last uint64
	seen bool
}

// openPower needs the counters to be readable, which by default only root may.
func openPower(t tree.Tree) (Source, record.Unknown) {
	s := &powerSource{}
	why := record.Absent
	for _, dir := range t.Glob("/sys/class/powercap/intel-rapl:*") {
		if name, w := t.Text(dir + "/name"); w != "" || len(name) < 7 || name[:7] != "package" {
			continue
		}
		f, err := tree.Open(t.Path(dir + "/energy_uj"))
		if err != nil {
			why = tree.Reason(err)
			continue
		}
		f.Prompt()
		wrap, _ := t.Number(dir + "/max_energy_range_uj")
		s.zones = append(s.zones, energyZone{f: f, wrap: uint64(max(wrap, 0))})
	}
	if len(s.zones) == 0 {
		return nil, why
	}
	return s, ""
}

func (s *powerSource) Label() string { return record.SeriesCPUPower }

func (s *powerSource) Columns() []Column {
	return []Column{{record.SeriesCPUPower, "W", "/sys/class/powercap"}}
}

func (s *powerSource) Read(row []float64, now time.Time) {
	elapsed := s.since(now)
	sum, ok := 0.0, elapsed > 0
	for i := range s.zones {
		z := &s.zones[i]
		n, err := z.f.Read(s.buf[:])
		uj, good := tree.Unsigned(s.buf[:n])
		if err != nil || !good {
			z.seen = false
			ok = false
			continue
		}
		ok = ok && z.seen
		sum += float64(z.grown(uj)) / 1e6
	}
	if ok {
		row[0] = sum / elapsed
	}
}

// grown returns the energy since the last look, in microjoules.
func (z *energyZone) grown(now uint64) uint64 {
	d := now - z.last
	if now < z.last {
		d = z.wrap - z.last + now
	}
	z.last, z.seen = now, true
	return d
}

func (s *powerSource) Close() {
	for _, z := range s.zones {
		z.f.Close()
	}
}
