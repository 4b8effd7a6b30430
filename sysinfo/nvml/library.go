package nvml

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"runtime"
	"strings"
	"sync"
	"unsafe"

	"capd.example/record"
)

// Gap says why something is not known; the zero value says nothing is missing.
type Gap struct {
	Why  record.Unknown
	Text string
}

// Library is NVIDIA's management library, loaded at run time (public header nvml.h). All
// calls happen under one lock; a call allocates nothing, since every answer is written
// into out, which lives on the heap for as long as nvml does.
type Library struct {
	mu      sync.Mutex
	symbols map[string]uintptr
	out     *nvmlOut
	driver  string
	devices []uintptr
	mask    []uint64 // supported event reasons of each device
	fast    [nvCount]uintptr
	args    [4]uintptr
}

// The functions that are called at every sample.
const (
	nvTemperature = iota
	nvClock
	nvPower
	nvUtilization
	nvMemory
	nvMemoryShares
	nvReasons
	nvProcesses
	nvGraphicsList
	nvComputeList
	nvLink
	nvCount
)

// call calls one of them without allocating: the arguments live beside the answers. A
// function of two arguments does not look at the third.
func (n *Library) call(fn int, a, b, c uintptr) uintptr { return n.callMore(fn, a, b, c, 0) }

func (n *Library) callMore(fn int, a, b, c, d uintptr) uintptr {
	if n.fast[fn] == 0 {
		return nvmlNoFunction
	}
	n.args = [4]uintptr{a, b, c, d}
	return callLibrary(n.fast[fn], n.args[:]...)
}

// counted returns where the library reads how much room there is and writes how much it
// needed.
func (n *Library) counted(room uint32) uintptr {
	n.out.u32 = room
	return uintptr(unsafe.Pointer(&n.out.u32))
}

// nvmlOut is where the library writes its answers.
type nvmlOut struct {
	u32    uint32
	u64    uint64
	ptr    uintptr
	util   struct{ gpu, memory uint32 }
	memory struct{ total, free, used uint64 }
	shares nvmlMemory
	text   [96]byte
	pci    [68]byte // nvmlPciInfo_t
}

// nvmlMemory is nvmlMemory_v2_t of the public header: unlike the first version it tells
// what programs use from what the driver keeps for itself.
type nvmlMemory struct {
	version                     uint32
	total, reserved, free, used uint64
}

const nvmlMemoryVersion = 2<<24 | uint32(unsafe.Sizeof(nvmlMemory{}))

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
	nvmlTooSmall     = 7
	nvmlNotLoaded    = 9
	nvmlNoFunction   = 13
	nvmlLost         = 15
	nvmlMismatch     = 18
)

