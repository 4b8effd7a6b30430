package nvml

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"strings"
	"sync"

	"capd.example/record"
	"capd.example/sysinfo/winsys"
)

// Gap says why something is not known; the zero value says nothing is missing.
type Gap struct {
	Why  record.Unknown
	Text string
}

// Library is NVIDIA's management library (public header nvml.h), as whoever answers in its place
// tells: the library itself, see [Load], or one that was recorded. All questions are asked under
// one lock and allocate nothing.
type Library struct {
	mu      sync.Mutex
	ask     winsys.Asker
	out     []byte // room for an answer, on the heap for as long as nvml
	driver  string
	devices []uint64 // their numbers
	mask    []uint64 // supported event reasons of each device
	reasons string   // which of two names the library knows the present reasons by
}

// nvmlMemory is the size of nvmlMemory_v2_t of the public header, which begins with a version:
// unlike the first version it tells what programs use from what the driver keeps for itself.
const (
	nvmlMemorySize    = 40
	nvmlMemoryVersion = 2<<24 | nvmlMemorySize
	nvmlMemoryUsed    = 32
)

// Card is what does not change every second.
type Card struct {
	Index         int
	Address       string
	Name          string
	Driver, Vbios string
	PciID, SubID  uint32 // device in the high half, vendor in the low
	Vram, Bar1    uint64 // bytes
	PowerLimit    uint32 // mW
	PowerWhy      record.Unknown
	MaxClock      uint32 // MHz
	MaxClockWhy   record.Unknown
	Gen, Width    uint32
	MaxGen        uint32
	MaxWidth      uint32
}

// Return codes of the library that mean something to us.
const (
	nvmlOK           = 0
	nvmlNotSupported = 3
	nvmlNoPermission = 4
	nvmlNotFound     = 6
	nvmlNotLoaded    = 9
	nvmlNoFunction   = 13
	nvmlLost         = 15
	nvmlMismatch     = 18
	nvmlUnknown      = 999
)

// What no card is beyond; an answer that is belongs to another question.
const (
	mostMemory = 1 << 50 // bytes
	mostClock  = 10_000  // MHz
	mostRate   = 50_000  // MHz of memory, whose clock may be told as the rate of its data
	mostPower  = 5_000   // W
)

// nvmlGap turns a return code into our words.
func nvmlGap(rc winsys.Status) Gap {
	switch rc {
	case nvmlOK:
		return Gap{}
	case nvmlNotSupported, nvmlNoFunction:
		return Gap{record.Unsupported, "the driver does not tell"}
	case nvmlNoPermission:
		return Gap{record.Refused, "the driver refuses"}
	case nvmlNotLoaded:
		return Gap{record.Absent, "the driver is not loaded"}
	case nvmlLost:
		return Gap{record.Broken, "the card was lost: restart the machine"}
	case nvmlMismatch:
		return Gap{record.Broken, "library and driver are of different versions: the driver was updated, restart the machine"}
	}
	return Gap{record.Broken, fmt.Sprintf("the driver's library returned %d", rc)}
}

// Open begins with the library that ask answers for; nil and why where it has no card.
func Open(ask winsys.Asker) (*Library, Gap) {
	n := &Library{ask: ask, out: make([]byte, 128)}
	n.mu.Lock()
	defer n.mu.Unlock()
	if why := n.start(); why.Why != "" {
		return nil, why
	}
	return n, Gap{}
}

// question asks for an answer of a size, which is in n.out then. A device of -1 stands for the
// whole system; arg is what some functions want beside it.
func (n *Library) question(name string, dev int64, arg uint64, size int) winsys.Status {
	q := winsys.Question{Call: name, B: arg}
	if dev >= 0 {
		q.A = uint64(dev)
	}
	got, rc := n.ask.Ask(q, n.out[:size])
	switch {
	case rc == winsys.NoFunction:
		return nvmlNoFunction
	case rc == nvmlOK && got != size:
		return nvmlUnknown
	}
	return rc
}

// fresh is question with zeros in the room for the answer.
func (n *Library) fresh(name string, dev int64, arg uint64, size int) winsys.Status {
	clear(n.out)
	return n.question(name, dev, arg, size)
}

func (n *Library) u32(at int) uint32 { return binary.LittleEndian.Uint32(n.out[at:]) }
func (n *Library) u64(at int) uint64 { return binary.LittleEndian.Uint64(n.out[at:]) }

// The names of the present reasons, newer first, and of those that a card knows.
var (
	nvmlReasonNames    = [...]string{"nvmlDeviceGetCurrentClocksEventReasons", "nvmlDeviceGetCurrentClocksThrottleReasons"}
	nvmlSupportedNames = [...]string{"nvmlDeviceGetSupportedClocksEventReasons",
		"nvmlDeviceGetSupportedClocksThrottleReasons"}
)

