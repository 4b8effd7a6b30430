package nvml

import (
	"runtime"
	"unsafe"

	"capd.example/sysinfo/winsys"
)

// native asks the library that is loaded into this process.
type native struct {
	functions map[string]uintptr
	devices   map[uint64]uintptr // handles by number
	// What a call needs beside the answer; here, it is where no growing stack moves it.
	args   [4]uintptr
	handle uintptr
	count  uint32
}

// kind is how a function is called, beside where it writes its answer.
type kind int

const (
	plain    kind = iota // without an answer
	answers              // (answer)
	texts                // (text, room)
	opens                // (number of a device, its handle)
	ofDevice             // (device, answer)
	withArg              // (device, number, answer)
	ofText               // (device, text, room)
	counted              // (device, number of entries, entries)
	since                // (device, entries, number of entries, us since 1970)
)

// functions are all that are asked, and how.
var functions = map[string]kind{
	"nvmlInit_v2": plain, "nvmlSystemGetDriverVersion": texts, "nvmlDeviceGetCount_v2": answers,
	"nvmlDeviceGetHandleByIndex_v2": opens, "nvmlDeviceGetName": ofText, "nvmlDeviceGetVbiosVersion": ofText,
	"nvmlDeviceGetPciInfo_v3": ofDevice, "nvmlDeviceGetTemperature": withArg, "nvmlDeviceGetClockInfo": withArg,
	"nvmlDeviceGetMaxClockInfo": withArg, "nvmlDeviceGetUtilizationRates": ofDevice, "nvmlDeviceGetPowerUsage": ofDevice,
	"nvmlDeviceGetEnforcedPowerLimit": ofDevice, "nvmlDeviceGetMemoryInfo": ofDevice,
	"nvmlDeviceGetMemoryInfo_v2":  ofDevice,
	"nvmlDeviceGetBAR1MemoryInfo": ofDevice, "nvmlDeviceGetCurrPcieLinkGeneration": ofDevice,
	"nvmlDeviceGetCurrPcieLinkWidth": ofDevice, "nvmlDeviceGetMaxPcieLinkGeneration": ofDevice,
	"nvmlDeviceGetMaxPcieLinkWidth": ofDevice, nvmlReasonNames[0]: ofDevice, nvmlReasonNames[1]: ofDevice,
	nvmlSupportedNames[0]: ofDevice, nvmlSupportedNames[1]: ofDevice, "nvmlDeviceGetProcessUtilization": since,
	"nvmlDeviceGetGraphicsRunningProcesses_v3": counted, nvmlComputing: counted, "nvmlDeviceGetPcieThroughput": withArg,
}

// entrySize is that of the entries of a list.
func entrySize(k kind) int {
	if k == since {
		return useSize
	}
	return contextSize
}

// Prefix begins the names of all questions to the library.
const Prefix = "nvml"

// File is the library's name on this system.
func File() string {
	if runtime.GOOS == "windows" {
		return "nvml.dll"
	}
	return "libnvidia-ml.so.1"
}

// Load loads the library into this process, to be asked for [Open]; nil and why where it is not
// there. It is asked by one goroutine at a time.
func Load(file string) (winsys.Asker, Gap) {
	find, why := loadLibrary(file)
	if find == nil {
		return nil, why
	}
	n := &native{functions: map[string]uintptr{}, devices: map[uint64]uintptr{}}
	for name := range functions {
		if address := find(name); address != 0 {
			n.functions[name] = address
		}
	}
	return n, Gap{}
}

// Ask implements [winsys.Asker]: A is a device's number, B what a function wants beside it, Since
// from when on. The status is the library's own, but for a list that is longer than the room.
func (n *native) Ask(q winsys.Question, out []byte) (int, winsys.Status) {
	fn := n.functions[q.Call]
	if fn == 0 {
		return 0, nvmlNoFunction
	}
	var to uintptr
	if len(out) > 0 {
		to = uintptr(unsafe.Pointer(&out[0])) // the caller has it on the heap
	}
	device, opened := n.devices[q.A]
	k := functions[q.Call]
	if k >= ofDevice && !opened {
		return 0, nvmlUnknown
	}
	switch k {
	case plain:
		return 0, n.call(fn)
	case answers:
		return len(out), n.call(fn, to)
	case texts:
		return len(out), n.call(fn, to, uintptr(max(0, len(out)-1)))
	case opens:
		return 0, n.open(fn, q.A)
	case ofDevice:
		return len(out), n.call(fn, device, to)
	case withArg:
		return len(out), n.call(fn, device, uintptr(q.B), to)
	case ofText:
		return len(out), n.call(fn, device, to, uintptr(max(0, len(out)-1)))
	}
	return n.list(fn, k, device, q.Since, out, to)
}

func (n *native) call(fn uintptr, args ...uintptr) winsys.Status {
	copy(n.args[:], args)
	return winsys.Status(callLibrary(fn, n.args[:len(args)]...))
}

// open keeps a device's handle.
func (n *native) open(fn uintptr, number uint64) winsys.Status {
	rc := n.call(fn, uintptr(number), uintptr(unsafe.Pointer(&n.handle)))
	delete(n.devices, number)
	if rc == nvmlOK {
		n.devices[number] = n.handle
	}
	return rc
}

// list asks for entries, of which the library says how many there are.
func (n *native) list(fn uintptr, k kind, device uintptr, from int64, out []byte, to uintptr) (int, winsys.Status) {
	size := entrySize(k)
	n.count = uint32(len(out) / size)
	at := uintptr(unsafe.Pointer(&n.count))
	var rc winsys.Status
	if k == since {
		rc = n.call(fn, device, to, at, uintptr(from))
	} else {
		rc = n.call(fn, device, at, to)
	}
	got := int(n.count) * size
	const tooSmall, moreRoom = 7, 122
	if rc == tooSmall {
		return got, moreRoom
	}
	return got, rc
}