// nvmlGap turns a return code into our words.
func nvmlGap(rc uintptr) Gap {
	switch int32(rc) {
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
	return Gap{record.Broken, fmt.Sprintf("the driver's library returned %d", int32(rc))}
}

var nvmlNames = []string{
	"nvmlInit_v2", "nvmlShutdown", "nvmlSystemGetDriverVersion", "nvmlDeviceGetCount_v2",
	"nvmlDeviceGetHandleByIndex_v2", "nvmlDeviceGetName", "nvmlDeviceGetPciInfo_v3", "nvmlDeviceGetVbiosVersion",
	"nvmlDeviceGetTemperature", "nvmlDeviceGetClockInfo", "nvmlDeviceGetMaxClockInfo", "nvmlDeviceGetUtilizationRates",
	"nvmlDeviceGetPowerUsage", "nvmlDeviceGetEnforcedPowerLimit", "nvmlDeviceGetMemoryInfo", "nvmlDeviceGetMemoryInfo_v2",
	"nvmlDeviceGetBAR1MemoryInfo",
	"nvmlDeviceGetCurrPcieLinkGeneration", "nvmlDeviceGetCurrPcieLinkWidth", "nvmlDeviceGetMaxPcieLinkGeneration",
	"nvmlDeviceGetMaxPcieLinkWidth", "nvmlDeviceGetFanSpeed", "nvmlDeviceGetCurrentClocksEventReasons",
	"nvmlDeviceGetCurrentClocksThrottleReasons", "nvmlDeviceGetSupportedClocksThrottleReasons",
	"nvmlDeviceGetSupportedClocksEventReasons", "nvmlDeviceGetProcessUtilization",
	"nvmlDeviceGetGraphicsRunningProcesses_v3",
	"nvmlDeviceGetComputeRunningProcesses_v3", "nvmlDeviceGetPcieThroughput",
}

// File is the library's name on this system.
func File() string {
	if runtime.GOOS == "windows" {
		return "nvml.dll"
	}
	return "libnvidia-ml.so.1"
}

func Open(file string) (*Library, Gap) {
	find, why := loadLibrary(file)
	if find == nil {
		return nil, why
	}
	n := &Library{symbols: map[string]uintptr{}, out: new(nvmlOut)}
	for _, name := range nvmlNames {
		if addr := find(name); addr != 0 {
			n.symbols[name] = addr
		}
	}
	n.mu.Lock()
	defer n.mu.Unlock()
	if why := n.start(); why.Why != "" {
		return nil, why
	}
	return n, Gap{}
}

// do calls a function that may be missing from an older library.
func (n *Library) do(name string, args ...uintptr) uintptr {
	addr := n.symbols[name]
	if addr == 0 {
		return nvmlNoFunction
	}
	return callLibrary(addr, args...)
}

// start initialises the library and finds the devices.
func (n *Library) start() Gap {
	if why := nvmlGap(n.do("nvmlInit_v2")); why.Why != "" {
		return why
	}
	o := n.out
	n.driver = n.text("nvmlSystemGetDriverVersion")
	if why := nvmlGap(n.do("nvmlDeviceGetCount_v2", uintptr(unsafe.Pointer(&o.u32)))); why.Why != "" {
		return why
	}
	count := min(o.u32, 64)
	n.devices, n.mask = nil, nil
	for i := range count {
		if n.do("nvmlDeviceGetHandleByIndex_v2", uintptr(i), uintptr(unsafe.Pointer(&o.ptr))) != nvmlOK {
			continue
		}
		dev := o.ptr
		mask := ^uint64(0)
		for _, name := range []string{"nvmlDeviceGetSupportedClocksEventReasons",
			"nvmlDeviceGetSupportedClocksThrottleReasons"} {
			if n.do(name, dev, uintptr(unsafe.Pointer(&o.u64))) == nvmlOK {
				mask = o.u64
				break
			}
		}
		n.devices, n.mask = append(n.devices, dev), append(n.mask, mask)
	}
	n.fast = [nvCount]uintptr{
		nvTemperature: n.symbols["nvmlDeviceGetTemperature"], nvClock: n.symbols["nvmlDeviceGetClockInfo"],
		nvPower: n.symbols["nvmlDeviceGetPowerUsage"], nvUtilization: n.symbols["nvmlDeviceGetUtilizationRates"],
		nvMemory: n.symbols["nvmlDeviceGetMemoryInfo"], nvMemoryShares: n.symbols["nvmlDeviceGetMemoryInfo_v2"],
		nvReasons:      n.symbols["nvmlDeviceGetCurrentClocksEventReasons"],
		nvProcesses:    n.symbols["nvmlDeviceGetProcessUtilization"],
		nvGraphicsList: n.symbols["nvmlDeviceGetGraphicsRunningProcesses_v3"],
		nvComputeList:  n.symbols["nvmlDeviceGetComputeRunningProcesses_v3"],
		nvLink:         n.symbols["nvmlDeviceGetPcieThroughput"],
	}
	if n.fast[nvReasons] == 0 {
		n.fast[nvReasons] = n.symbols["nvmlDeviceGetCurrentClocksThrottleReasons"]
	}
	if len(n.devices) == 0 {
		return Gap{record.Absent, "the driver found no card"}
	}
	return Gap{}
}

// text asks for a text of the system or, with a device, of a card.
func (n *Library) text(name string, dev ...uintptr) string {
	o := n.out
	o.text = [96]byte{}
	args := append(dev, uintptr(unsafe.Pointer(&o.text)), uintptr(len(o.text)-1))
	if n.do(name, args...) != nvmlOK {
		return ""
	}
	return zeroText(o.text[:])
}

func zeroText(b []byte) string {
	if i := bytes.IndexByte(b, 0); i >= 0 {
		b = b[:i]
	}
	return string(b)
}

func (n *Library) number(name string, args ...uintptr) (uint32, record.Unknown) {
	o := n.out
	rc := n.do(name, append(args, uintptr(unsafe.Pointer(&o.u32)))...)
	return o.u32, nvmlGap(rc).Why
}

// Cards reads the facts about all cards.
func (n *Library) Cards() ([]Card, Gap) {
	n.mu.Lock()
	defer n.mu.Unlock()
	var list []Card
	for i, dev := range n.devices {
		c := Card{Index: i, Driver: n.driver, Name: n.text("nvmlDeviceGetName", dev),
			Vbios: n.text("nvmlDeviceGetVbiosVersion", dev)}
		o := n.out
		if why := nvmlGap(n.do("nvmlDeviceGetPciInfo_v3", dev, uintptr(unsafe.Pointer(&o.pci)))); why.Why != "" {
			return nil, why
		}
		c.Address, c.PciID, c.SubID = nvmlPCI(o.pci[:])
		if n.do("nvmlDeviceGetMemoryInfo", dev, uintptr(unsafe.Pointer(&o.memory))) == nvmlOK {
			c.Vram = o.memory.total
		}
		if n.do("nvmlDeviceGetBAR1MemoryInfo", dev, uintptr(unsafe.Pointer(&o.memory))) == nvmlOK {
			c.Bar1 = o.memory.total
		}
		c.PowerLimit, c.PowerWhy = n.number("nvmlDeviceGetEnforcedPowerLimit", dev)
		c.MaxClock, c.MaxClockWhy = n.number("nvmlDeviceGetMaxClockInfo", dev, 0)
		for _, q := range []struct {
			name string
			to   *uint32
		}{
			{"nvmlDeviceGetCurrPcieLinkGeneration", &c.Gen}, {"nvmlDeviceGetCurrPcieLinkWidth", &c.Width},
			{"nvmlDeviceGetMaxPcieLinkGeneration", &c.MaxGen}, {"nvmlDeviceGetMaxPcieLinkWidth", &c.MaxWidth},
		} {
			if v, why := n.number(q.name, dev); why == "" {
				*q.to = v
			}
		}
		list = append(list, c)
	}
	return list, Gap{}
}

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
