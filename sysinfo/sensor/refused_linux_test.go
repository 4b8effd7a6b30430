package sensor

import (
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"syscall"
	"testing"

	"capd.example/record"
	"capd.example/sysinfo/machinetest"
	"capd.example/sysinfo/tree"
)

// TestRefusedEnergy: the counters of energy are there and only root may read them, as is
// usual. Root's own rights are given up for the test.
func TestRefusedEnergy(t *testing.T) {
	root := machinetest.Unpack(t, "desktop-b")
	if err := os.Chmod(filepath.Join(root, "sys/class/powercap/intel-rapl:0/energy_uj"), 0); err != nil {
		t.Fatal(err)
	}
	for _, dir := range []string{root, filepath.Dir(root)} { // nobody may come as far as the file
		if err := os.Chmod(dir, 0o755); err != nil {
			t.Fatal(err)
		}
	}
	var why record.Unknown
	var readable bool
	ended := make(chan struct{})
	go func() {
		defer close(ended)
		runtime.LockOSThread() // and never unlocked: the thread ends with its changed rights
		if os.Geteuid() == 0 {
			if err := syscall.Setfsuid(65534); err != nil {
				t.Errorf("give up root's rights: %v", err)
				return
			}
		}
		f, err := os.Open(filepath.Join(root, "sys/class/powercap/intel-rapl:0/energy_uj"))
		if readable = err == nil; readable {
			f.Close()
		}
		_, why = openPower(tree.New(root))
	}()
	<-ended
	if readable {
		t.Skip("the system lets this process read files without rights to them, whoever it is")
	}
	if why != record.Refused {
		t.Errorf("why %q", why)
	}
	if err := os.Chmod(filepath.Join(root, "sys/class/powercap/intel-rapl:0/energy_uj"), 0o444); err != nil {
		t.Fatal(err)
	}
	if _, why := openPower(tree.New(root)); why != "" {
		t.Errorf("readable, and still %q", why)
	}
	_, _, gaps := Open(tree.New(machinetest.Unpack(t, "virtual")), nil)
	for _, g := range gaps {
		if g.Name == record.SeriesCPUPower && strings.Contains(g.Text, "administrator") {
			return
		}
	}
	t.Errorf("what an administrator may do is not said: %+v", gaps)
}
