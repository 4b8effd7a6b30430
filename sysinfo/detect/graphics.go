package detect

import (
	"bufio"
	"context"
	"fmt"
	"os"
	"strconv"
	"strings"
	"time"

	"capd.example/record"
	"capd.example/sysinfo/graphics"
	"capd.example/sysinfo/nvml"
	"capd.example/sysinfo/tree"
)

// detectGraphics asks the vendor's library in a goroutine of its own: a driver that hangs
// must not hang detection.
func detectGraphics(ctx context.Context, t tree.Tree, finder *graphics.Finder, f *facts) {
	type answer struct {
		cards []graphics.Card
		why   nvml.Gap
	}
	got := make(chan answer, 1)
	go func() {
		list, why := finder.All()
		got <- answer{list, why}
	}()
	limit := time.NewTimer(5 * time.Second)
	defer limit.Stop()
	select {
	case a := <-got:
		graphicsFields(t, a.cards, a.why, f)
	case <-limit.C:
		f.unknown(record.FieldGraphicsName, record.Broken, "the graphics driver did not answer in 5 s", true)
	case <-ctx.Done():
		f.unknown(record.FieldGraphicsName, record.Broken, "detection was stopped", true)
	}
}

func graphicsFields(t tree.Tree, list []graphics.Card, why nvml.Gap, f *facts) {
	if len(list) == 0 {
		source := "/sys/class/drm"
		reason := record.Absent
		if why.Why != "" && why.Why != record.Absent {
			source, reason = "nvml: "+why.Text, why.Why
		}
		f.unknown(record.FieldGraphicsName, reason, source, true)
		f.unknown(record.FieldGraphicsDriver, reason, source, true)
		return
	}
	kernel, _ := t.Text("/proc/sys/kernel/osrelease")
	for i, c := range list {
		g := cardFields{t: t, f: f, prefix: "graphics." + itoa(i) + ".", c: c, kernel: kernel, why: why}
		g.identity()
		g.power()
		g.bus()
	}
}

// cardFields writes the fields of one card.
type cardFields struct {
	t      tree.Tree
	f      *facts
	prefix string
	c      graphics.Card
	kernel string
	why    nvml.Gap
}

func (g cardFields) identity() {
	f, c, p := g.f, g.c, g.prefix
	name, board, source := pciName(g.t, c)
	if c.NV != nil && c.NV.Name != "" {
		name, source = c.NV.Name, "nvml"
	}
	if name == "" && c.Vendor != 0 {
		name, source = fmt.Sprintf("PCI %04x:%04x", c.Vendor, c.Device), c.Dir+"/device/uevent"
	}
	f.id(p+"name", name, "", source)
	if c.Vendor != 0 {
		f.id(p+"pci_id", fmt.Sprintf("%04x:%04x", c.Vendor, c.Device), "", "pci")
		f.id(p+"board_id", fmt.Sprintf("%04x:%04x", c.SubVen, c.SubDev), "", "pci")
		f.maybe(p+"board", board, "", "pci.ids", "", false)
	}
	f.maybe(p+"kernel_driver", c.Driver, "", c.Dir+"/device/uevent", "", true)
	driver, source, why := g.driverVersion()
	f.maybe(p+"driver", driver, "", source, why, true)
	switch {
	case c.Vram > 0:
		f.id(p+"memory", utoa(c.Vram/mib), "MiB", g.source("mem_info_vram_total"))
	default:
		f.unknown(p+"memory", record.Absent, g.source("mem_info_vram_total"), true)
	}
	if c.NV != nil {
		f.maybe(p+"firmware", c.NV.Vbios, "", "nvml", "", false)
	} else {
		s, why := g.t.Text(c.Dir + "/device/vbios_version")
		f.maybe(p+"firmware", s, "", c.Dir+"/device/vbios_version", why, false)
	}
}

func (g cardFields) source(file string) string {
	if g.c.NV != nil {
		return "nvml"
	}
	return g.c.Dir + "/device/" + file
}

// driverVersion: the vendor's own driver has a version, those of the kernel are the kernel.
func (g cardFields) driverVersion() (version, source string, why record.Unknown) {
	switch {
	case g.c.NV != nil:
		return g.c.NV.Driver, "nvml", ""
	case g.c.Driver == "nvidia":
		const file = "/proc/driver/nvidia/version"
		s, why := g.t.Text(file)
		return nvidiaVersion(s), file, why
	case g.c.Driver == "":
		return "", g.c.Dir + "/device/uevent", record.Absent
	case g.kernel == "":
		return "", "/proc/sys/kernel/osrelease", record.Absent
	}
	return g.c.Driver + " of kernel " + g.kernel, "/proc/sys/kernel/osrelease", ""
}

// nvidiaVersion returns the first word of the first line that looks like a version.
func nvidiaVersion(text string) string {
	first, _, _ := strings.Cut(text, "\n")
	for _, w := range strings.Fields(first) {
		if len(w) > 3 && w[0] >= '0' && w[0] <= '9' && strings.Contains(w, ".") {
			return w
		}
	}
	return ""
}

