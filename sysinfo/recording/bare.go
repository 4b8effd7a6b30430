package recording

import (
	"encoding/binary"
	"strconv"
	"strings"

	"capd.example/sysinfo/firmware"
	"capd.example/sysinfo/nvml"
	"capd.example/sysinfo/winsys"
)

// Bare returns of an answer of Windows what is read of it, and zeros or nothing in the place of
// the rest: serial numbers, addresses of network cards, names of programs, connections and plans.
// False stands for a call of which nothing is kept.
func Bare(q winsys.Question, b []byte) ([]byte, bool) {
	switch q.Call {
	case winsys.Firmware:
		return bareFirmware(b), true
	case winsys.Processes:
		return bareProcesses(b), true
	case winsys.Interfaces:
		for at := winsys.IfTableRow; at+winsys.IfRowSize <= len(b); at += winsys.IfRowSize {
			only(b[at:at+winsys.IfRowSize], interfaceFields)
		}
		return b, true
	case winsys.Interface:
		return only(b, interfaceFields), true
	case winsys.DisplayDevices: // without the key, which has a number of this machine
		return only(b, []span{{0, winsys.DeviceKey}}), true
	case winsys.DisplayMode:
		return only(b, []span{{winsys.ModeLength, winsys.ModeEnd}}), true
	case winsys.PowerScheme: // without the name, which the user may have given
		guid, _, _ := strings.Cut(string(b), "\n")
		return []byte(guid), true
	case winsys.ProcessorTimes, winsys.InterruptTimes, winsys.CodeIntegrity, winsys.MemoryStatus,
		winsys.PowerOfCores, winsys.PowerStatus, winsys.PowerMode, winsys.DisplayConfig,
		winsys.Topology, winsys.CounterAdd, winsys.CounterRemove, winsys.CounterCollect, winsys.CounterValue,
		winsys.CounterArray, winsys.CounterClose, winsys.Adapters, winsys.Adapter, winsys.RegistryValue,
		winsys.RegistryKeys:
		return b, true
	}
	return b, strings.HasPrefix(q.Call, nvml.Prefix)
}

// span is a range of bytes.
type span struct{ from, to int }

// only zeroes all bytes but those of the spans, which come in order.
func only(b []byte, keep []span) []byte {
	at := 0
	for _, k := range append(keep, span{len(b), len(b)}) {
		if at < k.from {
			clear(b[min(at, len(b)):min(k.from, len(b))])
		}
		at = k.to
	}
	return b
}

// interfaceFields are LUID, index, state, received and sent bytes of MIB_IF_ROW2 (netioapi.h).
var interfaceFields = []span{{winsys.IfRowLUID, winsys.IfRowIndex + 4},
	{winsys.IfRowFlags, winsys.IfRowFlags + 1}, {winsys.IfRowIn, winsys.IfRowIn + 8},
	{winsys.IfRowOut, winsys.IfRowOut + 8}}

// bareFirmware keeps the heading that Windows puts before the table, with the new length.
func bareFirmware(b []byte) []byte {
	table, err := firmware.WindowsTable(b)
	if err != nil {
		return nil
	}
	bare := firmware.Bare(table)
	out := append([]byte{0, b[1], b[2], 0}, 0, 0, 0, 0)
	binary.LittleEndian.PutUint32(out[4:], uint32(len(bare)))
	return append(out, bare...)
}

// bareProcesses keeps numbers, times and parents of programs (SYSTEM_PROCESS_INFORMATION); a
// name becomes that of its number.
func bareProcesses(b []byte) (out []byte) {
	const entry, name = winsys.ProcessSize, 32
	for len(b) >= entry {
		e := make([]byte, entry+name)
		copy(e, b[:entry])
		only(e, []span{{winsys.ProcessCreated, winsys.ProcessNameLen}, {winsys.ProcessNumber, entry}})
		if length := binary.LittleEndian.Uint16(b[winsys.ProcessNameLen:]); length > 0 {
			said := "p" + strconv.FormatUint(binary.LittleEndian.Uint64(b[winsys.ProcessNumber:]), 10) + ".exe"
			for i, c := range []byte(said[:min(len(said), name/2)]) {
				e[entry+2*i] = c
			}
			binary.LittleEndian.PutUint16(e[winsys.ProcessNameLen:], uint16(2*min(len(said), name/2)))
			binary.LittleEndian.PutUint64(e[winsys.ProcessNameAt:], uint64(len(out)+entry))
		}
		next := uint64(binary.LittleEndian.Uint32(b))
		if next >= entry && next <= uint64(len(b)) {
			binary.LittleEndian.PutUint32(e, uint32(len(e)))
			out, b = append(out, e...), b[next:]
			continue
		}
		return append(out, e...)
	}
	return out
}
