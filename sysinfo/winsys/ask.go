package winsys

import (
	"fmt"
	"strings"
)

// Question is one thing that Windows is asked: a call, and what tells its answers apart.
type Question struct {
	Call    string
	Text    string // a counter's path, or a key of the registry
	A, B, C uint64 // a processor group, a query, the LUID of a card, a kind of answer, a node
	Since   int64  // us since 1970 from when on is asked; it does not tell answers apart
}

// The calls. An answer is laid out as the call documents it, but for addresses, which are
// offsets from the answer's first byte instead.
const (
	ProcessorTimes = "NtQuerySystemInformationEx(SystemProcessorPerformanceInformation)" // A: group
	Processes      = "NtQuerySystemInformation(SystemProcessInformation)"
	CodeIntegrity  = "NtQuerySystemInformation(SystemCodeIntegrityInformation)"
	MemoryStatus   = "GlobalMemoryStatusEx"
	InterruptTimes = "QueryInterruptTime, QueryUnbiasedInterruptTime" // 100 ns each, with and without sleep
	PowerOfCores   = "CallNtPowerInformation(ProcessorInformation)"
	PowerStatus    = "GetSystemPowerStatus"
	PowerMode      = "PowerRegisterForEffectivePowerModeNotifications" // the mode that is told at once
	PowerScheme    = "PowerGetActiveScheme"
	Topology       = "GetLogicalProcessorInformationEx"
	Firmware       = "GetSystemFirmwareTable(RSMB)"
	DisplayMode    = "EnumDisplaySettings"
	DisplayConfig  = "QueryDisplayConfig" // numbers of paths and of modes, 4 bytes each, then both
	DisplayDevices = "EnumDisplayDevices" // A: number of the device
	Interfaces     = "GetIfTable2"
	Interface      = "GetIfEntry2"                 // A: LUID
	CounterAdd     = "PdhAddEnglishCounter"        // A: query, here and below; Text: path
	CounterRemove  = "PdhRemoveCounter"            // Text: path
	CounterCollect = "PdhCollectQueryData"         //
	CounterValue   = "PdhGetFormattedCounterValue" // Text: path; B: format
	CounterArray   = "PdhGetFormattedCounterArray" // Text: path; B: format
	CounterClose   = "PdhCloseQuery"
	Adapters       = "D3DKMTEnumAdapters2"
	Adapter        = "D3DKMTQueryAdapterInfo" // A: LUID; B: type; C: node
	RegistryValue  = "RegQueryValueEx"        // Text: key, "|" and the value's name
	RegistryKeys   = "RegEnumKeyEx"           // Text: key
)

// The kinds of the registry's values (winnt.h, REG_SZ and its neighbours).
const (
	RegText, RegExpand, RegBinary, RegNumber, RegTexts, RegLong = 1, 2, 3, 4, 7, 11
)

// String writes a question on one line.
func (q Question) String() string {
	return strings.TrimRight(fmt.Sprintf("%s %x %x %x %s", q.Call, q.A, q.B, q.C, q.Text), " ")
}

// Status is what a call returned, in the numbers of its own family; 0 is success in all.
type Status uint32

// Statuses that mean something to us.
const (
	OK         Status = 0
	NoFunction Status = 0xC0000139 // STATUS_ENTRYPOINT_NOT_FOUND: this Windows has no such call
	Failed     Status = 0xC0000001 // STATUS_UNSUCCESSFUL: a call that says no more than that
)

// wantsRoom lists what the families say where the answer is longer than the room for it:
// STATUS_INFO_LENGTH_MISMATCH, STATUS_BUFFER_TOO_SMALL, ERROR_INSUFFICIENT_BUFFER,
// ERROR_MORE_DATA, PDH_MORE_DATA.
func (s Status) wantsRoom() bool {
	switch s {
	case 0xC0000004, 0xC0000023, 122, 234, 0x800007D2:
		return true
	}
	return false
}

// Asker asks Windows. The answer is written into out, which for some calls holds their input;
// n is its length or, where out was too short, the length that is said to be needed.
type Asker interface {
	Ask(q Question, out []byte) (n int, s Status)
}

// largest is more than any answer may hold.
const largest = 16 << 20

// Whole asks with as much room as the answer needs, which may grow while we ask. It returns
// the answer, which lies in buf or in a larger one in its place.
func Whole(a Asker, q Question, buf []byte) ([]byte, Status) {
	s := Failed
	for range 8 {
		var n int
		n, s = a.Ask(q, buf)
		if s == OK {
			if n < 0 || n > len(buf) {
				return nil, Failed // it says that it wrote where there was no room
			}
			return buf[:n], OK
		}
		if !s.wantsRoom() || n > largest {
			return nil, s
		}
		buf = make([]byte, max(n, len(buf), 0)+4096) // programs and cards come while we ask
	}
	return nil, s
}

// Exactly asks for an answer of a known length; false for any other.
func Exactly(a Asker, q Question, out []byte) bool {
	n, s := a.Ask(q, out)
	return s == OK && n == len(out)
}
