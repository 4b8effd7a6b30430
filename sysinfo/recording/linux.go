package recording

import (
	"bytes"
	"cmp"
	"encoding/base64"
	"fmt"
	"io"
	"os"
	"path"
	"path/filepath"
	"regexp"
	"strings"
	"time"

	"capd.example/sysinfo/firmware"
	"capd.example/sysinfo/winsys"
	"github.com/rogpeppe/go-internal/txtar"
)

// files are what is read of a Linux machine; nothing else is kept of one.
var files = strings.Fields(`
proc/cpuinfo proc/stat proc/meminfo proc/vmstat proc/diskstats proc/net/dev
proc/pressure/cpu proc/pressure/memory proc/pressure/io proc/sys/kernel/osrelease
proc/sys/kernel/random/boot_id proc/driver/nvidia/version etc/os-release
run/udev/data/+dmi:id sys/firmware/acpi/platform_profile sys/kernel/mm/transparent_hugepage/enabled
sys/class/dmi/id/board_name sys/class/dmi/id/board_vendor sys/class/dmi/id/bios_version sys/class/dmi/id/bios_date
sys/devices/cpu_core/cpus sys/devices/cpu_atom/cpus
sys/devices/system/cpu/online sys/devices/system/cpu/present sys/devices/system/cpu/smt/control
sys/devices/system/cpu/intel_pstate/no_turbo sys/devices/system/cpu/cpufreq/boost
sys/devices/system/cpu/amd_pstate/status sys/devices/system/cpu/cpu0/cache/index3/size
sys/devices/system/cpu/cpu[0-9]*/topology/physical_package_id sys/devices/system/cpu/cpu[0-9]*/topology/die_id
sys/devices/system/cpu/cpu[0-9]*/topology/core_id
sys/devices/system/cpu/cpu[0-9]*/thermal_throttle/*_throttle_count
sys/devices/system/cpu/cpu[0-9]*/cpufreq/scaling_cur_freq
sys/devices/system/cpu/cpufreq/policy*/scaling_driver sys/devices/system/cpu/cpufreq/policy*/scaling_governor
sys/devices/system/cpu/cpufreq/policy*/energy_performance_preference sys/devices/system/cpu/cpufreq/policy*/boost
sys/devices/system/cpu/cpufreq/policy*/cpuinfo_min_freq sys/devices/system/cpu/cpufreq/policy*/cpuinfo_max_freq
sys/devices/system/cpu/cpufreq/policy*/scaling_max_freq sys/devices/system/cpu/cpufreq/policy*/base_frequency
sys/class/hwmon/hwmon*/name sys/class/hwmon/hwmon*/temp*_input sys/class/hwmon/hwmon*/temp*_label
sys/class/hwmon/hwmon*/temp*_crit sys/class/hwmon/hwmon*/fan1_input
sys/class/thermal/thermal_zone*/type sys/class/thermal/thermal_zone*/temp
sys/class/powercap/intel-rapl:*/name sys/class/powercap/intel-rapl:*/energy_uj
sys/class/powercap/intel-rapl:*/max_energy_range_uj
sys/class/power_supply/*/type sys/class/power_supply/*/online sys/class/power_supply/*/status
sys/class/power_supply/*/scope
sys/block/*/stat sys/block/*/size sys/block/*/queue/rotational sys/block/*/device/model sys/block/*/device/uevent
sys/block/*/device/vendor
sys/class/net/*/device/vendor
sys/class/drm/card[0-9]*/status sys/class/drm/card[0-9]*/modes sys/class/drm/card[0-9]*/edid
sys/class/drm/card[0-9]*/device/uevent sys/class/drm/card[0-9]*/device/vendor sys/class/drm/card[0-9]*/device/device
sys/class/drm/card[0-9]*/device/subsystem_vendor sys/class/drm/card[0-9]*/device/subsystem_device
sys/class/drm/card[0-9]*/device/boot_vga sys/class/drm/card[0-9]*/device/resource
sys/class/drm/card[0-9]*/device/current_link_* sys/class/drm/card[0-9]*/device/max_link_*
sys/class/drm/card[0-9]*/device/vbios_version sys/class/drm/card[0-9]*/device/mem_info_vram_*
sys/class/drm/card[0-9]*/device/gpu_busy_percent sys/class/drm/card[0-9]*/device/gpu_metrics
sys/class/drm/card[0-9]*/device/power/runtime_status
sys/class/drm/card[0-9]*/device/hwmon/hwmon*/name sys/class/drm/card[0-9]*/device/hwmon/hwmon*/power1_*
sys/class/drm/card[0-9]*/device/hwmon/hwmon*/temp*_input sys/class/drm/card[0-9]*/device/hwmon/hwmon*/temp*_label
sys/class/drm/card[0-9]*/device/hwmon/hwmon*/freq?_input sys/class/drm/card[0-9]*/device/hwmon/hwmon*/fan1_input
sys/class/drm/card[0-9]*/gt/gt0/rps_act_freq_mhz sys/class/drm/card[0-9]*/gt/gt0/throttle_reason_*
usr/share/hwdata/pci.ids usr/share/misc/pci.ids
sys/class/drm/card[0-9]*/device/tile0/gt0/freq0/act_freq sys/class/drm/card[0-9]*/device/tile0/gt0/freq0/throttle/reason_*
`)

