package detect

import (
	"context"
	"fmt"
	"sort"
	"strconv"
	"strings"

	"github.com/shirou/gopsutil/v3/mem"

	"capd.example/internal/text"
	"capd.example/record"
	"capd.example/sysinfo/firmware"
	"capd.example/sysinfo/tree"
)

// detectMemory reads the memory modules from the device database or, as root, from the
// firmware's table, and what the kernel can use of them.
func detectMemory(ctx context.Context, t tree.Tree, f *facts) {
	const udev, table = "/run/udev/data/+dmi:id", "/sys/firmware/dmi/tables/DMI"
	var modules []firmware.Module
	slots, source := 0, udev
	text, why := t.Text(udev)
	if why == "" {
		modules, slots = udevMemory(text)
	}
	if len(modules) == 0 {
		raw, w := t.Bytes(table)
		source, why = table, w
		if w == "" {
			s, err := firmware.ParseSMBIOS(raw)
			modules, slots = s.Modules, s.Slots
			if err != nil && len(modules) == 0 {
				why = record.Broken
			}
		}
	}
	usable := uint64(0)
	v, err := mem.VirtualMemoryWithContext(t.Context(ctx))
	if err == nil {
		usable = v.Total
	}
	memoryFields(f, modules, slots, source, why, usable, "/proc/meminfo")
}

// memoryFields writes what is known about the modules. usable is what the operating
// system has, 0 where it is not known.
func memoryFields(f *facts, modules []firmware.Module, slots int, source string, why record.Unknown, usable uint64,
	usableSource string) {
	var used []firmware.Module
	total, unsure := uint64(0), false
	for _, m := range modules {
		if m.Bytes > 0 || m.Unknown {
			used = append(used, m)
			total += m.Bytes
			unsure = unsure || m.Unknown
		}
	}
	if why == "" && len(used) == 0 {
		why = record.Unsupported
	}
	switch {
	case total > 0 && !unsure:
		f.id(record.FieldMemorySize, gibText(total), "GiB", source)
	case usable > 0:
		// Firmware keeps some memory for itself, a little more or less with every
		// version; whole GiB do not move with it.
		f.id(record.FieldMemorySize, utoa((usable+gib-1)/gib), "GiB", usableSource+", rounded up")
	default:
		f.unknown(record.FieldMemorySize, record.Broken, usableSource, true)
	}
	if usable > 0 {
		f.add("memory.usable", utoa(usable/kib), "KiB", usableSource)
	}
	configured := lowest(used, func(m firmware.Module) int { return m.Configured })
	f.maybe(record.FieldMemorySpeed, positive(configured), "MT/s", source, why, true)
	f.maybe("memory.rated_speed", positive(lowest(used, func(m firmware.Module) int { return m.Rated })), "MT/s", source,
		why, true)
	f.maybe("memory.type", sameText(used, func(m firmware.Module) string { return m.Type }), "", source, why, true)
	if why != "" {
		f.unknown("memory.modules", why, source, true)
	} else {
		f.id("memory.modules", moduleText(used), "", source)
		if slots > 0 {
			f.add("memory.slots", itoa(slots), "", source)
		}
		f.add("memory.voltage", voltage(lowest(used, func(m firmware.Module) int { return m.Millivolts })), "V", source)
		for i, m := range used {
			f.add(fmt.Sprintf("memory.%d.slot", i), m.Locator, "", source)
			f.add(fmt.Sprintf("memory.%d.part", i), strings.TrimSpace(m.Maker+" "+m.Part), "", source)
		}
	}
	// The firmware's table does not hold timings.
	f.unknown("memory.timings", record.Absent, source, false)
}

// moduleText describes the population: "2 x 16 GiB, 1 rank".
func moduleText(used []firmware.Module) string {
	count := map[string]int{}
	for _, m := range used {
		s := gibText(m.Bytes) + " GiB"
		if m.Unknown {
			s = "unknown size"
		}
		if m.Rank == 1 {
			s += ", 1 rank"
		} else if m.Rank > 1 {
			s += fmt.Sprintf(", %d ranks", m.Rank)
		}
		count[s]++
	}
	var parts []string
	for s, n := range count {
		parts = append(parts, fmt.Sprintf("%d x %s", n, s))
	}
	sort.Strings(parts)
	return strings.Join(parts, "; ")
}

// lowest returns the smallest known value: the slowest module sets the pace of all.
func lowest(modules []firmware.Module, of func(firmware.Module) int) int {
	best := 0
	for _, m := range modules {
		if n := of(m); n > 0 && (best == 0 || n < best) {
			best = n
		}
	}
	return best
}

func positive(n int) string {
	if n <= 0 {
		return ""
	}
	return itoa(n)
}

func voltage(mV int) string {
	if mV <= 0 {
		return ""
	}
	return strconv.FormatFloat(float64(mV)/1000, 'f', -1, 64)
}

func sameText(modules []firmware.Module, of func(firmware.Module) string) string {
	var all []string
	for _, m := range modules {
		if s := of(m); s != "" {
			all = append(all, s)
		}
	}
	sort.Strings(all)
	out := all[:0]
	for i, s := range all {
		if i == 0 || s != all[i-1] {
			out = append(out, s)
		}
	}
	return strings.Join(out, " and ")
}

// udevMemory reads the memory modules that the device manager noted from the firmware's
// table: lines E:MEMORY_DEVICE_<n>_<key>=<value>.
func udevMemory(text string) (modules []firmware.Module, slots int) {
	byNumber := map[int]*firmware.Module{}
	absent := map[int]bool{}
	for _, l := range strings.Split(text, "\n") {
		l, ok := strings.CutPrefix(l, "E:MEMORY_")
		if !ok {
			continue
		}
		key, value, _ := strings.Cut(l, "=")
		if key == "ARRAY_NUM_DEVICES" {
			slots, _ = strconv.Atoi(value)
			continue
		}
		number, what, ok := strings.Cut(strings.TrimPrefix(key, "DEVICE_"), "_")
		n, err := strconv.Atoi(number)
		if !ok || err != nil || n < 0 || n > 1024 {
			continue
		}
		if byNumber[n] == nil {
			byNumber[n] = &firmware.Module{}
		}
		if what == "PRESENT" && value == "0" {
			absent[n] = true
		}
		setUdev(byNumber[n], what, value)
	}
	var order []int
	for n := range byNumber {
		if !absent[n] {
			order = append(order, n)
		}
	}
	sort.Ints(order)
	for _, n := range order {
		modules = append(modules, *byNumber[n])
	}
	return modules, slots
}

func setUdev(m *firmware.Module, key, value string) {
	number := func() int { n, _ := strconv.Atoi(value); return max(n, 0) }
	switch key {
	case "SIZE":
		m.Bytes, _ = strconv.ParseUint(value, 10, 64)
	case "TYPE":
		// Versions that do not know a type print a phrase in angle brackets.
		if !strings.HasPrefix(value, "<") {
			m.Type = text.Reported(value)
		}
	case "SPEED_MTS":
		m.Rated = number()
	case "CONFIGURED_SPEED_MTS":
		m.Configured = number()
	case "MANUFACTURER":
		m.Maker = text.Reported(value)
	case "PART_NUMBER":
		m.Part = text.Reported(value)
	case "LOCATOR":
		m.Locator = text.Reported(value)
	case "RANK":
		m.Rank = number()
	case "CONFIGURED_VOLTAGE":
		m.Millivolts = number()
	}
}
