package detect

import (
	"strconv"
	"strings"

	"capd.example/internal/text"
	"capd.example/record"
	"capd.example/sysinfo/firmware"
	"capd.example/sysinfo/tree"
)

// detectBoard reads board and firmware. Serial numbers lie in the same folder and are
// not read.
func detectBoard(t tree.Tree, f *facts) {
	const dir = "/sys/class/dmi/id/"
	board, why := t.Text(dir + "board_name")
	if vendor, w := t.Text(dir + "board_vendor"); w == "" && why == "" && text.Reported(vendor) != "" &&
		text.Reported(board) != "" {
		board = vendor + " " + board
	}
	f.maybe(record.FieldBoardName, board, "", dir+"board_name", why, true)
	for _, q := range []struct{ name, file string }{
		{record.FieldFirmwareVersion, "bios_version"}, {"firmware.date", "bios_date"},
	} {
		s, why := t.Text(dir + q.file)
		f.maybe(q.name, s, "", dir+q.file, why, true)
	}
}

// detectOS reads the kernel and the distribution.
func detectOS(t tree.Tree, f *facts) {
	release, why := t.Text("/etc/os-release")
	source := "/etc/os-release"
	if why == record.Absent {
		source = "/usr/lib/os-release"
		release, why = t.Text(source)
	}
	f.maybe(record.FieldOSName, osRelease(release), "", source, why, true)
	build, why := t.Text("/proc/sys/kernel/osrelease")
	f.maybe(record.FieldOSBuild, build, "", "/proc/sys/kernel/osrelease", why, true)
	profile, why := t.Text("/sys/firmware/acpi/platform_profile")
	f.maybe("os.power_profile", profile, "", "/sys/firmware/acpi/platform_profile", why, true)
	pages, why := t.Text("/sys/kernel/mm/transparent_hugepage/enabled")
	f.maybe("os.huge_pages", bracketed(pages), "", "/sys/kernel/mm/transparent_hugepage/enabled", why, false)
}

// osRelease returns the name for people from an os-release file.
func osRelease(text string) string {
	for _, l := range strings.Split(text, "\n") {
		if v, ok := strings.CutPrefix(strings.TrimSpace(l), "PRETTY_NAME="); ok {
			return strings.Trim(v, `"'`)
		}
	}
	return ""
}

// bracketed returns the chosen word of a list such as "always [madvise] never".
func bracketed(s string) string {
	_, rest, ok := strings.Cut(s, "[")
	if !ok {
		return ""
	}
	word, _, _ := strings.Cut(rest, "]")
	return word
}

// detectPowerSource tells mains from battery.
func detectPowerSource(t tree.Tree, f *facts) {
	const dir = "/sys/class/power_supply"
	source, why := "", record.Absent
	for _, d := range t.Glob(dir + "/*") {
		kind, w := t.Text(d + "/type")
		if w != "" || kind != "Mains" && kind != "USB" {
			continue
		}
		online, w := t.Number(d + "/online")
		if w != "" {
			why = w
			continue
		}
		why = ""
		if online == 1 {
			source = "mains"
		} else if source == "" && kind == "Mains" {
			source = "battery"
		}
	}
	f.maybe("power.source", source, "", dir, why, false)
	for _, d := range t.Glob(dir + "/*") {
		if kind, w := t.Text(d + "/type"); w != "" || kind != "Battery" {
			continue
		}
		if scope, w := t.Text(d + "/scope"); w == "" && scope == "Device" {
			continue // of a mouse or a headset
		}
		s, w := t.Text(d + "/status")
		f.maybe("power.battery", strings.ToLower(s), "", d+"/status", w, false)
		return
	}
}

// detectStorage lists the drives. Which of them holds the game is not known here.
func detectStorage(t tree.Tree, f *facts) {
	n := 0
	for _, d := range t.Glob("/sys/block/*") {
		if !t.Exists(d + "/device") {
			continue // loop devices, compressed memory, mapped devices
		}
		blocks, why := t.Number(d + "/size")
		if why != "" || blocks == 0 {
			continue // an empty card reader
		}
		name := "storage." + itoa(n)
		n++
		model, why := t.Text(d + "/device/model")
		f.maybe(name+".model", model, "", d+"/device/model", why, false)
		f.add(name+".size", round1(float64(blocks)*512/1e9), "GB", d+"/size")
		rotating, why := t.Number(d + "/queue/rotational")
		kind := "solid state"
		if rotating == 1 {
			kind = "rotating"
		}
		f.maybe(name+".kind", kind, "", d+"/queue/rotational", why, false)
	}
	if n == 0 {
		f.unknown("storage.0.model", record.Absent, "/sys/block", false)
	}
}

// detectSensors says which sensor chips the kernel drives.
func detectSensors(t tree.Tree, f *facts) {
	var names []string
	for _, d := range t.Glob("/sys/class/hwmon/hwmon*") {
		if s, why := t.Text(d + "/name"); why == "" && s != "" {
			names = append(names, s)
		}
	}
	f.add("sensors.chips", strings.Join(names, ", "), "", "/sys/class/hwmon/hwmon*/name")
}

// detectDisplays lists the connected monitors by their connector and preferred mode. The
// mode that is set, and its refresh rate, are not in sysfs.
func detectDisplays(t tree.Tree, f *facts) {
	n := 0
	for _, d := range t.Glob("/sys/class/drm/card*-*") {
		if s, why := t.Text(d + "/status"); why != "" || s != "connected" {
			continue
		}
		name := "display." + itoa(n)
		n++
		card, connector, _ := strings.Cut(d[strings.LastIndexByte(d, '/')+1:], "-")
		f.add(name+".connector", connector, "", d+"/status")
		modes, why := t.Text(d + "/modes")
		first, _, _ := strings.Cut(modes, "\n")
		f.maybe(name+".preferred", first, "px", d+"/modes", why, false)
		detectMonitor(t, f, name, d+"/edid")
		detectMode(t, f, name, d, card)
	}
	if n == 0 {
		f.unknown("display.0.connector", record.Absent, "/sys/class/drm/card*-*/status", false)
	}
}

// detectMonitor reads what a monitor says about itself.
func detectMonitor(t tree.Tree, f *facts, name, file string) {
	b, why := t.Bytes(file)
	var e firmware.EDID
	if why == "" && len(b) == 0 {
		why = record.Absent // nothing to read, or nobody answered
	} else if why == "" {
		var err error
		if e, err = firmware.ParseEDID(b); err != nil {
			why = record.Broken
		}
	}
	rate, span := "", ""
	if e.Refresh > 0 {
		rate = strconv.FormatFloat(e.Refresh, 'f', 2, 64)
	}
	if e.MaxHz > 0 {
		span = itoa(e.MinHz) + "-" + itoa(e.MaxHz)
	}
	f.maybe(name+".name", e.Name, "", file, why, false)
	f.maybe(name+".preferred_refresh", rate, "Hz", file, why, false)
	f.maybe(name+".refresh_range", span, "Hz", file, why, false)
}
