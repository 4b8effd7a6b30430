package detect

import (
	"context"
	"testing"

	"capd.example/record"
	"capd.example/sysinfo/graphics"
	"capd.example/sysinfo/machinetest"
	"capd.example/sysinfo/nvml"
	"capd.example/sysinfo/tree"
)

// TestNVMLStandIn detects a card through the real loading and calling code and a library of
// our own.
func TestNVMLStandIn(t *testing.T) {
	library, why := nvml.Load(machinetest.NVML(t))
	if library == nil {
		t.Fatalf("%+v", why)
	}
	root := tree.New(machinetest.Unpack(t, "virtual"))
	cards := graphics.NewFinder(root, false).OnNVML(library) // the recorded machine gets the stand-in
	s := record.System{Fields: Fields(context.Background(), root, nil, cards)}
	for name, want := range map[string]string{
		"graphics.0.name": "Ridge 9", "graphics.0.driver": "555.10", "graphics.0.pci_id": "10de:ffd1", "graphics.0.board_id": "feed:0001",
		"graphics.0.memory": "16384", "graphics.0.power_limit": "285.0", "graphics.0.link_now": "PCIe 1 x8", "graphics.0.link_best": "PCIe 4 x16",
		"graphics.0.large_bar": "no", "graphics.0.firmware": "96.00",
	} {
		if f, _ := s.Get(name); f.Value != want || f.Source != "nvml" && f.Source != "pci" {
			t.Errorf("%s = %+v, want %s", name, f, want)
		}
	}
	if f, _ := s.Get("graphics.0.clock_max"); f.Unknown != record.Unsupported {
		t.Errorf("what the card does not tell: %+v", f)
	}
}
