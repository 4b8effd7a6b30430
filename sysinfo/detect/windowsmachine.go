package detect

import (
	"cmp"
	"encoding/binary"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"

	"capd.example/internal/text"
	"capd.example/record"
	"capd.example/sysinfo/firmware"
	"capd.example/sysinfo/graphics"
	"capd.example/sysinfo/nvml"
	"capd.example/sysinfo/registry"
	"capd.example/sysinfo/winsys"
)

// windowsMachine is what a Windows machine answered, as values.
type windowsMachine struct {
	reg          registry.Reader
	smbios       []byte // as GetSystemFirmwareTable returns it
	topology     []byte // as GetLogicalProcessorInformationEx returns it, relation "all"
	memory       uint64 // bytes that the system can use
	mains        byte   // ACLineStatus: 0 battery, 1 mains, 255 unknown
	mode         []byte // DEVMODEW of the first display, nil for none
	screens      []byte // as QueryDisplayConfig returns them, nil for none
	adapters     []string
	plan         string // GUID of the power plan, "" where it is not told
	planName     string // as the system calls it
	effective    uint32 // EFFECTIVE_POWER_MODE, where effectiveWhy is ""
	effectiveWhy record.Unknown
	guard        uint32 // CODEINTEGRITY_OPTION bits, where guardWhy is ""
	guardWhy     record.Unknown
	hags         uint32 // D3DKMT_WDDM_2_7_CAPS of the first card, where hagsWhy is ""
	hagsWhy      record.Unknown
	cards        []graphics.Card
	nv           []nvml.Card
}

const (
	regCPU      = `HKLM\HARDWARE\DESCRIPTION\System\CentralProcessor\0`
	regFirmware = `HKLM\HARDWARE\DESCRIPTION\System\BIOS`
	regWindows  = `HKLM\SOFTWARE\Microsoft\Windows NT\CurrentVersion`
	regDisplay  = `HKLM\SYSTEM\CurrentControlSet\Control\Class\{4d36e968-e325-11ce-bfc1-08002be10318}`
	regGraphics = `HKLM\SYSTEM\CurrentControlSet\Control\GraphicsDrivers`
	regGameBar  = `HKCU\Software\Microsoft\GameBar`
)

// detect writes all fields of the machine.
func (m windowsMachine) detect(f *facts) {
	m.processor(f)
	m.board(f)
	table, err := firmware.WindowsTable(m.smbios)
	why := record.Unknown("")
	s, parseErr := firmware.ParseSMBIOS(table)
	if err != nil || parseErr != nil && len(s.Modules) == 0 {
		why = record.Broken
	}
	if len(m.smbios) == 0 {
		why = record.Absent
	}
	memoryFields(f, s.Modules, s.Slots, "SMBIOS", why, m.memory, "GlobalMemoryStatusEx")
	m.graphics(f)
	m.display(f)
	m.system(f)
	m.switches(f)
}

