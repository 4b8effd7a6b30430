package sysinfo

import (
	"bytes"
	"encoding/base64"
	"encoding/binary"
	"encoding/hex"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"unicode/utf16"

	"capd.example/internal/testlab"
	"capd.example/sysinfo/machinetest"
	"capd.example/sysinfo/recording"
	"capd.example/sysinfo/winsys"
	"github.com/rogpeppe/go-internal/txtar"
)

func recordOf(t testing.TB, b *Bench, more ...Told) []byte {
	t.Helper()
	file, _, err := b.Record(t.Context(), more...)
	if err != nil {
		t.Fatal(err)
	}
	return file
}

// TestReplay: what a machine shows, a recording of it shows elsewhere; it also ends in a line
// for each thing.
func TestReplay(t *testing.T) {
	for _, m := range machinetest.Machines(t, "") {
		t.Run(m, func(t *testing.T) {
			machine := func() *Bench {
				if strings.HasPrefix(m, "windows-") {
					return New(Options{Windows: recordedWindows(t, m)})
				}
				return New(Options{Root: machinetest.Unpack(t, m)})
			}
			file := recordOf(t, machine(), Told{What: "the tenth thing", State: Works})
			got, want, err := Replay(t.Context(), file)
			if err != nil {
				t.Fatal(err)
			}
			if got != want {
				t.Errorf("the replay (+) shows something else than the recording:\n%s", machinetest.LineDiff(want, got))
			}
			whole := shows(t, machine())
			if strings.HasPrefix(m, "windows-") { // the plan's own name is left out where it has one
				whole = strings.ReplaceAll(whole, "High performance", "high performance")
			}
			if got != whole {
				t.Errorf("the replay (+) shows something else than the machine:\n%s", machinetest.LineDiff(whole, got))
			}
			lines := strings.Split(strings.TrimSpace(string(file)), "\n")
			if n := len(lines); !strings.HasPrefix(lines[n-11], "-- "+recording.Summary) || !strings.HasPrefix(lines[n-1], "works      the tenth thing") {
				t.Errorf("it does not end in ten lines: %q", lines[max(0, n-12):])
			}
		})
	}
}

// TestReplayOfThis replays a recording from elsewhere: scripts/wine-check.sh names one made under Wine.
func TestReplayOfThis(t *testing.T) {
	name := os.Getenv("CAPD_RECORDING")
	if name == "" {
		t.Skip("CAPD_RECORDING names no recording")
	}
	file, err := os.ReadFile(name)
	if err != nil {
		t.Fatal(err)
	}
	got, want, err := Replay(t.Context(), file)
	if err != nil || got != want {
		t.Errorf("the replay (+) shows something else than the recording, %v:\n%s", err, machinetest.LineDiff(want, got))
	}
}

