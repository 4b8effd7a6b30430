package winsys

import (
	"encoding/binary"
	"strings"
	"sync"
	"time"
	"unsafe"

	"golang.org/x/sys/windows"
)

// graphicsLibrary has the calls of the graphics kernel. A build for tests under Wine, which
// lacks them, names a stand-in (-ldflags -X).
var graphicsLibrary = "gdi32.dll"

// Libraries of the system, loaded from the system's folder when they are first called.
var (
	Kernel32   = windows.NewLazySystemDLL("kernel32.dll")
	kernelbase = windows.NewLazySystemDLL("kernelbase.dll")
	ntdll      = windows.NewLazySystemDLL("ntdll.dll")
	user32     = windows.NewLazySystemDLL("user32.dll")
	powrprof   = windows.NewLazySystemDLL("powrprof.dll")
	iphlpapi   = windows.NewLazySystemDLL("iphlpapi.dll")
	pdh        = windows.NewLazySystemDLL("pdh.dll")
	kernel     = sync.OnceValue(openGraphics)
)

// graphicsKernel are the calls of the graphics kernel.
type graphicsKernel struct{ enum, open, query, shut *windows.LazyProc }

func openGraphics() graphicsKernel {
	dll := windows.NewLazySystemDLL(graphicsLibrary)
	return graphicsKernel{dll.NewProc("D3DKMTEnumAdapters2"), dll.NewProc("D3DKMTOpenAdapterFromLuid"),
		dll.NewProc("D3DKMTQueryAdapterInfo"), dll.NewProc("D3DKMTCloseAdapter")}
}

var (
	procSystemInformationEx = ntdll.NewProc("NtQuerySystemInformationEx")
	procMemoryStatus        = Kernel32.NewProc("GlobalMemoryStatusEx")
	procTopology            = Kernel32.NewProc("GetLogicalProcessorInformationEx")
	procFirmwareTable       = Kernel32.NewProc("GetSystemFirmwareTable")
	procInterruptTime       = kernelbase.NewProc("QueryInterruptTime") // Windows 10 and later
	procUnbiasedTime        = Kernel32.NewProc("QueryUnbiasedInterruptTime")
	procPowerStatus         = Kernel32.NewProc("GetSystemPowerStatus")
	procPowerInformation    = powrprof.NewProc("CallNtPowerInformation")
	procActiveScheme        = powrprof.NewProc("PowerGetActiveScheme")
	procPowerModeTell       = powrprof.NewProc("PowerRegisterForEffectivePowerModeNotifications") // 10 1809 and later
	procPowerModeLeave      = powrprof.NewProc("PowerUnregisterFromEffectivePowerModeNotifications")
	procFriendlyName        = powrprof.NewProc("PowerReadFriendlyName")
	procDisplaySettings     = user32.NewProc("EnumDisplaySettingsW")
	procDisplayDevices      = user32.NewProc("EnumDisplayDevicesW")
	procDisplayConfigSizes  = user32.NewProc("GetDisplayConfigBufferSizes")
	procDisplayConfig       = user32.NewProc("QueryDisplayConfig")
	procIfTable             = iphlpapi.NewProc("GetIfTable2")
	procIfEntry             = iphlpapi.NewProc("GetIfEntry2")
	procFreeMib             = iphlpapi.NewProc("FreeMibTable")
	procPdhOpen             = pdh.NewProc("PdhOpenQueryW")
	procPdhAdd              = pdh.NewProc("PdhAddEnglishCounterW")
	procPdhRemove           = pdh.NewProc("PdhRemoveCounter")
	procPdhCollect          = pdh.NewProc("PdhCollectQueryData")
	procPdhValue            = pdh.NewProc("PdhGetFormattedCounterValue")
	procPdhArray            = pdh.NewProc("PdhGetFormattedCounterArrayW")
	procPdhClose            = pdh.NewProc("PdhCloseQuery")
)

