package detect

import (
	"context"
	"encoding/binary"
	"fmt"
	"strings"
	"unsafe"

	"capd.example/sysinfo/graphics"
	"capd.example/sysinfo/tree"
	"capd.example/sysinfo/winsys"
	"github.com/shirou/gopsutil/v3/mem"
	"golang.org/x/sys/windows"
)

var (
	procFirmwareTable   = winsys.Kernel32.NewProc("GetSystemFirmwareTable")
	procTopology        = winsys.Kernel32.NewProc("GetLogicalProcessorInformationEx")
	procPowerStatus     = winsys.Kernel32.NewProc("GetSystemPowerStatus")
	procDisplaySettings = winsys.User32.NewProc("EnumDisplaySettingsW")
	procDisplayDevices  = winsys.User32.NewProc("EnumDisplayDevicesW")
	procActiveScheme    = winsys.Powrprof.NewProc("PowerGetActiveScheme")
)

// detectWindows asks the machine and leaves the rest to the parsers.
func detectWindows(ctx context.Context, cards *graphics.Finder, f *facts) {
	m := windowsMachine{
		reg: winsys.Registry{}, smbios: firmwareTable(), topology: processorTopology(), mains: mainsStatus(),
		mode: displayMode(), adapters: displayAdapters(), plan: activePlan(),
	}
	if v, err := mem.VirtualMemoryWithContext(ctx); err == nil {
		m.memory = v.Total
	}
	if lib, _ := cards.NVML(); lib != nil {
		m.nv, _ = lib.Cards()
	}
	m.detect(f)
}

// firmwareTable returns the SMBIOS table with its heading.
func firmwareTable() []byte {
	const rsmb = 'R'<<24 | 'S'<<16 | 'M'<<8 | 'B'
	if procFirmwareTable.Find() != nil {
		return nil
	}
	n, _, _ := procFirmwareTable.Call(rsmb, 0, 0, 0)
	if n == 0 || n > tree.Largest {
		return nil
	}
	buf := make([]byte, n)
	n, _, _ = procFirmwareTable.Call(rsmb, 0, uintptr(unsafe.Pointer(&buf[0])), uintptr(len(buf)))
	return buf[:min(int(n), len(buf))]
}

func processorTopology() []byte {
	const all = 0xFFFF
	if procTopology.Find() != nil {
		return nil
	}
	var n uint32
	procTopology.Call(all, 0, uintptr(unsafe.Pointer(&n)))
	if n == 0 || n > tree.Largest {
		return nil
	}
	buf := make([]byte, n)
	if ok, _, _ := procTopology.Call(all, uintptr(unsafe.Pointer(&buf[0])), uintptr(unsafe.Pointer(&n))); ok == 0 {
		return nil
	}
	return buf[:n]
}

// mainsStatus returns ACLineStatus of SYSTEM_POWER_STATUS, 255 for unknown.
func mainsStatus() byte {
	var status [12]byte
	if procPowerStatus.Find() != nil {
		return 255
	}
	if ok, _, _ := procPowerStatus.Call(uintptr(unsafe.Pointer(&status[0]))); ok == 0 {
		return 255
	}
	return status[0]
}

func displayMode() []byte {
	const current = 0xFFFFFFFF
	var mode [220]byte
	binary.LittleEndian.PutUint16(mode[68:], uint16(len(mode)))
	if procDisplaySettings.Find() != nil {
		return nil
	}
	if ok, _, _ := procDisplaySettings.Call(0, current, uintptr(unsafe.Pointer(&mode[0]))); ok == 0 {
		return nil
	}
	return mode[:]
}

// displayAdapters returns the identifiers of the adapters that are plugged in
// (DISPLAY_DEVICEW: the identifier stands at 328).
func displayAdapters() []string {
	if procDisplayDevices.Find() != nil {
		return nil
	}
	var list []string
	for i := range uintptr(64) {
		var d [840]byte
		binary.LittleEndian.PutUint32(d[:], uint32(len(d)))
		if ok, _, _ := procDisplayDevices.Call(0, i, uintptr(unsafe.Pointer(&d[0])), 0); ok == 0 {
			break
		}
		if id := winsys.UTF16Text(d[328:584]); vendorDevice(id) != "" {
			list = append(list, id)
		}
	}
	return list
}

func activePlan() string {
	if procActiveScheme.Find() != nil {
		return ""
	}
	var guid *windows.GUID
	if rc, _, _ := procActiveScheme.Call(0, uintptr(unsafe.Pointer(&guid))); rc != 0 || guid == nil {
		return ""
	}
	defer windows.LocalFree(windows.Handle(unsafe.Pointer(guid)))
	return strings.ToLower(strings.Trim(fmt.Sprint(*guid), "{}"))
}
