package sysinfo

import (
	"bytes"
	"encoding/binary"
	"slices"
	"strings"
	"testing"

	"capd.example/record"
	"capd.example/sysinfo/winsys"
)

// reversed answers as a machine does, with all lists of cards the other way round: the graphics
// kernel's, the registry's, and the counters' instances.
type reversed struct{ winsys.Asker }

func (r reversed) Ask(q winsys.Question, out []byte) (int, winsys.Status) {
	n, s := r.Asker.Ask(q, out)
	if s != winsys.OK || n > len(out) {
		return n, s
	}
	switch q.Call {
	case winsys.Adapters:
		reverseRows(out[:n], winsys.AdapterSize)
	case winsys.RegistryKeys:
		keys := strings.Split(string(out[:n]), "\n")
		slices.Reverse(keys)
		copy(out, strings.Join(keys, "\n"))
	case winsys.CounterArray:
		reverseRows(out[8:8+winsys.CounterItemSize*int(binary.LittleEndian.Uint64(out))], winsys.CounterItemSize)
	}
	return n, s
}

func reverseRows(b []byte, size int) {
	before := bytes.Clone(b)
	for at := 0; at+size <= len(b); at += size {
		copy(b[at:], before[len(b)-at-size:][:size])
	}
}

// TestOrderOfCards: a card has one number in what is detected and in all series, whatever the order
// in which Windows lists cards.
func TestOrderOfCards(t *testing.T) {
	want := shows(t, New(Options{Windows: recordedWindows(t, "windows-a")}))
	if got := shows(t, New(Options{Windows: reversed{recordedWindows(t, "windows-a")}})); got != want {
		t.Errorf("listed the other way round it is\n%s\ninstead of\n%s", got, want)
	}
}

// twoCards is NVIDIA's library with two cards of one kind, of which the one at bus 11 is at 71
// degrees C and the other one, at bus 12, at 72. Swapped counts them the other way round.
type twoCards struct{ swapped bool }

func (c twoCards) Ask(q winsys.Question, out []byte) (int, winsys.Status) {
	card := q.A
	if c.swapped {
		card = 1 - q.A
	}
	u32 := binary.LittleEndian.PutUint32
	switch q.Call {
	case "nvmlInit_v2":
	case "nvmlDeviceGetHandleByIndex_v2":
		return 0, winsys.OK
	case "nvmlSystemGetDriverVersion":
		copy(out, "555.10")
	case "nvmlDeviceGetName":
		copy(out, "Ridge 9")
	case "nvmlDeviceGetCount_v2":
		u32(out, 2)
	case "nvmlDeviceGetPciInfo_v3": // bus at 20, identifier at 28
		u32(out[20:], 11+uint32(card))
		u32(out[28:], 0xFFD110DE)
	case "nvmlDeviceGetMemoryInfo":
		binary.LittleEndian.PutUint64(out, 16<<30)
	case "nvmlDeviceGetTemperature":
		u32(out, 71+uint32(card))
	case "nvmlDeviceGetEnforcedPowerLimit":
		u32(out, 250_000+10_000*uint32(card))
	default:
		return 0, 13
	}
	return len(out), winsys.OK
}

// kernelOfTwo is the graphics kernel of a machine with these two cards, whose warnings are at 91 and
// 92 degrees C. Swapped lists them the other way round.
type kernelOfTwo struct {
	winsys.Asker
	swapped bool
}

func (k kernelOfTwo) Ask(q winsys.Question, out []byte) (int, winsys.Status) {
	u32 := binary.LittleEndian.PutUint32
	switch q.Call {
	case winsys.Adapters:
		if len(out) < 2*winsys.AdapterSize {
			return 2 * winsys.AdapterSize, 122
		}
		clear(out)
		for i, luid := range []uint32{0x7001, 0x7002} {
			if k.swapped {
				i = 1 - i
			}
			u32(out[i*winsys.AdapterSize+4:], luid)
		}
		return 2 * winsys.AdapterSize, winsys.OK
	case winsys.Adapter:
		n := uint32(q.A - 0x7001)
		clear(out)
		switch q.B {
		case winsys.AdapterType:
			u32(out, 1)
		case winsys.AdapterAddress:
			u32(out, 11+n)
		case winsys.AdapterIDs:
			u32(out[4:], 0x10DE)
			u32(out[8:], 0xFFD1)
		case winsys.AdapterPerfCaps:
			u32(out[32:], 910+10*n)
		default:
			return 0, winsys.Failed
		}
		return len(out), winsys.OK
	}
	return k.Asker.Ask(q, out)
}

// TestTwoCardsOfOneKind: NVIDIA's numbers and the graphics kernel's are matched by the cards' places,
// whichever of the two counts from the other end.
func TestTwoCardsOfOneKind(t *testing.T) {
	for _, swapped := range [][2]bool{{false, false}, {true, false}, {false, true}, {true, true}} {
		b := New(Options{NVML: twoCards{swapped[0]}, Windows: kernelOfTwo{recordedWindows(t, "windows-a"), swapped[1]}})
		s := b.Detect(t.Context())
		for name, want := range map[string]string{"graphics.0.name": "Ridge 9", "graphics.0.power_limit": "250.0", "graphics.1.power_limit": "260.0",
			"graphics.0." + record.FieldThrottleTemp: "91", "graphics.1." + record.FieldThrottleTemp: "92"} {
			if f, _ := s.Get(name); f.Value != want {
				t.Errorf("%v: %s is %q, want %q", swapped, name, f.Value, want)
			}
		}
		last := sampleWindows(t, b, 3)
		if last["gpu.0.temp"] != 71 || last["gpu.1.temp"] != 72 {
			t.Errorf("%v: %g and %g degrees C", swapped, last["gpu.0.temp"], last["gpu.1.temp"])
		}
		if luids := b.cards.LUIDs(); !slices.Equal(luids, []uint64{0x7001, 0x7002}) {
			t.Errorf("%v: %x", swapped, luids)
		}
	}
}