// address is one of a network card or of a Bluetooth device, as it stands in names.
var address = regexp.MustCompile(`([0-9A-Fa-f]{2}[:-]){5}[0-9A-Fa-f]{2}|[0-9A-Fa-f]{12}`)

// plainSupply is a supply's name that tells nothing of its device, as BAT0 and AC do. That of a
// mouse's battery holds its serial number.
var plainSupply = regexp.MustCompile(`^[A-Za-z]{1,6}[0-9]?$`)

// Linux reads what may be kept of the Linux machine below a folder.
func Linux(root string) []txtar.File {
	var list []txtar.File
	cards, ids, supplies := netNames(root), pciIDs(root), map[string]string{}
	for _, pattern := range files {
		found, _ := filepath.Glob(filepath.Join(root, filepath.FromSlash(pattern)))
		for _, file := range found {
			b, ok := content(file)
			if !ok {
				continue
			}
			rel, _ := filepath.Rel(root, file)
			name := filepath.ToSlash(rel)
			if rest, is := strings.CutPrefix(name, "sys/class/net/"); is {
				card, tail, _ := strings.Cut(rest, "/")
				name = "sys/class/net/" + cards[card] + "/" + tail
			}
			if rest, is := strings.CutPrefix(name, "sys/class/power_supply/"); is {
				supply, tail, _ := strings.Cut(rest, "/")
				if supplies[supply] == "" && !plainSupply.MatchString(supply) {
					supplies[supply] = fmt.Sprintf("supply%d", len(supplies))
				}
				name = "sys/class/power_supply/" + cmp.Or(supplies[supply], supply) + "/" + tail
			}
			if address.MatchString(strings.ReplaceAll(name, "+dmi:id", "")) {
				continue
			}
			name, b = bareFile(name, b, cards, ids)
			if b != nil {
				list = append(list, txtar.File{Name: name, Data: b})
			}
		}
	}
	return list
}

// netNames numbers the network's interfaces; their names may hold an address.
func netNames(root string) map[string]string {
	names := map[string]string{}
	text, _ := content(filepath.Join(root, "proc/net/dev"))
	for line := range strings.Lines(string(text)) {
		if name, _, is := strings.Cut(line, ":"); is {
			names[strings.TrimSpace(name)] = fmt.Sprintf("net%d", len(names))
		}
	}
	delete(names, "lo")
	entries, _ := os.ReadDir(filepath.Join(root, "sys/class/net"))
	for _, e := range entries {
		if names[e.Name()] == "" {
			names[e.Name()] = fmt.Sprintf("other%d", len(names))
		}
	}
	names["lo"] = "lo"
	return names
}

// pciIDs lists the graphics cards as vendor:device, and their makers as vendor.
func pciIDs(root string) map[string]string {
	ids := map[string]string{}
	found, _ := filepath.Glob(filepath.Join(root, "sys/class/drm/card[0-9]*/device/uevent"))
	for _, path := range found {
		b, _ := content(path)
		for line := range strings.Lines(string(b)) {
			for _, key := range []string{"PCI_ID=", "PCI_SUBSYS_ID="} {
				if id, is := strings.CutPrefix(strings.TrimSpace(line), key); is {
					id = strings.ToLower(id)
					vendor, _, _ := strings.Cut(id, ":")
					ids[vendor], ids[id] = id, id
				}
			}
		}
	}
	return ids
}

// namesOf keeps of the list of all devices the lines of some: vendors begin a line, devices stand
// behind a tab, boards behind two (pci.ids(5)).
func namesOf(b []byte, ids map[string]string) []byte {
	var out bytes.Buffer
	vendor, device := "", false
	for line := range strings.Lines(string(b)) {
		level := len(line) - len(strings.TrimLeft(line, "\t"))
		words := strings.Fields(line)
		switch {
		case len(words) < 2 || line[0] == '#':
			continue
		case level == 0:
			vendor, device = words[0], false
			if ids[vendor] == "" {
				continue
			}
		case level == 1:
			if device = ids[vendor+":"+words[0]] != ""; !device {
				continue
			}
		case !device || ids[words[0]+":"+words[1]] == "":
			continue
		}
		out.WriteString(line)
	}
	return out.Bytes()
}

