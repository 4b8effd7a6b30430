package owncost

import (
	"os"
	"slices"
	"testing"
)

// TestUnwrittenMappings: of a program's own mappings those are given back that hold
// nothing but the file: not its variables, not pages that were changed, be they in memory
// or swapped out since, not what is shared, not libraries.
func TestUnwrittenMappings(t *testing.T) {
	const smaps = `00400000-00402000 r--p 00000000 fe:00 99   /opt/agent
Size:                  8 kB
Anonymous:             0 kB
Swap:                  0 kB
SwapPss:               0 kB
VmFlags: rd mr mw me
00402000-0105d000 r-xp 00002000 fe:00 99   /opt/agent
Rss:               12644 kB
Anonymous:             0 kB
Swap:                  0 kB
01c63000-01c64000 r--p 01862000 fe:00 99   /opt/agent
Anonymous:             4 kB
Swap:                  0 kB
01c64000-01c65000 r--p 01862000 fe:00 99   /opt/agent
Anonymous:             0 kB
Swap:                  4 kB
01c65000-01c66000 r--p 01862000 fe:00 99   /opt/agent
Swap:                  0 kB
01c66000-01c67000 r--p 01862000 fe:00 99   /opt/agent
Anonymous:             0 kB
01c67000-01d01000 rw-p 01863000 fe:00 99   /opt/agent
Anonymous:             0 kB
Swap:                  0 kB
01d01000-01e01000 rw-p 00000000 00:00 0
Anonymous:             0 kB
Swap:                  0 kB
02000000-02001000 r--p 00000000 fe:00 98   /opt/agent (deleted)
Anonymous:             0 kB
Swap:                  0 kB
03000000-03001000 r--s 00000000 fe:00 98   /opt/agent
Anonymous:             0 kB
Swap:                  0 kB
06010000-06020000 r-xp 00000000 fe:00 97   /usr/lib/library.so
Anonymous:             0 kB
Swap:                  0 kB
08000000-08001000 r-xp 00000000 00:00 0   [vdso]
Anonymous:             0 kB
Swap:                  0 kB
04000000-nonsense r--p 00000000 fe:00 98   /opt/agent
Anonymous:             0 kB
Swap:                  0 kB
05000000-05001000 r--p 00000000 fe:00 98   /opt/agent`
	want := [][2]uint64{{0x400000, 0x402000}, {0x402000, 0x105d000}}
	if got := unwrittenMappings(smaps, "/opt/agent"); !slices.Equal(got, want) {
		t.Errorf("got %x, want %x", got, want)
	}
}

// TestReleaseMemory: the program goes on after its pages were given back.
func TestReleaseMemory(t *testing.T) {
	data, err := os.ReadFile("/proc/self/smaps")
	if err != nil {
		t.Skip("the system does not tell mappings: ", err)
	}
	self, err := os.Readlink("/proc/self/exe")
	if err != nil {
		t.Fatal(err)
	}
	if len(unwrittenMappings(string(data), self)) == 0 {
		t.Fatal("no mapping of the program was found")
	}
	before := Now()
	ReleaseMemory()
	if after := Now(); after.Resident >= before.Resident {
		t.Errorf("%d bytes are resident after giving back, %d before", after.Resident, before.Resident)
	}
}
