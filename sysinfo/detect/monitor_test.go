package detect

import (
	"context"
	"os"
	"path/filepath"
	"testing"

	"capd.example/record"
	"capd.example/sysinfo/graphics"
	"capd.example/sysinfo/machinetest"
	"capd.example/sysinfo/tree"
)

// TestMonitorOfAMachine: the fields of a connected monitor, and why they are unknown.
func TestMonitorOfAMachine(t *testing.T) {
	for name, c := range map[string]struct {
		data []byte
		want record.Field
	}{
		"known":  {machinetest.Monitor(241_500, 2560, 2720, 1440, 1481, false, [3]byte{0, 48, 165}, "Heron"), record.Field{Value: "59.95", Unit: "Hz"}},
		"empty":  {[]byte{}, record.Field{Unknown: record.Absent}},
		"broken": {[]byte("what is this"), record.Field{Unknown: record.Broken}},
	} {
		t.Run(name, func(t *testing.T) {
			root := machinetest.Unpack(t, "desktop-a")
			if err := os.WriteFile(filepath.Join(root, "sys/class/drm/card1-DP-1/edid"), c.data, 0o644); err != nil {
				t.Fatal(err)
			}
			machine := tree.New(root)
			var f record.Field
			for _, f = range Fields(context.Background(), machine, nil, graphics.NewFinder(machine, false)) {
				if f.Name == "display.0.preferred_refresh" {
					break
				}
			}
			if f.Name != "display.0.preferred_refresh" || f.Value != c.want.Value || f.Unit != c.want.Unit || f.Unknown != c.want.Unknown {
				t.Errorf("%+v, want %+v", f, c.want)
			}
		})
	}
}
