package testlab

import (
	"fmt"
	"os"
	"path/filepath"
	"runtime"
	"strings"
)

// FakeBench is a Linux bench with invented parts: a folder that the agent can read in
// place of the root. What changes by the second (load, memory) is the real machine's.
type FakeBench struct {
	Root      string
	Processor string
	Vendor    string // of the graphics card
	Card      string
	MemoryMTs int
}

// Build writes the bench's files; building again swaps the parts.
func (b FakeBench) Build() error {
	files := map[string]string{
		"proc/cpuinfo":                              b.cpuinfo(),
		"sys/devices/system/cpu/online":             fmt.Sprintf("0-%d\n", runtime.NumCPU()-1),
		"sys/class/dmi/id/board_vendor":             "Halden Boards\n",
		"sys/class/dmi/id/board_name":               "HX-870\n",
		"sys/class/dmi/id/bios_version":             "2.14\n",
		"sys/class/dmi/id/bios_date":                "03/11/2026\n",
		"sys/class/drm/card0/device/uevent":         "DRIVER=lantern\nPCI_ID=FFF0:0001\nPCI_SUBSYS_ID=FFF0:0001\nPCI_SLOT_NAME=0000:01:00.0\n",
		"sys/class/drm/card0/device/boot_vga":       "1\n",
		"sys/class/drm/card0/device/max_link_speed": "16.0 GT/s PCIe\n",
		"sys/class/drm/card0/device/max_link_width": "16\n",
		"usr/share/misc/pci.ids":                    fmt.Sprintf("# invented\nfff0  %s\n\t0001  %s\n", b.Vendor, b.Card),
		"etc/os-release":                            "ID=exampleos\nPRETTY_NAME=\"Example OS 1\"\n",
		"run/udev/data/+dmi:id":                     b.memory(),
	}
	for name, text := range files {
		path := filepath.Join(b.Root, filepath.FromSlash(name))
		if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
			return err
		}
		if err := os.WriteFile(path, []byte(text), 0o644); err != nil {
			return err
		}
	}
	for _, live := range []string{"stat", "meminfo", "vmstat", "diskstats", "uptime", "loadavg", "pressure", "net",
		"self", "sys"} {
		if err := b.Show(live); err != nil {
			return err
		}
	}
	return nil
}

// Show lets the bench see an entry of the real /proc, a process for instance.
func (b FakeBench) Show(entry string) error {
	link := filepath.Join(b.Root, "proc", entry)
	if _, err := os.Lstat(link); err == nil {
		return nil
	}
	return os.Symlink(filepath.Join("/proc", entry), link)
}

func (b FakeBench) cpuinfo() string {
	var s strings.Builder
	for i := range runtime.NumCPU() {
		fmt.Fprintf(&s,
			"processor\t: %d\nvendor_id\t: ExampleChips\ncpu family\t: 1\nmodel\t\t: 2\nmodel name\t: %s\nstepping\t: 3\nmicrocode\t: 0x104\nphysical id\t: 0\ncore id\t\t: %d\nflags\t\t: fpu\n\n", i, b.Processor, i)
	}
	return s.String()
}

func (b FakeBench) memory() string {
	var s strings.Builder
	s.WriteString("E:MEMORY_ARRAY_NUM_DEVICES=4\n")
	for _, slot := range []int{1, 3} {
		fmt.Fprintf(&s,
			"E:MEMORY_DEVICE_%[1]d_SIZE=17179869184\nE:MEMORY_DEVICE_%[1]d_TYPE=DDR5\nE:MEMORY_DEVICE_%[1]d_SPEED_MTS=%[2]d\nE:MEMORY_DEVICE_%[1]d_CONFIGURED_SPEED_MTS=%[2]d\nE:MEMORY_DEVICE_%[1]d_RANK=1\n", slot, b.MemoryMTs)
	}
	return s.String()
}