func (g cardFields) power() {
	p := g.prefix
	if nv := g.c.NV; nv != nil {
		g.f.maybe(p+"power_limit", round1(float64(nv.PowerLimit)/1000), "W", "nvml", nv.PowerWhy, true)
		g.f.maybe(p+"clock_max", itoa(int(nv.MaxClock)), "MHz", "nvml", nv.MaxClockWhy, false)
		return
	}
	if s := graphics.Sleeping(g.t, g.c.Dir); s != "" {
		g.f.unknown(p+"power_limit", record.Unsupported, "the card sleeps ("+s+"); reading would wake it", true)
		return
	}
	hw := g.t.Glob(g.c.Dir + "/device/hwmon/hwmon*")
	if len(hw) == 0 {
		g.f.unknown(p+"power_limit", record.Absent, g.c.Dir+"/device/hwmon", true)
		return
	}
	for _, name := range []string{"power1_cap", "power1_max"} {
		if n, why := g.t.Number(hw[0] + "/" + name); why == "" {
			g.f.id(p+"power_limit", round1(float64(n)/1e6), "W", hw[0]+"/"+name)
			return
		}
	}
	g.f.unknown(p+"power_limit", record.Absent, hw[0]+"/power1_cap", true)
}

func (g cardFields) bus() {
	p, c := g.prefix, g.c
	if nv := c.NV; nv != nil {
		g.f.maybe(p+"link_best", linkText(int(nv.MaxGen), int(nv.MaxWidth)), "", "nvml", "", true)
		g.f.maybe(p+"link_now", linkText(int(nv.Gen), int(nv.Width)), "", "nvml", "", false)
		if nv.Bar1 > 0 && nv.Vram > 0 {
			g.f.id(p+"large_bar", yesNo(nv.Bar1 >= nv.Vram/10*9), "", "nvml")
		} else {
			g.f.unknown(p+"large_bar", record.Unsupported, "nvml", true)
		}
		return
	}
	if c.Dir == "" {
		return
	}
	dev := c.Dir + "/device/"
	for _, q := range []struct {
		name, prefix string
		identity     bool
	}{{"link_best", "max", true}, {"link_now", "current", false}} {
		speed, why := g.t.Text(dev + q.prefix + "_link_speed")
		width, why2 := g.t.Text(dev + q.prefix + "_link_width")
		if why == "" {
			why = why2
		}
		w, _ := strconv.Atoi(width)
		g.f.maybe(p+q.name, linkText(generation(speed), w), "", dev+q.prefix+"_link_speed", why, q.identity)
	}
	text, why := g.t.Text(dev + "resource")
	bar := largestBAR(text)
	if why == "" && c.Vram == 0 {
		why = record.Unsupported
	}
	g.f.maybe(p+"large_bar", yesNo(bar >= c.Vram/10*9), "", dev+"resource", why, true)
}

func linkText(gen, width int) string {
	if gen <= 0 || width <= 0 {
		return ""
	}
	return fmt.Sprintf("PCIe %d x%d", gen, width)
}

// generation tells a link's generation from its transfer rate (PCI Express Base
// Specification: 2.5, 5, 8, 16, 32 and 64 GT/s).
func generation(speed string) int {
	word, _, _ := strings.Cut(speed, " ")
	x, err := strconv.ParseFloat(word, 64)
	if err != nil {
		return 0
	}
	for i, rate := range []float64{2.5, 5, 8, 16, 32, 64} {
		if x == rate {
			return i + 1
		}
	}
	return 0
}

// largestBAR returns the size of the largest prefetchable window in a PCI resource file:
// lines of start, end and flags.
func largestBAR(text string) uint64 {
	const prefetch = 0x2000 // IORESOURCE_PREFETCH of the kernel's include/linux/ioport.h
	best := uint64(0)
	for _, l := range strings.Split(text, "\n") {
		w := strings.Fields(l)
		if len(w) != 3 {
			continue
		}
		start, e1 := strconv.ParseUint(w[0], 0, 64)
		end, e2 := strconv.ParseUint(w[1], 0, 64)
		flags, e3 := strconv.ParseUint(w[2], 0, 64)
		if e1 == nil && e2 == nil && e3 == nil && flags&prefetch != 0 && end > start {
			best = max(best, end-start+1)
		}
	}
	return best
}

// pciName looks a card's names up in the system's own list of PCI identifiers.
func pciName(t tree.Tree, c graphics.Card) (name, board, source string) {
	if c.Vendor == 0 {
		return "", "", ""
	}
	for _, file := range []string{"/usr/share/hwdata/pci.ids", "/usr/share/misc/pci.ids"} {
		f, err := os.Open(t.Path(file))
		if err != nil {
			continue
		}
		name, board = lookUpPCI(bufio.NewScanner(f), c)
		f.Close()
		if name != "" {
			return name, board, file
		}
	}
	return "", "", ""
}

// lookUpPCI reads a list of vendors, devices below them by one tab, boards by two.
func lookUpPCI(s *bufio.Scanner, c graphics.Card) (name, board string) {
	vendor := fmt.Sprintf("%04x  ", c.Vendor)
	device := fmt.Sprintf("\t%04x  ", c.Device)
	sub := fmt.Sprintf("\t\t%04x %04x  ", c.SubVen, c.SubDev)
	maker, in := "", false
	for s.Scan() {
		l := s.Text()
		switch {
		case strings.HasPrefix(l, "#") || l == "":
		case maker == "":
			if v, ok := strings.CutPrefix(l, vendor); ok {
				maker = v
			}
		case l[0] != '\t':
			return name, board // the next vendor
		case strings.HasPrefix(l, "\t\t"):
			if v, ok := strings.CutPrefix(l, sub); ok && in {
				board = v
			}
		default:
			v, ok := strings.CutPrefix(l, device)
			if in && !ok {
				return name, board // the next device
			}
			if in = ok; ok {
				name = maker + " " + v
			}
		}
	}
	return name, board
}