// start initialises the library and finds the devices.
func (n *Library) start() Gap {
	const whole = -1
	if why := nvmlGap(n.fresh("nvmlInit_v2", whole, 0, 0)); why.Why != "" {
		return why
	}
	n.driver = n.text("nvmlSystemGetDriverVersion", whole)
	if why := nvmlGap(n.fresh("nvmlDeviceGetCount_v2", whole, 0, 4)); why.Why != "" {
		return why
	}
	count := min(n.u32(0), 64)
	n.devices, n.mask, n.reasons = nil, nil, nvmlReasonNames[0]
	for i := range int64(count) {
		if n.fresh("nvmlDeviceGetHandleByIndex_v2", i, 0, 0) != nvmlOK {
			continue
		}
		mask := ^uint64(0)
		for _, name := range nvmlSupportedNames {
			if n.fresh(name, i, 0, 8) == nvmlOK {
				mask = n.u64(0)
				break
			}
		}
		n.devices, n.mask = append(n.devices, uint64(i)), append(n.mask, mask)
		if n.fresh(nvmlReasonNames[0], i, 0, 8) == nvmlNoFunction {
			n.reasons = nvmlReasonNames[1]
		}
	}
	if len(n.devices) == 0 {
		return Gap{record.Absent, "the driver found no card"}
	}
	return Gap{}
}

// text asks for a text of the system or of a card.
func (n *Library) text(name string, dev int64) string {
	const room = 96
	if n.fresh(name, dev, 0, room) != nvmlOK {
		return ""
	}
	b := n.out[:room]
	if i := bytes.IndexByte(b, 0); i >= 0 {
		b = b[:i]
	}
	return string(b)
}

func (n *Library) number(name string, dev int64, arg uint64) (uint32, record.Unknown) {
	rc := n.fresh(name, dev, arg, 4)
	return n.u32(0), nvmlGap(rc).Why
}

// Cards reads the facts about all cards.
func (n *Library) Cards() ([]Card, Gap) {
	n.mu.Lock()
	defer n.mu.Unlock()
	var list []Card
	for i, number := range n.devices {
		dev := int64(number)
		c := Card{Index: i, Driver: n.driver, Name: n.text("nvmlDeviceGetName", dev),
			Vbios: n.text("nvmlDeviceGetVbiosVersion", dev)}
		if why := nvmlGap(n.fresh("nvmlDeviceGetPciInfo_v3", dev, 0, nvmlPCISize)); why.Why != "" {
			return nil, why
		}
		c.Address, c.PciID, c.SubID = nvmlPCI(n.out)
		const memorySize = 24 // total, free, used
		if n.fresh("nvmlDeviceGetMemoryInfo", dev, 0, memorySize) == nvmlOK && n.u64(0) < mostMemory {
			c.Vram = n.u64(0)
		}
		if n.fresh("nvmlDeviceGetBAR1MemoryInfo", dev, 0, memorySize) == nvmlOK && n.u64(0) < mostMemory {
			c.Bar1 = n.u64(0)
		}
		c.PowerLimit, c.PowerWhy = n.number("nvmlDeviceGetEnforcedPowerLimit", dev, 0)
		c.MaxClock, c.MaxClockWhy = n.number("nvmlDeviceGetMaxClockInfo", dev, 0)
		for _, q := range []struct {
			name string
			to   *uint32
		}{
			{"nvmlDeviceGetCurrPcieLinkGeneration", &c.Gen}, {"nvmlDeviceGetCurrPcieLinkWidth", &c.Width},
			{"nvmlDeviceGetMaxPcieLinkGeneration", &c.MaxGen}, {"nvmlDeviceGetMaxPcieLinkWidth", &c.MaxWidth},
		} {
			if v, why := n.number(q.name, dev, 0); why == "" {
				*q.to = v
			}
		}
		list = append(list, c)
	}
	return list, Gap{}
}

// nvmlPCISize is that of nvmlPciInfo_t.
const nvmlPCISize = 68

// nvmlPCI reads nvmlPciInfo_t: 16 bytes of the old address, five numbers (domain, bus,
// device, PCI id, subsystem id), then 32 bytes of address.
func nvmlPCI(b []byte) (address string, id, sub uint32) {
	domain := binary.LittleEndian.Uint32(b[16:])
	bus := binary.LittleEndian.Uint32(b[20:])
	device := binary.LittleEndian.Uint32(b[24:])
	id = binary.LittleEndian.Uint32(b[28:])
	sub = binary.LittleEndian.Uint32(b[32:])
	return strings.ToLower(fmt.Sprintf("%04x:%02x:%02x.0", domain, bus, device)), id, sub
}

// nvmlReasons reduces the driver's reasons to ours (bits of nvml.h,
// nvmlClocksEventReason...).
func nvmlReasons(bits uint64) float64 {
	const (
		powerCap        = 0x004
		hardware        = 0x008
		thermalSoftware = 0x020
		thermalHardware = 0x040
		powerBrake      = 0x080
		other           = 0x002 | 0x010 | 0x100 | 0x200 | 0x400
	)
	mask := 0
	if bits&powerCap != 0 {
		mask |= record.ThrottlePower
	}
	if bits&(thermalSoftware|thermalHardware) != 0 {
		mask |= record.ThrottleThermal
	}
	if bits&(hardware|thermalHardware|powerBrake) != 0 {
		mask |= record.ThrottleHard
	}
	if bits&other != 0 {
		mask |= record.ThrottleOther
	}
	return float64(mask)
}
