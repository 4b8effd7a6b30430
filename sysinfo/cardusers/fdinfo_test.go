package cardusers

import (
	"fmt"
	"math"
	"testing"

	"capd.example/sysinfo/machinetest"
)

// Answers laid out as the kernel's Documentation/gpu/drm-usage-stats.rst describes them;
// the drivers' names of engines and regions are from memory.
const (
	i915Text = "drm-driver: i915\ndrm-pdev: 0000:00:02.0\ndrm-client-id: 7\ndrm-engine-render: 2000 ns\ndrm-engine-copy: 100 ns\n" +
		"drm-engine-video: 900 ns\ndrm-engine-capacity-video: 2\ndrm-engine-video-enhance: 0 ns\ndrm-resident-local0: 3 MiB\ndrm-total-system0: 9 MiB\n"
	xeText = "drm-driver: xe\ndrm-pdev: 0000:00:02.0\ndrm-client-id: 9\ndrm-cycles-rcs: %d\ndrm-total-cycles-rcs: %d\ndrm-cycles-vcs: 0\ndrm-total-cycles-vcs: 100\n" +
		"drm-engine-capacity-vcs: 2\ndrm-resident-vram0: 5 MiB\ndrm-total-vram0: 50 MiB\n"
)

func parsed(t *testing.T, text string) drmClient {
	t.Helper()
	var c drmClient
	if !parseDRM([]byte(text), &c) {
		t.Fatalf("not taken for a client:\n%s", text)
	}
	return c
}

func TestParseDRM(t *testing.T) {
	a, b := parsed(t, machinetest.DRMClient(42, 1000, 0, 0)), parsed(t, machinetest.DRMClient(42, 401000, 100000, 50000))
	if a.id != 42 || string(a.address[:12]) != "0000:03:00.0" || a.memory != 1<<20 {
		t.Errorf("%+v", a)
	}
	share := b.busyShare(&a, 1e6)
	machinetest.Near(t, "3D and compute together", share[EngineShading], 0.5)
	machinetest.Near(t, "copies", share[EngineCopy], 0.05)
	machinetest.Near(t, "video", share[EngineVideo], 0)

	i := parsed(t, i915Text)
	share = i.busyShare(&drmClient{n: i.n, counters: started(i)}, 1e4)
	machinetest.Near(t, "i915 3D", share[EngineShading], 0.2)
	machinetest.Near(t, "one of two video engines", share[EngineVideo], 0.045)
	machinetest.Near(t, "memory", float64(i.memory), 3<<20)

	x, y := parsed(t, fmt.Sprintf(xeText, 100, 1000)), parsed(t, fmt.Sprintf(xeText, 350, 2000))
	machinetest.Near(t, "cycles of those that passed", y.busyShare(&x, 0)[EngineShading], 0.25)
	machinetest.Near(t, "memory", float64(y.memory), 5<<20)

	// Counters that went back (a driver was loaded anew) tell nothing.
	machinetest.Near(t, "back", a.busyShare(&b, 1e6)[EngineShading], 0)
	var c drmClient
	for _, text := range []string{"", "pos: 0\nflags: 02\n", "drm-driver: amdgpu\n", "drm-client-id: 1\n", "drm-driver amdgpu\ndrm-client-id: x\n"} {
		if parseDRM([]byte(text), &c) {
			t.Errorf("%q is no client", text)
		}
	}
}

func FuzzParseDRM(f *testing.F) {
	f.Add([]byte(machinetest.DRMClient(42, 1, 2, 3)), []byte(i915Text))
	f.Add([]byte(fmt.Sprintf(xeText, 1, 2)), []byte("drm-driver: x\ndrm-client-id: 1\ndrm-engine-gfx: 18446744073709551615 ns\ndrm-engine-capacity-gfx: 0\n"))
	f.Fuzz(func(t *testing.T, one, two []byte) {
		var a, b drmClient
		parseDRM(one, &a)
		parseDRM(two, &b)
		for _, s := range b.busyShare(&a, 1e9) {
			if math.IsNaN(s) || s < 0 || s > 1 {
				t.Fatalf("share %g", s)
			}
		}
	})
}

func TestParseInstance(t *testing.T) {
	for name, want := range map[string]engineInstance{
		"pid_1234_luid_0x00000000_0x0000C2B5_phys_0_eng_0_engtype_3D":          {1234, 0xC2B5, EngineShading},
		"pid_4_luid_0x00000001_0x0000c2b5_phys_0_eng_9_engtype_Compute_0":      {4, 1<<32 | 0xC2B5, EngineShading},
		"pid_88_luid_0x00000000_0x0000C2B5_phys_0_eng_4_engtype_Copy":          {88, 0xC2B5, EngineCopy},
		"pid_88_luid_0x00000000_0x0000C2B5_phys_0_eng_5_engtype_VideoDecode":   {88, 0xC2B5, EngineVideo},
		"pid_88_luid_0x00000000_0x0000C2B5_phys_0_eng_6_engtype_Video Codec 0": {88, 0xC2B5, EngineVideo},
		"pid_88_luid_0x00000000_0x0000C2B5_phys_0_eng_7_engtype_Overlay":       {88, 0xC2B5, engineNone},
		"pid_0_luid_0x00000000_0x0000C2B5_phys_0":                              {0, 0xC2B5, engineNone},
	} {
		if got, ok := parseInstance(name); !ok || got != want {
			t.Errorf("%s: %+v, %v", name, got, ok)
		}
	}
	for _, name := range []string{"", "_Total", "pid_x_luid_0x0_0x1_engtype_3D", "luid_0x0_0x1_engtype_3D", "pid_1_luid_0x0", "pid_1_luid_0x123456789_0x1_engtype_3D", "pid_99999999999_luid_0x0_0x1_engtype_3D"} {
		if got, ok := parseInstance(name); ok {
			t.Errorf("%s: %+v", name, got)
		}
	}
}

func FuzzParseInstance(f *testing.F) {
	f.Add("pid_1234_luid_0x00000000_0x0000C2B5_phys_0_eng_0_engtype_3D")
	f.Fuzz(func(t *testing.T, name string) {
		if e, ok := parseInstance(name); ok && (e.pid < 0 || e.engine >= engineCount) {
			t.Fatalf("%+v", e)
		}
	})
}