// here is this machine.
type here struct {
	mu      sync.Mutex // guards queries; a call that hangs holds it not
	mode    sync.Mutex // one question for the power mode at a time
	queries map[uint64]*query
}

// query is a query of the performance counters.
type query struct {
	handle   uintptr
	counters map[string]uintptr
}

// Here returns this machine.
func Here() Asker { return &here{queries: map[uint64]*query{}} }

// call calls a function that an older Windows may lack.
//
//go:uintptrescapes
func call(p *windows.LazyProc, args ...uintptr) (uintptr, bool) {
	if p.Find() != nil {
		return 0, false
	}
	r, _, _ := p.Call(args...)
	return r, true
}

// address of an answer's room, which the caller of Ask holds on the heap.
func address(b []byte) uintptr {
	if len(b) == 0 {
		return 0
	}
	return uintptr(unsafe.Pointer(&b[0]))
}

// Ask implements [Asker].
func (h *here) Ask(q Question, out []byte) (n int, s Status) {
	switch q.Call {
	case ProcessorTimes:
		return processorTimes(uint16(q.A), out)
	case Processes:
		return processes(out)
	case CodeIntegrity:
		const codeIntegrity = 103
		return systemInformation(codeIntegrity, out)
	case PowerOfCores:
		const processorInformation = 11
		return status(procPowerInformation, len(out), processorInformation, 0, 0, address(out), uintptr(len(out)))
	case InterruptTimes:
		return interruptTimes(out)
	case MemoryStatus:
		if len(out) < 64 {
			return 64, 122
		}
		binary.LittleEndian.PutUint32(out, 64)
		return truth(procMemoryStatus, 64, address(out))
	case PowerStatus:
		if len(out) < 12 {
			return 12, 122
		}
		return truth(procPowerStatus, 12, address(out))
	case PowerScheme:
		return powerScheme(out)
	case PowerMode:
		h.mode.Lock()
		defer h.mode.Unlock()
		return powerMode(out)
	case DisplayConfig:
		return displayConfig(out)
	case Topology, Firmware, DisplayMode, DisplayDevices:
		return machine(q, out)
	case Interfaces, Interface:
		return interfaces(q, out)
	case Adapters:
		return adapters(out)
	case Adapter:
		return adapter(q, out)
	case RegistryValue, RegistryKeys:
		return registryAnswer(q, out)
	}
	return h.counter(q, out)
}

// status calls a function that returns 0 for success and fills n bytes.
//
//go:uintptrescapes
func status(p *windows.LazyProc, n int, args ...uintptr) (int, Status) {
	r, there := call(p, args...)
	if !there {
		return 0, NoFunction
	}
	if Status(r) != OK {
		return 0, Status(r)
	}
	return n, OK
}

// truth calls a function that returns 0 for failure and fills n bytes.
//
//go:uintptrescapes
func truth(p *windows.LazyProc, n int, args ...uintptr) (int, Status) {
	r, there := call(p, args...)
	if !there {
		return 0, NoFunction
	}
	if r == 0 {
		return 0, Failed
	}
	return n, OK
}

// answered copies an answer that a call made where it liked.
func answered(out, answer []byte) (int, Status) {
	if len(answer) > len(out) {
		return len(answer), 122
	}
	return copy(out, answer), OK
}

func systemInformation(class int32, out []byte) (int, Status) {
	var n uint32
	var to unsafe.Pointer
	if len(out) > 0 {
		to = unsafe.Pointer(&out[0])
	}
	err := windows.NtQuerySystemInformation(class, to, uint32(len(out)), &n)
	if code, is := err.(windows.NTStatus); is {
		return int(n), Status(code)
	}
	return int(n), OK
}

