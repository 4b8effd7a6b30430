package detect

import (
	"context"
	"fmt"
	"slices"
	"strings"

	"capd.example/record"
	"capd.example/sysinfo/tree"
	"github.com/shirou/gopsutil/v3/cpu"
)

// detectProcessor reads /proc/cpuinfo and the topology that the kernel found.
func detectProcessor(ctx context.Context, t tree.Tree, f *facts) {
	const source = "/proc/cpuinfo"
	infos, err := cpu.InfoWithContext(t.Context(ctx))
	if err != nil || len(infos) == 0 {
		why := record.Broken
		if _, w := t.Bytes(source); w != "" {
			why = w
		}
		for _, name := range []string{record.FieldProcessorName, "processor.vendor", "processor.model",
			"processor.microcode"} {
			f.unknown(name, why, source, true)
		}
	} else {
		c := infos[0]
		f.id(record.FieldProcessorName, c.ModelName, "", source)
		f.id("processor.vendor", c.VendorID, "", source)
		model := ""
		if c.Family != "" {
			model = fmt.Sprintf("family %s model %s stepping %d", c.Family, c.Model, c.Stepping)
		}
		f.id("processor.model", model, "", source)
		f.id("processor.microcode", c.Microcode, "", source)
	}
	detectTopology(t, f, len(infos))
	l3, why := t.Text(tree.CPUDir + "/cpu0/cache/index3/size")
	if n, ok := strings.CutSuffix(l3, "K"); ok && why == "" {
		f.add("processor.l3", n, "KiB", tree.CPUDir+"/cpu0/cache/index3/size")
	} else {
		f.unknown("processor.l3", orBroken(why), tree.CPUDir+"/cpu0/cache/index3/size", false)
	}
	if len(infos) == 0 || len(infos[0].Flags) == 0 {
		f.unknown("machine.virtual", record.Absent, "/proc/cpuinfo flags", true)
		return
	}
	f.id("machine.virtual", yesNo(slices.Contains(infos[0].Flags, "hypervisor")), "", "/proc/cpuinfo flags")
}

func orBroken(why record.Unknown) record.Unknown {
	if why == "" {
		return record.Broken
	}
	return why
}

// detectTopology counts packages, cores and threads of the processors that are on line.
func detectTopology(t tree.Tree, f *facts, listed int) {
	online, why := t.Text(tree.CPUDir + "/online")
	cpus := tree.CPUList(online)
	source := tree.CPUDir + "/online"
	if why != "" || len(cpus) == 0 {
		// Containers sometimes hide sysfs; the list of /proc/cpuinfo is as good.
		if listed == 0 {
			f.unknown(record.FieldProcessorThreads, orBroken(why), source, true)
		} else {
			f.id(record.FieldProcessorThreads, itoa(listed), "", "/proc/cpuinfo")
		}
	} else {
		f.id(record.FieldProcessorThreads, itoa(len(cpus)), "", source)
	}
	cores, packages := map[string]bool{}, map[string]bool{}
	for _, n := range cpus {
		dir := fmt.Sprintf("%s/cpu%d/topology/", tree.CPUDir, n)
		pkg, why := t.Text(dir + "physical_package_id")
		core, why2 := t.Text(dir + "core_id")
		if why != "" || why2 != "" {
			continue
		}
		die, _ := t.Text(dir + "die_id")
		packages[pkg] = true
		cores[pkg+"/"+die+"/"+core] = true
	}
	if len(cores) == 0 {
		f.unknown("processor.cores", record.Absent, tree.CPUDir+"/cpu*/topology", true)
	} else {
		f.id("processor.cores", itoa(len(cores)), "", tree.CPUDir+"/cpu*/topology")
		f.id("processor.packages", itoa(len(packages)), "", tree.CPUDir+"/cpu*/topology")
	}
	smt, why := t.Text(tree.CPUDir + "/smt/control")
	f.maybe("processor.smt", smt, "", tree.CPUDir+"/smt/control", why, true)
	for _, group := range []struct{ name, dir string }{{"performance", "cpu_core"}, {"efficiency", "cpu_atom"}} {
		if list, why := t.Text("/sys/devices/" + group.dir + "/cpus"); why == "" {
			f.id("processor."+group.name+"_threads", itoa(len(tree.CPUList(list))), "", "/sys/devices/"+group.dir+"/cpus")
		}
	}
}

// detectPolicy reads how the kernel is told to clock the processor.
func detectPolicy(t tree.Tree, f *facts) {
	policies := t.Glob(tree.CPUDir + "/cpufreq/policy*")
	const source = tree.CPUDir + "/cpufreq/policy*"
	for _, q := range []struct {
		name, file string
		identity   bool
	}{
		{record.FieldProcessorPolicy, "scaling_governor", true},
		{"processor.energy_preference", "energy_performance_preference", true},
		{"processor.clock_driver", "scaling_driver", true},
	} {
		value, why := sharedText(t, policies, q.file)
		f.maybe(q.name, value, "", source+"/"+q.file, why, q.identity)
	}
	for _, q := range []struct{ name, file string }{
		{"processor.clock_min", "cpuinfo_min_freq"}, {"processor.clock_max", "cpuinfo_max_freq"},
		{"processor.clock_base", "base_frequency"}, {"processor.clock_limit", "scaling_max_freq"},
	} {
		kHz, why := highest(t, policies, q.file)
		f.maybe(q.name, itoa(int(kHz/1000)), "MHz", source+"/"+q.file, why, q.name == "processor.clock_limit")
	}
	boost, source2, why := detectBoost(t)
	f.maybe(record.FieldProcessorBoost, onOff(boost), "", source2, why, true)
	if s, why := t.Text(tree.CPUDir + "/amd_pstate/status"); why == "" {
		f.add("processor.clock_driver_mode", s, "", tree.CPUDir+"/amd_pstate/status")
	}
}

// detectBoost unites two files of opposite sense.
func detectBoost(t tree.Tree) (on bool, source string, why record.Unknown) {
	const noTurbo, boost = tree.CPUDir + "/intel_pstate/no_turbo", tree.CPUDir + "/cpufreq/boost"
	if n, why := t.Number(noTurbo); why != record.Absent {
		return n == 0, noTurbo, why
	}
	if n, why := t.Number(boost); why != record.Absent {
		return n == 1, boost, why
	}
	policies := t.Glob(tree.CPUDir + "/cpufreq/policy*/boost")
	for _, p := range policies {
		if n, why := t.Number(p); why != "" || n == 0 {
			return false, p, why // one processor without boost is a bench without it
		}
	}
	if len(policies) > 0 {
		return true, tree.CPUDir + "/cpufreq/policy*/boost", ""
	}
	return false, boost, record.Absent
}

// sharedText returns what a file says in all folders, joined where they differ.
func sharedText(t tree.Tree, dirs []string, name string) (string, record.Unknown) {
	var values []string
	why := record.Absent
	for _, d := range dirs {
		s, w := t.Text(d + "/" + name)
		if w != "" {
			why = w
			continue
		}
		if !slices.Contains(values, s) {
			values = append(values, s)
		}
	}
	if len(values) == 0 {
		return "", why
	}
	slices.Sort(values)
	return strings.Join(values, " and "), ""
}

func highest(t tree.Tree, dirs []string, name string) (best int64, why record.Unknown) {
	why = record.Absent
	seen := false
	for _, d := range dirs {
		n, w := t.Number(d + "/" + name)
		switch {
		case w != "" && !seen:
			why = w
		case w == "" && (!seen || n > best):
			best, seen = n, true
		}
	}
	if seen {
		return best, ""
	}
	return 0, why
}
