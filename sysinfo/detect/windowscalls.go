package detect

import (
	"encoding/binary"
	"strings"

	"capd.example/sysinfo/graphics"
	"capd.example/sysinfo/registry"
	"capd.example/sysinfo/winsys"
)

// detectWindows asks the machine and leaves the rest to the parsers.
func detectWindows(ask winsys.Asker, cards *graphics.Finder, f *facts) {
	m := windowsMachine{reg: registry.Reader{Asker: ask}, mains: 255, adapters: displayAdapters(ask)}
	whole := func(call string, room int) []byte {
		b, s := winsys.Whole(ask, winsys.Question{Call: call}, make([]byte, room))
		if s != winsys.OK {
			return nil
		}
		return b
	}
	m.smbios, m.topology = whole(winsys.Firmware, 16<<10), whole(winsys.Topology, 16<<10)
	m.mode, m.screens = whole(winsys.DisplayMode, winsys.ModeSize), whole(winsys.DisplayConfig, 4096)
	if b := whole(winsys.MemoryStatus, 64); len(b) == 64 {
		m.memory = binary.LittleEndian.Uint64(b[8:])
	}
	if b := whole(winsys.PowerStatus, 12); len(b) == 12 {
		m.mains = b[0] // ACLineStatus
	}
	m.plan, m.planName, _ = strings.Cut(string(whole(winsys.PowerScheme, 256)), "\n")
	effective := make([]byte, 4)
	_, s := ask.Ask(winsys.Question{Call: winsys.PowerMode}, effective)
	m.effective, m.effectiveWhy = binary.LittleEndian.Uint32(effective), registry.Why(s)
	var guard [8]byte // SYSTEM_CODEINTEGRITY_INFORMATION: its length, then the options
	binary.LittleEndian.PutUint32(guard[:], uint32(len(guard)))
	_, s = ask.Ask(winsys.Question{Call: winsys.CodeIntegrity}, guard[:])
	m.guard, m.guardWhy = binary.LittleEndian.Uint32(guard[4:]), registry.Why(s)
	m.hagsWhy = registry.Why(winsys.NoFunction)
	m.cards, _ = cards.All()
	for _, c := range m.cards {
		if c.NV != nil {
			m.nv = append(m.nv, *c.NV)
		}
	}
	for _, c := range m.cards {
		if c.LUID == 0 {
			continue
		}
		caps := make([]byte, 4)
		_, s := ask.Ask(winsys.Question{Call: winsys.Adapter, A: c.LUID, B: winsys.AdapterWDDM27}, caps)
		m.hags, m.hagsWhy = binary.LittleEndian.Uint32(caps), registry.Why(s)
		break
	}
	m.detect(f)
}

// displayAdapters returns the identifiers of the adapters that drive a screen.
func displayAdapters(ask winsys.Asker) (list []string) {
	for i := range uint64(64) {
		d := make([]byte, winsys.DeviceSize)
		if !winsys.Exactly(ask, winsys.Question{Call: winsys.DisplayDevices, A: i}, d) {
			break
		}
		if id := winsys.UTF16Text(d[winsys.DeviceID:winsys.DeviceKey]); vendorDevice(id) != "" {
			list = append(list, id)
		}
	}
	return list
}
