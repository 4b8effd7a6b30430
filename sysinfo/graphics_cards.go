package sysinfo

import (
	"slices"
	"strconv"
	"strings"
	"sync"

	"capd.example/record"
)

// card is one graphics card as far as it is known.
type card struct {
	address string // PCI address "0000:0b:00.0", "" where there is none
	dir     string // /sys/class/drm/cardN, "" where only NVML knows it
	driver  string // kernel driver
	vendor  uint16
	device  uint16
	subVen  uint16
	subDev  uint16
	boot    bool   // the firmware's own display card
	vram    uint64 // bytes, 0 for unknown
	nv      *nvmlCard
}

// cardsOf lists the graphics cards of a machine, the one that most likely renders first: most memory of
// its own, then the firmware's display card, then by address. The order must not depend
// on what happens to run, since graphics.0 is part of the identity.
func cardsOf(t tree) []card {
	var list []card
	for _, dir := range t.glob("/sys/class/drm/card*") {
		name := dir[strings.LastIndexByte(dir, '/')+1:]
		if _, err := strconv.Atoi(strings.TrimPrefix(name, "card")); err != nil {
			continue // a connector
		}
		c := card{dir: dir}
		uevent, why := t.text(dir + "/device/uevent")
		if why == "" {
			c.setUevent(uevent)
		}
		if c.vendor == 0 {
			c.vendor, c.device = hex16(t, dir+"/device/vendor"), hex16(t, dir+"/device/device")
			c.subVen, c.subDev = hex16(t, dir+"/device/subsystem_vendor"), hex16(t, dir+"/device/subsystem_device")
		}
		if n, why := t.number(dir + "/device/boot_vga"); why == "" {
			c.boot = n == 1
		}
		if n, why := t.number(dir + "/device/mem_info_vram_total"); why == "" && n > 0 {
			c.vram = uint64(n)
		}
		list = append(list, c)
	}
	return list
}

func hex16(t tree, name string) uint16 {
	n, why := t.number(name)
	if why != "" || n < 0 || n > 0xFFFF {
		return 0
	}
	return uint16(n)
}

// setUevent reads DRIVER=, PCI_ID=, PCI_SUBSYS_ID= and PCI_SLOT_NAME=.
func (c *card) setUevent(text string) {
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
			c.driver = value
		case "PCI_ID":
			c.vendor, c.device = pair(value)
		case "PCI_SUBSYS_ID":
			c.subVen, c.subDev = pair(value)
		case "PCI_SLOT_NAME":
			c.address = strings.ToLower(value)
		}
	}
}

func sortCards(list []card) {
	slices.SortStableFunc(list, func(a, b card) int {
		switch {
		case a.vram != b.vram && a.vram > b.vram:
			return -1
		case a.vram != b.vram:
			return 1
		case a.boot != b.boot && a.boot:
			return -1
		case a.boot != b.boot:
			return 1
		}
		return strings.Compare(a.address, b.address)
	})
}

// cardFinder finds the graphics cards of a machine. NVIDIA's library is loaded once and
// shared by whoever asks.
type cardFinder struct {
	tree tree
	live bool // this machine, not a recorded one

	once sync.Once
	lib  *nvml
	why  gap
}

// newCardFinder finds the cards of this machine (live) or of a recorded one below the tree.
func newCardFinder(t tree, live bool) *cardFinder { return &cardFinder{tree: t, live: live} }

// adopt takes a library that is open already, as a test's stand-in, in place of the machine's.
func (f *cardFinder) adopt(lib *nvml) { f.once.Do(func() { f.lib = lib }) }

// library loads NVIDIA's library the first time it is asked for; nil and why where there is
// none. A recorded machine has none.
func (f *cardFinder) library() (*nvml, gap) {
	f.once.Do(func() {
		if !f.live {
			f.why = gap{record.Absent, "a recorded machine"}
			return
		}
		f.lib, f.why = openNVML(nvmlFile())
	})
	return f.lib, f.why
}

// all joins what sysfs and NVML know by the cards' PCI addresses.
func (f *cardFinder) all() ([]card, gap) {
	list := cardsOf(f.tree)
	lib, why := f.library()
	if lib != nil {
		var found []nvmlCard
		if found, why = lib.cards(); why.why == "" {
			for i := range found {
				found[i].name, found[i].vbios, found[i].driver = clean(found[i].name), clean(found[i].vbios), clean(found[i].driver)
				list = joinNVML(list, &found[i])
			}
		}
	}
	sortCards(list)
	return list, why
}

func joinNVML(list []card, nv *nvmlCard) []card {
	for i := range list {
		if list[i].address == nv.address {
			list[i].nv = nv
			list[i].vram = nv.vram
			return list
		}
	}
	return append(list, card{address: nv.address, vendor: uint16(nv.pciID), device: uint16(nv.pciID >> 16),
		subVen: uint16(nv.subID), subDev: uint16(nv.subID >> 16), driver: "nvidia", vram: nv.vram, nv: nv})
}

// sleeping returns the power state of a card that is switched off for now, "" for one
// that is on.
func sleeping(t tree, dir string) string {
	s, why := t.text(dir + "/device/power/runtime_status")
	if why != "" || s == "active" || s == "unsupported" {
		return ""
	}
	return s
}