// processorTimes asks for one group; where a Windows knows no groups the first is all.
func processorTimes(group uint16, out []byte) (int, Status) {
	class := uintptr(windows.SystemProcessorPerformanceInformation)
	var n uint32
	r, there := call(procSystemInformationEx, class, uintptr(unsafe.Pointer(&group)), unsafe.Sizeof(group), address(out),
		uintptr(len(out)), uintptr(unsafe.Pointer(&n)))
	if there && Status(r) == OK || group > 0 {
		return int(n), Status(r)
	}
	return systemInformation(int32(class), out)
}

// processes lists them; the names' addresses become offsets.
func processes(out []byte) (int, Status) {
	n, s := systemInformation(windows.SystemProcessInformation, out)
	if s == OK {
		relative := uint64(address(out))
		for at := 0; at+ProcessSize <= min(n, len(out)); {
			name := out[at+ProcessNameAt:]
			binary.LittleEndian.PutUint64(name, binary.LittleEndian.Uint64(name)-relative)
			next := int(binary.LittleEndian.Uint32(out[at:]))
			if next < ProcessSize {
				break
			}
			at += next
		}
	}
	return n, s
}

// interruptTimes answers with the time since the start in units of 100 ns, with and without sleep.
func interruptTimes(out []byte) (int, Status) {
	const size = 16
	if len(out) < size {
		return size, 122
	}
	if _, there := call(procInterruptTime, address(out)); !there {
		binary.LittleEndian.PutUint64(out, uint64(windows.DurationSinceBoot()/100))
	}
	return truth(procUnbiasedTime, size, address(out[8:]))
}

// powerScheme answers with the plan's number and its name, a line each.
func powerScheme(out []byte) (int, Status) {
	var guid *windows.GUID
	r, there := call(procActiveScheme, 0, uintptr(unsafe.Pointer(&guid)))
	if !there || guid == nil {
		return 0, NoFunction
	}
	if Status(r) != OK {
		return 0, Status(r)
	}
	defer windows.LocalFree(windows.Handle(unsafe.Pointer(guid)))
	answer := strings.ToLower(strings.Trim(guid.String(), "{}"))
	var name [512]byte
	size := uint32(len(name))
	if r, there := call(procFriendlyName, 0, uintptr(unsafe.Pointer(guid)), 0, 0, uintptr(unsafe.Pointer(&name)),
		uintptr(unsafe.Pointer(&size))); there && Status(r) == OK {
		answer += "\n" + UTF16Text(name[:min(int(size), len(name))])
	}
	return answered(out, []byte(answer))
}

// powerModes takes what the system calls us back with; it waits for nobody.
var powerModes = make(chan uint32, 16)

// powerModeTold is made once: the runtime keeps a callback for ever.
var powerModeTold = sync.OnceValue(func() uintptr {
	return windows.NewCallback(func(mode, _ uintptr) uintptr {
		select {
		case powerModes <- uint32(mode):
		default:
		}
		return 0
	})
})

// powerMode answers with the EFFECTIVE_POWER_MODE that is in force. The system calls back with it
// at once, on a thread of its own, and again at each change until it is told to stop.
func powerMode(out []byte) (int, Status) {
	if len(out) < 4 {
		return 4, 122
	}
	for len(powerModes) > 0 { // of a question before
		<-powerModes
	}
	const first = 1 // EFFECTIVE_POWER_MODE_V1: without the modes for games and headsets, which come and go
	var registered uintptr
	if _, s := status(procPowerModeTell, 0, first, powerModeTold(), 0, uintptr(unsafe.Pointer(&registered))); s != OK {
		return 0, s
	}
	late := time.NewTimer(time.Second)
	defer late.Stop()
	s := Failed
	select {
	case mode := <-powerModes:
		binary.LittleEndian.PutUint32(out, mode)
		s = OK
	case <-late.C:
	}
	_, _ = call(procPowerModeLeave, registered)
	return 4, s
}