func (m windowsMachine) regText(f *facts, name, key, value string, identity bool) {
	s, why := m.reg.Text(key, value)
	f.maybe(name, s, "", key+`\`+value, why, identity)
}

func (m windowsMachine) processor(f *facts) {
	m.regText(f, record.FieldProcessorName, regCPU, "ProcessorNameString", true)
	m.regText(f, "processor.vendor", regCPU, "VendorIdentifier", true)
	m.regText(f, "processor.model", regCPU, "Identifier", true)
	micro, why := m.reg.Number(regCPU, "Update Revision")
	// Eight bytes with the revision in the high half.
	f.maybe("processor.microcode", fmt.Sprintf("0x%x", micro>>32), "", regCPU+`\Update Revision`, why, true)
	mhz, why := m.reg.Number(regCPU, "~MHz")
	f.maybe("processor.clock_base", utoa(mhz), "MHz", regCPU+`\~MHz`, why, false)
	t, ok := parseTopology(m.topology)
	const source = "GetLogicalProcessorInformationEx"
	if !ok {
		for _, name := range []string{record.FieldProcessorThreads, "processor.cores", "processor.smt"} {
			f.unknown(name, record.Broken, source, true)
		}
		return
	}
	f.id(record.FieldProcessorThreads, itoa(t.threads), "", source)
	f.id("processor.cores", itoa(t.cores), "", source)
	f.id("processor.packages", itoa(t.packages), "", source)
	f.id("processor.smt", onOff(t.smt), "", source)
	if len(t.classes) > 1 {
		f.id("processor.performance_cores", itoa(t.classes[len(t.classes)-1]), "", source)
		f.id("processor.efficiency_cores", itoa(t.cores-t.classes[len(t.classes)-1]), "", source)
	}
	if t.l3 > 0 {
		f.add("processor.l3", utoa(t.l3/kib), "KiB", source)
	}
}

func (m windowsMachine) board(f *facts) {
	board, why := m.reg.Text(regFirmware, "BaseBoardProduct")
	if maker, w := m.reg.Text(regFirmware, "BaseBoardManufacturer"); w == "" && text.Reported(maker) != "" &&
		text.Reported(board) != "" {
		board = maker + " " + board
	}
	f.maybe(record.FieldBoardName, board, "", regFirmware+`\BaseBoardProduct`, why, true)
	m.regText(f, record.FieldFirmwareVersion, regFirmware, "BIOSVersion", true)
	m.regText(f, "firmware.date", regFirmware, "BIOSReleaseDate", true)
}

// system reads Windows' own version. The registry still says 10 on 11, which begins with
// build 22000.
func (m windowsMachine) system(f *facts) {
	name, why := m.reg.Text(regWindows, "ProductName")
	build, why2 := m.reg.Text(regWindows, "CurrentBuild")
	if n, err := strconv.Atoi(build); err == nil && n >= 22000 {
		name = strings.Replace(name, "Windows 10", "Windows 11", 1)
	}
	if version, w := m.reg.Text(regWindows, "DisplayVersion"); w == "" && name != "" {
		name += " " + version
	}
	f.maybe(record.FieldOSName, name, "", regWindows+`\ProductName`, why, true)
	if ubr, w := m.reg.Number(regWindows, "UBR"); w == "" && build != "" {
		build += "." + utoa(ubr)
	}
	f.maybe(record.FieldOSBuild, build, "", regWindows+`\CurrentBuild`, why2, true)
}

// switches reads settings that move frame rates.
func (m windowsMachine) switches(f *facts) {
	plan := m.plan
	if name, ok := plans[strings.ToLower(plan)]; ok {
		plan = name
	} else if m.planName != "" {
		plan = m.planName
	}
	f.maybe(record.FieldProcessorPolicy, plan, "", "PowerGetActiveScheme", "", true)
	// Not of the identity: what a game that comes and goes does to it has not been seen yet.
	f.maybe("power.mode", effectiveModes[m.effective], "", "EFFECTIVE_POWER_MODE", m.effectiveWhy, false)
	f.unknown(record.FieldProcessorBoost, record.Absent, "Windows does not tell", true)
	if m.hagsWhy == "" { // as it runs: HwSchEnabled beside HwSchSupported and HwSchEnabledByDefault
		f.id("os.gpu_scheduling", onOff(m.hags&2 != 0), "", "D3DKMT_WDDM_2_7_CAPS")
	} else {
		hags, why := m.reg.Number(regGraphics, "HwSchMode")
		f.maybe("os.gpu_scheduling", onOff(hags == 2), "", regGraphics+`\HwSchMode`, why, true)
	}
	game, why := m.reg.Number(regGameBar, "AutoGameModeEnabled")
	if why == record.Absent { // where nothing is set it is on
		game, why = 1, ""
	}
	f.maybe("os.game_mode", onOff(game == 1), "", regGameBar+`\AutoGameModeEnabled`, why, true)
	// As it runs: code integrity that the hypervisor enforces (CODEINTEGRITY_OPTION_HVCI_KMCI_ENABLED).
	guarded := onOff(m.guard&0x400 != 0)
	f.maybe("os.virtualization_security", guarded, "", "SystemCodeIntegrityInformation", m.guardWhy, true)
	power := map[byte]string{0: "battery", 1: "mains"}[m.mains]
	f.maybe("power.source", power, "", "GetSystemPowerStatus", "", false)
}

// plans are the power plans that every Windows knows by fixed numbers (winnt.h,
// GUID_TYPICAL_POWER_SAVINGS and its neighbours).
var plans = map[string]string{
	"381b4222-f694-41f0-9685-ff5bb260df2e": "balanced",
	"8c5e7fda-e8bf-4a96-9a85-a6e23a8c635c": "high performance",
	"a1841308-3541-4fab-bc81-f71556f20b4a": "power saver",
}

// effectiveModes are the modes that are in force, whatever plan is chosen: what the slider of
// Windows, a battery or a game makes of it (powersetting.h, EFFECTIVE_POWER_MODE).
var effectiveModes = map[uint32]string{0: "battery saver", 1: "better battery", 2: "balanced", 3: "high performance",
	4: "maximum performance", 5: "game", 6: "mixed reality"}

func (m windowsMachine) display(f *facts) {
	w, h, hz, ok := parseMode(m.mode)
	if !ok {
		f.unknown("display.0.mode", record.Absent, "EnumDisplaySettings", false)
		return
	}
	f.add("display.0.mode", fmt.Sprintf("%dx%d", w, h), "px", "EnumDisplaySettings")
	// A DEVMODE has whole numbers; 59 may be 59.94.
	if exact, known := winsys.RefreshRate(m.screens, w, h); known && (hz <= 1 || math.Abs(exact-float64(hz)) <= 1) {
		f.add("display.0.refresh", strconv.FormatFloat(exact, 'f', 2, 64), "Hz", "QueryDisplayConfig")
	} else if hz > 1 { // 0 and 1 stand for the hardware's default
		f.add("display.0.refresh", itoa(hz), "Hz", "EnumDisplaySettings")
	} else {
		f.unknown("display.0.refresh", record.Unsupported, "EnumDisplaySettings", false)
	}
}

// parseMode reads width, height and frequency of a DEVMODEW (wingdi.h).
func parseMode(b []byte) (w, h, hz int, ok bool) {
	if len(b) < winsys.ModeEnd {
		return 0, 0, 0, false
	}
	u := func(at int) int { return int(binary.LittleEndian.Uint32(b[at:])) }
	w, h = u(winsys.ModeWidth), u(winsys.ModeHeight)
	return w, h, u(winsys.ModeRate), w > 0 && h > 0
}

// graphics lists the adapters that are present, in the order in which telemetry counts them.
func (m windowsMachine) graphics(f *facts) {
	n := 0
	for _, a := range m.adapterKeys() {
		m.adapter(f, "graphics."+itoa(n)+".", a)
		n++
	}
	if n == 0 {
		f.unknown(record.FieldGraphicsName, record.Absent, regDisplay, true)
		f.unknown(record.FieldGraphicsDriver, record.Absent, regDisplay, true)
	}
}

// adapterKey is an adapter's place in the registry, and the card that it is.
type adapterKey struct {
	key, id string
	memory  uint64
	card    *graphics.Card // nil where neither the graphics kernel nor a vendor's library tells of it
}

// adapterKeys lists the adapters that are present: cards in the order of telemetry, then those that
// only the registry knows, the one with most memory first. The registry counts by the slot that a
// driver was first installed for; of two cards of one kind, which are alike in all that it tells,
// any is either's.
func (m windowsMachine) adapterKeys() []adapterKey {
	var list, keys []adapterKey
	for _, key := range m.reg.Keys(regDisplay) {
		if _, err := strconv.Atoi(key); err != nil {
			continue // "Properties" and the like
		}
		a := adapterKey{key: regDisplay + `\` + key}
		a.id, _ = m.reg.Text(a.key, "MatchingDeviceId")
		a.memory, _ = m.reg.Number(a.key, "HardwareInformation.qwMemorySize")
		if m.present(a.id) {
			keys = append(keys, a)
		}
	}
	for i := range m.cards {
		c := &m.cards[i]
		if c.Vendor == 0 {
			continue
		}
		a := adapterKey{id: cardID(c.Vendor, c.Device)}
		if k := slices.IndexFunc(keys, func(k adapterKey) bool { return vendorDevice(k.id) == a.id }); k >= 0 {
			a = keys[k]
			keys = slices.Delete(keys, k, k+1)
		}
		a.card = c
		list = append(list, a)
	}
	slices.SortStableFunc(keys, func(a, b adapterKey) int { return cmp.Compare(b.memory, a.memory) })
	cards := list
	for _, k := range keys {
		// An entry of a card that is listed already is one of a slot that it is not in any more.
		if !slices.ContainsFunc(cards, func(a adapterKey) bool { return vendorDevice(a.id) == vendorDevice(k.id) }) {
			list = append(list, k)
		}
	}
	return list
}

// present reports whether an adapter is plugged in; where the system names none, all of
// the registry count.
func (m windowsMachine) present(id string) bool {
	if len(m.adapters)+len(m.cards)+len(m.nv) == 0 {
		return true
	}
	want := vendorDevice(id)
	if slices.ContainsFunc(m.cards, func(c graphics.Card) bool { return want == cardID(c.Vendor, c.Device) }) ||
		slices.ContainsFunc(m.nv, func(c nvml.Card) bool { return want == cardID(uint16(c.PciID), uint16(c.PciID>>16)) }) {
		return true // one that drives no screen, too
	}
	return want != "" && slices.ContainsFunc(m.adapters, func(a string) bool { return vendorDevice(a) == want })
}

func cardID(vendor, device uint16) string {
	return fmt.Sprintf(`PCI\VEN_%04X&DEV_%04X`, vendor, device)
}

// vendorDevice cuts PCI\VEN_1234&DEV_5678&... to vendor and device.
func vendorDevice(id string) string {
	parts := strings.SplitN(strings.ToUpper(id), "&", 3)
	if len(parts) < 2 || !strings.HasPrefix(parts[0], `PCI\VEN_`) {
		return ""
	}
	return parts[0] + "&" + parts[1]
}

func (m windowsMachine) adapter(f *facts, p string, a adapterKey) {
	var nv *nvml.Card
	if a.card != nil {
		nv = a.card.NV
	}
	if a.key == "" && nv != nil {
		f.maybe(p+"name", nv.Name, "", "nvml", "", true)
	} else {
		m.adapterText(f, p+"name", a.key, "DriverDesc")
	}
	if nv != nil {
		f.id(p+"driver", nv.Driver, "", "nvml")
		f.maybe(p+"power_limit", round1(float64(nv.PowerLimit)/1000), "W", "nvml", nv.PowerWhy, true)
		f.maybe(p+"link_best", linkText(int(nv.MaxGen), int(nv.MaxWidth)), "", "nvml", "", true)
	} else {
		m.adapterText(f, p+"driver", a.key, "DriverVersion")
		f.unknown(p+"power_limit", record.Absent, "no vendor library", true)
	}
	const memory = "HardwareInformation.qwMemorySize"
	if a.key == "" {
		f.maybe(p+"memory", utoa(a.card.Vram/mib), "MiB", "D3DKMT_SEGMENTSIZEINFO", unknownIf(a.card.Vram == 0), true)
	} else {
		m.regText(f, p+"driver_date", a.key, "DriverDate", false)
		bytes, why := m.reg.Number(a.key, memory)
		f.maybe(p+"memory", utoa(bytes/mib), "MiB", a.key+`\`+memory, why, true)
	}
	if a.card != nil && a.card.Warning > 0 {
		f.add(p+record.FieldThrottleTemp, fmt.Sprintf("%.0f", a.card.Warning), "C", "D3DKMT_ADAPTER_PERFDATACAPS")
	}
	source := "D3DKMT_QUERY_DEVICE_IDS"
	if a.key != "" {
		source = a.key + `\MatchingDeviceId`
	}
	f.maybe(p+"pci_id", vendorDevice(a.id), "", source, "", true)
}

// adapterText is a text of the registry that counts for the identity; a card without an entry has
// none.
func (m windowsMachine) adapterText(f *facts, name, key, value string) {
	if key == "" {
		f.unknown(name, record.Absent, regDisplay, true)
		return
	}
	m.regText(f, name, key, value, true)
}

func unknownIf(absent bool) record.Unknown {
	if absent {
		return record.Absent
	}
	return ""
}

// topologyInfo is what parseTopology counts.
type topologyInfo struct {
	packages, cores, threads int
	smt                      bool
	classes                  []int  // cores of each efficiency class, slowest first
	l3                       uint64 // bytes of the first package's first L3 cache
}

// parseTopology reads SYSTEM_LOGICAL_PROCESSOR_INFORMATION_EX records (winnt.h, 64 bit):
// relation and size, then what the relation is about.
func parseTopology(b []byte) (t topologyInfo, ok bool) {
	classes := map[byte]int{}
	for len(b) >= 8 {
		relation, size := binary.LittleEndian.Uint32(b), int(binary.LittleEndian.Uint32(b[4:]))
		if size < 8 || size > len(b) {
			return t, false
		}
		r := b[:size]
		b = b[size:]
		switch relation {
		case 0: // a core
			threads := groupThreads(r)
			if threads == 0 {
				return t, false
			}
			t.cores++
			t.threads += threads
			t.smt = t.smt || threads > 1
			classes[r[9]]++
		case 2: // a cache
			if size >= 16 && r[8] == 3 && t.l3 == 0 {
				t.l3 = uint64(binary.LittleEndian.Uint32(r[12:]))
			}
		case 3:
			t.packages++
		}
	}
	var order []byte
	for c := range classes {
		order = append(order, c)
	}
	slices.Sort(order)
	for _, c := range order {
		t.classes = append(t.classes, classes[c])
	}
	return t, t.cores > 0
}

// groupThreads counts the bits of a PROCESSOR_RELATIONSHIP's group masks.
func groupThreads(r []byte) int {
	if len(r) < 32 {
		return 0
	}
	n := 0
	for i := range int(binary.LittleEndian.Uint16(r[30:])) {
		at := 32 + 16*i
		if at+8 > len(r) {
			return 0
		}
		for mask := binary.LittleEndian.Uint64(r[at:]); mask != 0; mask &= mask - 1 {
			n++
		}
	}
	return n
}
