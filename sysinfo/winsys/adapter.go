package winsys

import (
	"encoding/binary"
	"fmt"
)

// Kinds of what [Adapter] answers (d3dkmthk.h, KMTQUERYADAPTERINFOTYPE).
const (
	AdapterMemory   = 3  // GETSEGMENTSIZE
	AdapterAddress  = 6  // ADAPTERADDRESS
	AdapterType     = 15 // ADAPTERTYPE
	AdapterIDs      = 31 // PHYSICALADAPTERDEVICEIDS
	AdapterNode     = 61 // NODEPERFDATA
	AdapterPerf     = 62 // ADAPTERPERFDATA
	AdapterPerfCaps = 63 // ADAPTERPERFDATA_CAPS
	AdapterWDDM27   = 70 // WDDM_2_7_CAPS
)

// AdapterSize is that of D3DKMT_ADAPTERINFO: handle, LUID at 4, number of screens, a flag.
const AdapterSize = 20

// Card is a graphics card as the graphics kernel of Windows knows it.
type Card struct {
	LUID                                 uint64 // until its driver is loaded anew
	Address                              string // "0000:0b:00.0", "" for unknown
	Vendor, Device, SubVendor, Subsystem uint16 // 0 for unknown
	Memory                               uint64 // bytes of its own, 0 for unknown
	Warning                              float64
	// Warning is the temperature in degrees C at which the card begins to throttle, 0 for unknown.
}

// Cards lists the cards that are there, also those that drive no screen; programs that only
// pretend to be one are left out.
func Cards(a Asker) ([]Card, Status) {
	rows, s := Whole(a, Question{Call: Adapters}, make([]byte, 16*AdapterSize))
	if s != OK {
		return nil, s
	}
	var list []Card
	for ; len(rows) >= AdapterSize; rows = rows[AdapterSize:] {
		c := Card{LUID: binary.LittleEndian.Uint64(rows[4:])}
		u := func(kind uint64, size int) func(at int) uint32 {
			b := make([]byte, size)
			if !Exactly(a, Question{Call: Adapter, A: c.LUID, B: kind}, b) {
				return nil
			}
			return func(at int) uint32 { return binary.LittleEndian.Uint32(b[at:]) }
		}
		const renders, software = 1, 4
		if is := u(AdapterType, 4); is == nil || is(0)&renders == 0 || is(0)&software != 0 {
			continue
		}
		if id := u(AdapterIDs, 28); id != nil {
			c.Vendor, c.Device, c.SubVendor, c.Subsystem = word(id(4)), word(id(8)), word(id(12)), word(id(16))
		}
		if at := u(AdapterAddress, 12); at != nil && at(0) <= 0xFF && at(4) <= 0x1F && at(8) <= 7 {
			c.Address = fmt.Sprintf("0000:%02x:%02x.%x", at(0), at(4), at(8))
		}
		if mem := u(AdapterMemory, 24); mem != nil {
			if c.Memory = uint64(mem(0)) | uint64(mem(4))<<32; c.Memory > 1<<50 {
				c.Memory = 0
			}
		}
		c.Warning = WarningTemperature(a, c.LUID)
		list = append(list, c)
	}
	return list, OK
}

func word(v uint32) uint16 {
	if v > 0xFFFF {
		return 0
	}
	return uint16(v)
}

// WarningTemperature returns "the temperature level where temperature based throttling
// begins" (D3DKMT_ADAPTER_PERFDATACAPS) in degrees C; 0 where a card does not tell one that
// makes sense.
func WarningTemperature(a Asker, luid uint64) float64 {
	b := make([]byte, capsSize)
	if !Exactly(a, Question{Call: Adapter, A: luid, B: AdapterPerfCaps}, b) {
		return 0
	}
	t, ok := temperature(binary.LittleEndian.Uint32(b[capsWarning:]))
	if !ok || t < 40 {
		return 0
	}
	return t
}

// Sizes and offsets of the performance structures of d3dkmthk.h, 64 bit. Older headers lack
// the last field of the node's, and only the exact size is taken.
const (
	PerfSize     = 64
	NodeSize     = 64
	NodeSizeOld  = 56
	perfClock    = 8  // MemoryFrequency, Hz
	perfFan      = 48 // FanRPM
	perfPower    = 52 // Power, tenths of a per cent of the limit
	perfTemp     = 56 // Temperature, tenths of a degree C
	capsSize     = 40 // of D3DKMT_ADAPTER_PERFDATACAPS
	capsWarning  = 32 // TemperatureWarning
	nodeClock    = 8  // Frequency, Hz
	mostClockMHz = 10_000
	mostRateMHz  = 50_000 // of memory, whose clock may be told as the rate of its data
)

// Gauges is what a card tells of the moment; what it does not tell is absent from the list.
type Gauges struct {
	Temperature, Clock, MemoryClock, Fan, PowerShare float64
	HasTemp, HasClock, HasMemory, HasFan, HasPower   bool
}

func temperature(tenths uint32) (float64, bool) {
	t := float64(int32(tenths)) / 10
	return t, tenths != 0 && t > -50 && t < 150
}

func megahertz(hz uint64, most float64) (float64, bool) {
	mhz := float64(hz) / 1e6
	return mhz, mhz >= 1 && mhz < most
}

// ReadPerf reads D3DKMT_ADAPTER_PERFDATA. A number of 0 stands for one that is not told, but
// for a fan that stands still beside a temperature, and impossible ones are not told either.
func (g *Gauges) ReadPerf(b []byte) {
	if len(b) < PerfSize {
		return
	}
	u32 := func(at int) uint32 { return binary.LittleEndian.Uint32(b[at:]) }
	g.Temperature, g.HasTemp = temperature(u32(perfTemp))
	g.MemoryClock, g.HasMemory = megahertz(binary.LittleEndian.Uint64(b[perfClock:]), mostRateMHz)
	g.Fan, g.HasFan = float64(u32(perfFan)), g.HasTemp && u32(perfFan) < 100_000
	g.PowerShare = float64(u32(perfPower)) / 10
	g.HasPower = g.PowerShare > 0 && g.PowerShare < 1000
}

// ReadNode reads the clock of D3DKMT_NODE_PERFDATA.
func (g *Gauges) ReadNode(b []byte) {
	if len(b) >= NodeSizeOld {
		g.Clock, g.HasClock = megahertz(binary.LittleEndian.Uint64(b[nodeClock:]), mostClockMHz)
	}
}