func displayConfig(out []byte) (int, Status) {
	const active, head = 2, displayConfigHead // QDC_ONLY_ACTIVE_PATHS
	var paths, modes uint32
	if _, s := status(procDisplayConfigSizes, 0, active, uintptr(unsafe.Pointer(&paths)),
		uintptr(unsafe.Pointer(&modes))); s != OK {
		return 0, s
	}
	if paths == 0 || modes == 0 || paths > 64 || modes > 256 {
		return 0, Failed
	}
	n := head + int(paths)*displayPathSize + int(modes)*displayModeSize
	if n > len(out) {
		return n, 122
	}
	clear(out[:n])
	room := int(paths) * displayPathSize
	if _, s := status(procDisplayConfig, 0, active, uintptr(unsafe.Pointer(&paths)), address(out[head:]),
		uintptr(unsafe.Pointer(&modes)), address(out[head+room:]), 0); s != OK {
		return 0, s
	}
	binary.LittleEndian.PutUint32(out, uint32(room/displayPathSize)) // what is not filled is zeros
	binary.LittleEndian.PutUint32(out[4:], modes)
	return n, OK
}

func machine(q Question, out []byte) (int, Status) {
	switch q.Call {
	case Topology:
		const all = 0xFFFF
		n := uint32(len(out))
		r, there := call(procTopology, all, address(out), uintptr(unsafe.Pointer(&n)))
		switch {
		case !there:
			return 0, NoFunction
		case r == 0 && int(n) > len(out):
			return int(n), 122
		case r == 0:
			return 0, Failed
		}
		return int(n), OK
	case Firmware:
		const rsmb = 'R'<<24 | 'S'<<16 | 'M'<<8 | 'B'
		r, there := call(procFirmwareTable, rsmb, 0, address(out), uintptr(len(out)))
		switch {
		case !there:
			return 0, NoFunction
		case r == 0:
			return 0, Failed
		case int(r) > len(out):
			return int(r), 122
		}
		return int(r), OK
	case DisplayMode:
		const current, size = 0xFFFFFFFF, ModeSize
		if len(out) < size {
			return size, 122
		}
		clear(out[:size])
		binary.LittleEndian.PutUint16(out[ModeLength:], size)
		return truth(procDisplaySettings, size, 0, current, address(out))
	}
	const size = DeviceSize
	if len(out) < size {
		return size, 122
	}
	clear(out[:size])
	binary.LittleEndian.PutUint32(out, size)
	return truth(procDisplayDevices, size, 0, uintptr(q.A), address(out), 0)
}

func interfaces(q Question, out []byte) (int, Status) {
	if q.Call == Interface {
		if len(out) < IfRowSize {
			return IfRowSize, 122
		}
		clear(out[:IfRowSize])
		binary.LittleEndian.PutUint64(out, q.A)
		return status(procIfEntry, IfRowSize, address(out))
	}
	var table *byte
	if _, s := status(procIfTable, 0, uintptr(unsafe.Pointer(&table))); s != OK {
		return 0, s
	}
	if table == nil {
		return 0, Failed
	}
	defer procFreeMib.Call(uintptr(unsafe.Pointer(table)))
	rows := min(int(*(*uint32)(unsafe.Pointer(table))), 1024)
	return answered(out, unsafe.Slice(table, IfTableRow+rows*IfRowSize))
}

