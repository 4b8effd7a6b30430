package process

import (
	"encoding/binary"
	"testing"
	"unicode/utf16"

	"capd.example/sysinfo/winsys"
)

func TestProcessListOfWindows(t *testing.T) {
	entry := func(pid, parent, user, kernel uint64, name string) []byte {
		b := make([]byte, 256)
		u := utf16.Encode([]rune(name))
		binary.LittleEndian.PutUint64(b[40:], user)
		binary.LittleEndian.PutUint64(b[48:], kernel)
		binary.LittleEndian.PutUint64(b[80:], pid)
		binary.LittleEndian.PutUint64(b[88:], parent)
		for i, c := range u {
			binary.LittleEndian.PutUint16(b[200+2*i:], c)
		}
		binary.LittleEndian.PutUint16(b[56:], uint16(2*len(u)))
		return b
	}
	list := append(entry(0, 0, 0, 9999, ""), entry(42, 4, 30, 12, "spiel-ü.exe")...)
	binary.LittleEndian.PutUint32(list, 256)
	binary.LittleEndian.PutUint64(list[64:], 0) // the idle process has no name
	binary.LittleEndian.PutUint64(list[256+64:], 256+200)
	var got []winProcess
	eachProcess(list, func(p winProcess) { got = append(got, p) })
	if len(got) != 2 || got[1].pid != 42 || got[1].parent != 4 || got[1].used != 4200 || winsys.UTF16Text(got[1].name) != "spiel-ü.exe" {
		t.Errorf("%+v", got)
	}
}
