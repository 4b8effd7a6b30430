package cardusers

import (
	"strings"

	"capd.example/sysinfo/tree"
	"capd.example/sysinfo/winsys"
)

// engineInstance is what the name of an instance of Windows' counters "GPU Engine" says:
// pid_1234_luid_0x00000000_0x0000C2B5_phys_0_eng_3_engtype_3D. The counters of a
// process's memory lack the engine.
type engineInstance struct {
	pid    int
	card   uint64 // LUID of the adapter
	engine engine
}

// parseInstance reads such a name; false for any other.
func parseInstance(name string) (e engineInstance, ok bool) {
	words := strings.Split(name, "_")
	found := 0
	for i := 0; i+1 < len(words); i++ {
		switch words[i] {
		case "pid":
			n, good := tree.Unsigned([]byte(words[i+1]))
			if !good || n > 1<<32 || len(words[i+1]) > 10 {
				return e, false
			}
			e.pid = int(n)
			found |= 1
		case "luid":
			if i+2 >= len(words) {
				return e, false
			}
			luid, good := winsys.LUID(words[i+1], words[i+2])
			if !good {
				return e, false
			}
			e.card = luid
			found |= 2
		case "engtype":
			e.engine = windowsEngine(strings.Join(words[i+1:], " "))
			return e, found == 3
		}
	}
	return e, found == 3
}

// windowsEngine knows the kinds that the graphics kernel names, alike in every language;
// others are the vendor's.
func windowsEngine(kind string) engine {
	k := strings.ToLower(kind)
	switch {
	case strings.HasPrefix(k, "3d"), strings.HasPrefix(k, "compute"), strings.HasPrefix(k, "graphics"),
		strings.HasPrefix(k, "cuda"):
		return EngineShading
	case strings.HasPrefix(k, "copy"):
		return EngineCopy
	case strings.HasPrefix(k, "video"):
		return EngineVideo
	}
	return engineNone
}