// counter is what is asked of the performance counters.
func (h *here) counter(q Question, out []byte) (int, Status) {
	h.mu.Lock()
	of := h.queries[q.A]
	if of == nil && q.Call == CounterAdd {
		of = &query{counters: map[string]uintptr{}}
		if _, s := status(procPdhOpen, 0, 0, 0, uintptr(unsafe.Pointer(&of.handle))); s != OK {
			h.mu.Unlock()
			return 0, s
		}
		h.queries[q.A] = of
	}
	if of == nil {
		h.mu.Unlock()
		return 0, Failed
	}
	counter, known := of.counters[q.Text]
	h.mu.Unlock()
	switch {
	case q.Call == CounterCollect:
		return status(procPdhCollect, 0, of.handle)
	case q.Call == CounterClose:
		h.mu.Lock()
		delete(h.queries, q.A)
		h.mu.Unlock()
		return status(procPdhClose, 0, of.handle)
	case q.Call == CounterAdd && known: // two series may come from one counter
		return 0, OK
	case q.Call == CounterAdd:
		path, err := windows.UTF16PtrFromString(q.Text)
		if err != nil {
			return 0, Failed
		}
		_, s := status(procPdhAdd, 0, of.handle, uintptr(unsafe.Pointer(path)), 0, uintptr(unsafe.Pointer(&counter)))
		if s == OK {
			h.mu.Lock()
			of.counters[q.Text] = counter
			h.mu.Unlock()
		}
		return 0, s
	case !known:
		return 0, Failed
	case q.Call == CounterRemove:
		h.mu.Lock()
		delete(of.counters, q.Text)
		h.mu.Unlock()
		return status(procPdhRemove, 0, counter)
	case q.Call == CounterValue && len(out) >= 16:
		return status(procPdhValue, 16, counter, uintptr(q.B), 0, address(out))
	case q.Call == CounterArray:
		return counterArray(counter, q.B, out)
	}
	return 0, Failed
}

// counterArray answers with how many items a wildcard has, in 8 bytes, then the items, whose
// names' addresses become offsets from the first item.
func counterArray(counter uintptr, format uint64, out []byte) (int, Status) {
	const head = 8
	var items []byte
	if len(out) > head {
		items = out[head:]
	}
	size, count := uint32(len(items)), uint32(0)
	_, s := status(procPdhArray, 0, counter, uintptr(format), uintptr(unsafe.Pointer(&size)),
		uintptr(unsafe.Pointer(&count)), address(items))
	if s != OK || len(items) == 0 {
		return int(size) + head, s
	}
	n := min(int(size), len(items))
	count = min(count, uint32(n/CounterItemSize))
	for i := range int(count) {
		name := items[i*CounterItemSize:]
		binary.LittleEndian.PutUint64(name, binary.LittleEndian.Uint64(name)-uint64(address(items)))
	}
	binary.LittleEndian.PutUint64(out, uint64(count))
	return head + n, OK
}

// adapters lists the cards, and closes what listing them opened.
func adapters(out []byte) (int, Status) {
	var list struct {
		count uint32
		_     uint32
		rows  uintptr
	}
	k := kernel()
	if _, s := status(k.enum, 0, uintptr(unsafe.Pointer(&list))); s != OK {
		return 0, s
	}
	if need := int(list.count) * AdapterSize; need > len(out) || need == 0 {
		return need, 122
	}
	list.rows = address(out)
	if _, s := status(k.enum, 0, uintptr(unsafe.Pointer(&list))); s != OK {
		return 0, s
	}
	n := min(int(list.count), len(out)/AdapterSize) * AdapterSize
	for row := out[:n]; len(row) > 0; row = row[AdapterSize:] {
		_, _ = call(k.shut, address(row)) // its first field is the handle
		clear(row[:4])
	}
	return n, OK
}

// adapter asks a card, which is opened for the question alone: a handle that is kept would
// hold a driver that is updated.
func adapter(q Question, out []byte) (int, Status) {
	k := kernel()
	open := struct {
		low    uint32
		high   int32
		handle uint32
	}{low: uint32(q.A), high: int32(q.A >> 32)}
	if _, s := status(k.open, 0, uintptr(unsafe.Pointer(&open))); s != OK {
		return 0, s
	}
	defer call(k.shut, uintptr(unsafe.Pointer(&open.handle)))
	ask := struct {
		handle, kind uint32
		data         uintptr
		size         uint32
	}{open.handle, uint32(q.B), address(out), uint32(len(out))}
	n, s := status(k.query, len(out), uintptr(unsafe.Pointer(&ask)))
	return n, s
}