// bareFile returns what is kept of a file, and under which name; nil for nothing.
func bareFile(name string, b []byte, cards, ids map[string]string) (string, []byte) {
	switch path.Base(name) {
	case "pci.ids":
		return name, namesOf(b, ids)
	case "boot_id":
		return name, []byte("00000000-0000-0000-0000-000000000000\n")
	case "gpu_metrics":
		return encoded(name, b)
	case "edid":
		if b = firmware.BareEDID(b); b == nil {
			return name, nil
		}
		return encoded(name, b)
	}
	if name == "proc/net/dev" {
		return name, renamed(b, cards)
	}
	if keep := kept[path.Base(name)]; keep != nil {
		b = lines(b, keep)
	}
	if len(b) > 0 && b[len(b)-1] != '\n' {
		b = append(b, '\n')
	}
	return name, b
}

// kept tells which lines are kept of files that hold more than is read.
var kept = map[string]func(line string) bool{
	"stat":    func(line string) bool { return !strings.HasPrefix(line, "intr") && !strings.HasPrefix(line, "softirq") },
	"cpuinfo": func(line string) bool { return !strings.HasPrefix(line, "Serial") }, // of some processors
	"+dmi:id": func(line string) bool {
		return strings.HasPrefix(line, "E:MEMORY_") && !strings.Contains(line, "SERIAL") && !strings.Contains(line, "ASSET")
	},
	"uevent": func(line string) bool {
		key, _, _ := strings.Cut(line, "=")
		return key == "DRIVER" || key == "DEVTYPE" || key == "MAJOR" || key == "MINOR" || strings.HasPrefix(key, "PCI_")
	},
}

func lines(b []byte, keep func(string) bool) []byte {
	var out bytes.Buffer
	for line := range strings.Lines(string(b)) {
		if keep(line) {
			out.WriteString(line)
		}
	}
	return out.Bytes()
}

// renamed is the network's counts with numbers for names.
func renamed(b []byte, cards map[string]string) []byte {
	var out bytes.Buffer
	for line := range strings.Lines(string(b)) {
		if card, counts, is := strings.Cut(line, ":"); is {
			line = cards[strings.TrimSpace(card)] + ":" + counts
		}
		out.WriteString(line)
	}
	return out.Bytes()
}

func encoded(name string, b []byte) (string, []byte) {
	return name + ".base64", []byte(base64.StdEncoding.EncodeToString(b) + "\n")
}

// Largest file and longest wait for one; a sensor behind a slow bus may never answer.
const (
	largest  = 4 << 20
	patience = 2 * time.Second
)

func content(path string) ([]byte, bool) {
	if info, err := os.Stat(path); err != nil || !info.Mode().IsRegular() {
		return nil, false
	}
	got := make(chan []byte, 1)
	go func() {
		f, err := os.Open(path)
		if err != nil {
			got <- nil
			return
		}
		defer f.Close()
		b, err := io.ReadAll(io.LimitReader(f, largest))
		if err != nil {
			b = nil
		}
		got <- b
	}()
	late := time.NewTimer(patience)
	defer late.Stop()
	select {
	case b := <-got:
		return b, b != nil
	case <-late.C:
		return nil, false
	}
}

// Unpack writes the files of a Linux machine below a folder.
func Unpack(root string, list []txtar.File) error {
	if err := os.MkdirAll(filepath.Join(root, "proc"), 0o755); err != nil { // no machine is without
		return err
	}
	for _, f := range list {
		if _, is := winsys.AnswerTo(f.Name); is {
			continue // of a library
		}
		name, b := f.Name, f.Data
		if short, is := strings.CutSuffix(name, ".base64"); is {
			raw, err := base64.StdEncoding.DecodeString(strings.TrimSpace(string(b)))
			if err != nil {
				return fmt.Errorf("%s: %w", f.Name, err)
			}
			name, b = short, raw
		}
		if !filepath.IsLocal(filepath.FromSlash(name)) {
			return fmt.Errorf("%q leads out of the machine", f.Name)
		}
		path := filepath.Join(root, filepath.FromSlash(name))
		if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
			return err
		}
		if err := os.WriteFile(path, b, 0o644); err != nil {
			return err
		}
	}
	return nil
}