// TestToldOfWindows states what the ten lines say of a machine that was built to tell most.
func TestToldOfWindows(t *testing.T) {
	_, told, err := New(Options{Windows: recordedWindows(t, "windows-a")}).Record(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	for i, want := range []string{"Brannoc B7 6+4, 10", "4800 MT/s", "Fell 16", "2560x1440", "Windows 11 Pro 24H2", "cpu.busy 30", "cpu.clock 5027 MHz",
		"zone.0.temp 40.05 C, cpu.limit 100 %, cpu.power 118.2 W; without cpu.temp (unsupported)", "gpu.0.temp 94.5 C"} {
		if told[i].State != Works || !strings.Contains(told[i].Text, want) {
			t.Errorf("%s, want %q", told[i], want)
		}
	}
	_, told, err = New(Options{Windows: liar{recordedWindows(t, "windows-a"), winsys.RegistryValue,
		func(winsys.Asker, winsys.Question, []byte) (int, winsys.Status) { return 0, 5 }}}).Record(t.Context())
	if err != nil || told[0].State != DoesNot || !strings.Contains(told[0].Text, "refused") {
		t.Errorf("a registry that is closed: %s, %v", told[0], err)
	}
	_, told, err = New(Options{Windows: winsys.NewRecorded()}).Record(t.Context())
	if err != nil || told[8].State != NotThere {
		t.Errorf("a machine that says nothing: %s, %v", told[8], err)
	}
}

// planted answers as a machine does and puts secrets where a real one has them.
type planted struct{ winsys.Asker }

const secret = "SECRET"

func wide(s string) (b []byte) {
	for _, u := range utf16.Encode([]rune(s)) {
		b = binary.LittleEndian.AppendUint16(b, u)
	}
	return b
}

func (p planted) Ask(q winsys.Question, out []byte) (int, winsys.Status) {
	n, s := p.Asker.Ask(q, out)
	if s != winsys.OK || n > len(out) {
		return n, s
	}
	switch q.Call {
	case winsys.Interface: // description and address (netioapi.h: Description 542, PhysicalAddress 1060)
		copy(out[542:], wide(secret))
		copy(out[1060:], secret)
	case winsys.Interfaces:
		copy(out[8+542:], wide(secret))
	case winsys.DisplayDevices:
		copy(out[584:], wide(secret))
	case winsys.DisplayMode:
		copy(out, wide(secret))
	case winsys.PowerScheme:
		return copy(out, append(bytes.Clone(out[:36]), "\n"+secret...)), s
	case winsys.Processes:
		for at := 0; ; {
			length, name := int(binary.LittleEndian.Uint16(out[at+56:])), int(binary.LittleEndian.Uint64(out[at+64:]))
			copy(out[name:name+length], wide(secret))
			next := int(binary.LittleEndian.Uint32(out[at:]))
			if next == 0 {
				break
			}
			at += next
		}
	case winsys.Firmware: // a structure 3 (the case) with a serial number, before the others
		table := append([]byte{3, 9, 0, 1, 1, 3, 1, 2, 0}, "maker\x00"+secret+"\x00\x00"...)
		whole := append(append(bytes.Clone(out[:8]), table...), out[8:n]...)
		binary.LittleEndian.PutUint32(whole[4:], uint32(len(whole)-8))
		return copy(out, whole), s
	}
	return n, s
}

// TestRecordingLeavesOut: serial numbers, addresses of network cards, names of programs, plans
// and connections are in no recording, in whatever form.
func TestRecordingLeavesOut(t *testing.T) {
	file := recordOf(t, New(Options{Windows: planted{recordedWindows(t, "windows-a")}}))
	for _, form := range []string{secret, hex.EncodeToString([]byte(secret)), hex.EncodeToString(wide(secret))} {
		if at := bytes.Index(file, []byte(form)); at >= 0 {
			line := file[bytes.LastIndexByte(file[:at], '-'):at]
			t.Errorf("%s is in it, after %.300s", form, line)
		}
	}
	root := machinetest.Unpack(t, "desktop-a")
	put := func(name, text string) { machinetest.Write(t, filepath.Join(root, name), []byte(text)) }
	monitor := machinetest.Monitor(533250, 2560, 2720, 1440, 1481, false, [3]byte{48, 144, 222}, "Merle 27")
	put("sys/class/drm/card1-DP-1/edid", string(monitor))
	put("proc/cpuinfo", string(machinetest.Parts(t, "desktop-a")["proc/cpuinfo"])+"Serial\t\t: "+secret+"\n")
	put("proc/net/dev", "Inter-|   Receive\n face |bytes\n enx0a1b2c3d4e5f: 1 2 3 4 5 6 7 8 9 10 11 12 13 14 15 16\n")
	put("sys/class/net/enx0a1b2c3d4e5f/device/vendor", "0x8086\n")
	put("sys/class/power_supply/hid-0a:1b:2c:3d:4e:5f-battery/type", "Battery\n")
	put("sys/class/power_supply/hid-"+secret+"-battery/type", "Battery\n")
	put("sys/class/dmi/id/board_serial", secret)
	put("proc/sys/kernel/random/boot_id", secret)
	put("run/udev/data/+dmi:id", "E:MEMORY_DEVICE_0_SERIAL_NUMBER="+secret+"\nE:MEMORY_DEVICE_0_SIZE=17179869184\nE:ID_SERIAL="+secret+"\n")
	put("etc/hostname", secret)
	file = recordOf(t, New(Options{Root: root}))
	for _, form := range []string{secret, "0a1b2c3d4e5f", "0a:1b:2c"} {
		if bytes.Contains(file, []byte(form)) {
			t.Errorf("%s is in it", form)
		}
	}
	a, err := recording.Parse(file)
	if err != nil {
		t.Fatal(err)
	}
	kept, err := base64.StdEncoding.DecodeString(recording.Member(a, "sys/class/drm/card1-DP-1/edid.base64"))
	if err != nil || len(kept) != 128 || bytes.Contains(kept, []byte("SERIAL")) || !bytes.Contains(kept, []byte("Merle 27")) || bytes.Contains(kept, []byte{0xde, 0xad, 0xbe, 0xef}) {
		t.Errorf("the monitor's data: %q, %v", kept, err)
	}
	if !strings.Contains(recording.Member(a, "proc/net/dev"), "net0: 1 2 3") || recording.Member(a, "sys/class/net/net0/device/vendor") == "" {
		t.Errorf("the network: %q", recording.Member(a, "proc/net/dev"))
	}
}

// TestChangedRecording: a recording in which one byte is another, or that was cut, is refused.
func TestChangedRecording(t *testing.T) {
	file := recordOf(t, New(Options{Windows: recordedWindows(t, "windows-a")}))
	step := 1009
	if testlab.Long(t) {
		step = 1
	}
	for at := 0; at < len(file); at += step {
		flip := []byte{1, 0x20, 0xFF}[at%3]
		file[at] ^= flip
		if _, err := recording.Parse(file); !errors.Is(err, recording.ErrChanged) {
			t.Fatalf("byte %d changed by %#x: %v", at, flip, err)
		}
		file[at] ^= flip
		if _, err := recording.Parse(file[:at]); err == nil {
			t.Fatalf("cut after %d bytes: taken", at)
		}
	}
}

// TestUnpackStaysInside: a recording from elsewhere writes nowhere but into its folder.
func TestUnpackStaysInside(t *testing.T) {
	for _, name := range []string{"../outside", "/etc/outside", "proc/../../outside"} {
		file := recording.Format("", []txtar.File{{Name: name, Data: []byte("x\n")}}, "", nil)
		if _, _, err := Replay(t.Context(), file); err == nil || !strings.Contains(err.Error(), "leads out") {
			t.Errorf("%s: %v", name, err)
		}
	}
}
