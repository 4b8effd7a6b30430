package graphics

import (
	"slices"
	"strconv"
	"strings"
	"sync"

	"capd.example/internal/text"
	"capd.example/record"
	"capd.example/sysinfo/nvml"
	"capd.example/sysinfo/tree"
	"capd.example/sysinfo/winsys"
)

// Card is one graphics card as far as it is known.
type Card struct {
	Address string // PCI address "0000:0b:00.0", "" where there is none
	Dir     string // /sys/class/drm/cardN, "" where only NVML knows it
	Driver  string // kernel driver
	Vendor  uint16
	Device  uint16
	SubVen  uint16
	SubDev  uint16
	boot    bool   // the firmware's own display card
	Vram    uint64 // bytes, 0 for unknown
	NV      *nvml.Card
	LUID    uint64  // of Windows' graphics kernel, 0 for none
	Warning float64 // degrees C at which the card begins to throttle, by its own word; 0 for unknown
}

// cardsOf lists the graphics cards that the kernel drives.
func cardsOf(t tree.Tree) []Card {
	var list []Card
	for _, dir := range t.Glob("/sys/class/drm/card*") {
		name := dir[strings.LastIndexByte(dir, '/')+1:]
		if _, err := strconv.Atoi(strings.TrimPrefix(name, "card")); err != nil {
			continue // a connector
		}
		c := Card{Dir: dir}
		uevent, why := t.Text(dir + "/device/uevent")
		if why == "" {
			c.setUevent(uevent)
		}
		if c.Vendor == 0 {
			c.Vendor, c.Device = hex16(t, dir+"/device/vendor"), hex16(t, dir+"/device/device")
			c.SubVen, c.SubDev = hex16(t, dir+"/device/subsystem_vendor"), hex16(t, dir+"/device/subsystem_device")
		}
		if n, why := t.Number(dir + "/device/boot_vga"); why == "" {
			c.boot = n == 1
		}
		if n, why := t.Number(dir + "/device/mem_info_vram_total"); why == "" && n > 0 {
			c.Vram = uint64(n)
		}
		list = append(list, c)
	}
	return list
}

func hex16(t tree.Tree, name string) uint16 {
	n, why := t.Number(name)
	if why != "" || n < 0 || n > 0xFFFF {
		return 0
	}
	return uint16(n)
}

// setUevent reads DRIVER=, PCI_ID=, PCI_SUBSYS_ID= and PCI_SLOT_NAME=.
func (c *Card) setUevent(text string) {
	pair := func(s string) (uint16, uint16) {
		a, b, _ := strings.Cut(s, ":")
		x, _ := strconv.ParseUint(a, 16, 16)
		y, _ := strconv.ParseUint(b, 16, 16)
		return uint16(x), uint16(y)
	}
	for _, l := range strings.Split(text, "\n") {
		key, value, _ := strings.Cut(l, "=")
		switch key {
		case "DRIVER":
			c.Driver = value
		case "PCI_ID":
			c.Vendor, c.Device = pair(value)
		case "PCI_SUBSYS_ID":
			c.SubVen, c.SubDev = pair(value)
		case "PCI_SLOT_NAME":
			c.Address = strings.ToLower(value)
		}
	}
}

// sortCards puts the card first that most likely renders: most memory of its own, then the
// firmware's display card, then by address. The order must not depend on what happens to run,
// since graphics.0 is part of the identity.
func sortCards(list []Card) {
	slices.SortStableFunc(list, func(a, b Card) int {
		switch {
		case a.Vram != b.Vram && a.Vram > b.Vram:
			return -1
		case a.Vram != b.Vram:
			return 1
		case a.boot != b.boot && a.boot:
			return -1
		case a.boot != b.boot:
			return 1
		}
		return strings.Compare(a.Address, b.Address)
	})
}

// Finder finds the graphics cards of a machine. NVIDIA's library is loaded once and
// shared by whoever asks.
type Finder struct {
	tree tree.Tree
	live bool // this machine, not a recorded one
	win  winsys.Asker
	nv   winsys.Asker // answers in the place of NVIDIA's library; nil for nobody

	once sync.Once
	lib  *nvml.Library
	why  nvml.Gap
}

// NewFinder finds the cards of this machine (live) or of a recorded one below the tree.
func NewFinder(t tree.Tree, live bool) *Finder { return &Finder{tree: t, live: live} }

// OnWindows has cards of Windows' graphics kernel found, too.
func (f *Finder) OnWindows(ask winsys.Asker) *Finder {
	f.win = ask
	return f
}

// OnNVML has another one answer in the place of this machine's library.
func (f *Finder) OnNVML(ask winsys.Asker) *Finder {
	f.nv = ask
	return f
}

// LUIDs lists the numbers that Windows' graphics kernel has given to all cards, 0 for those
// that it does not know.
func (f *Finder) LUIDs() (list []uint64) {
	cards, _ := f.All()
	for _, c := range cards {
		list = append(list, c.LUID)
	}
	return list
}

// cardsOfWindows lists what the graphics kernel knows.
func cardsOfWindows(ask winsys.Asker) (list []Card) {
	found, _ := winsys.Cards(ask)
	for _, c := range found {
		list = append(list, Card{Address: c.Address, Vendor: c.Vendor, Device: c.Device, SubVen: c.SubVendor,
			SubDev: c.Subsystem, Vram: c.Memory, LUID: c.LUID, Warning: c.Warning})
	}
	return list
}

// NVML loads NVIDIA's library the first time it is asked for; nil and why where there is
// none. A recorded machine has none but a recorded one.
func (f *Finder) NVML() (*nvml.Library, nvml.Gap) {
	f.once.Do(func() {
		ask := f.nv
		if ask == nil && !f.live {
			f.why = nvml.Gap{Why: record.Absent, Text: "a recorded machine"}
			return
		}
		if ask == nil {
			ask, f.why = nvml.Load(nvml.File())
		}
		if ask != nil {
			f.lib, f.why = nvml.Open(ask)
		}
	})
	return f.lib, f.why
}

// All joins what sysfs and NVML know by the cards' PCI addresses.
func (f *Finder) All() ([]Card, nvml.Gap) {
	var list []Card
	if f.win != nil {
		list = cardsOfWindows(f.win)
	} else {
		list = cardsOf(f.tree)
	}
	lib, why := f.NVML()
	if lib != nil {
		var found []nvml.Card
		if found, why = lib.Cards(); why.Why == "" {
			for i := range found {
				found[i].Name, found[i].Vbios, found[i].Driver = text.Reported(found[i].Name), text.Reported(found[i].Vbios),
					text.Reported(found[i].Driver)
				list = joinNVML(list, &found[i])
			}
		}
	}
	sortCards(list)
	return list, why
}

func joinNVML(list []Card, nv *nvml.Card) []Card {
	for i := range list {
		if list[i].Address == nv.Address || list[i].NV == nil && list[i].Address == "" && list[i].Vendor != 0 &&
			list[i].Vendor == uint16(nv.PciID) && list[i].Device == uint16(nv.PciID>>16) {
			list[i].NV = nv
			list[i].Vram = nv.Vram
			return list
		}
	}
	return append(list, Card{Address: nv.Address, Vendor: uint16(nv.PciID), Device: uint16(nv.PciID >> 16),
		SubVen: uint16(nv.SubID), SubDev: uint16(nv.SubID >> 16), Driver: "nvidia", Vram: nv.Vram, NV: nv})
}

// Sleeping returns the power state of a card that is switched off for now, "" for one
// that is on.
func Sleeping(t tree.Tree, dir string) string {
	s, why := t.Text(dir + "/device/power/runtime_status")
	if why != "" || s == "active" || s == "unsupported" {
		return ""
	}
	return s
}
