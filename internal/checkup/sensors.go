package checkup

import (
	"context"
	"fmt"
	"maps"
	"slices"

	"capd.example/record"
)

// sensors reports what the bench does not tell of itself, and settings of it that make games
// slow.
func (l *looker) sensors(ctx context.Context) {
	const subject = "sensors"
	before := len(l.found)
	missing, dark := l.Machine.Blind()
	for _, g := range missing {
		if g.Why == record.Refused {
			l.note(subject, fmt.Sprintf("%s is refused: %s", g.Name, g.Text), "checks that need it say not-checked", rights(l.Linux, g))
		}
	}
	for _, card := range slices.Sorted(maps.Keys(dark)) {
		l.wrong(subject, fmt.Sprintf("the vendor's library does not know graphics card %d: %s", card, dark[card]), "its clocks, temperature and load are not sampled", "install the card's driver with its libraries, and restart")
	}
	if len(l.found) == before {
		l.ok(subject, "nothing is refused to this user")
	}
	l.power(l.Machine.Detect(ctx))
}

// power reports settings that trade frame rates for electricity.
func (l *looker) power(s record.System) {
	const subject, means = "power", "the processor clocks lower than it can; figures do not hold for others"
	value := func(name string) string {
		for _, f := range s.Fields {
			if f.Name == name && f.Unknown == "" {
				return f.Value
			}
		}
		return ""
	}
	before := len(l.found)
	if value("power.source") == "battery" {
		l.wrong(subject, "the machine runs on battery", "processor and card clock lower than on mains", "plug it in")
	}
	// With these drivers "powersave" is the ordinary policy, and the preference decides (kernel,
	// admin-guide/pm/intel_pstate and amd-pstate).
	policy, driver := value(record.FieldProcessorPolicy), value("processor.clock_driver")
	decides := driver != "intel_pstate" && driver != "amd-pstate-epp"
	if policy == "power saver" || policy == "powersave" && decides || value("processor.energy_preference") == "power" {
		l.wrong(subject, "the power plan saves power ("+policy+")", means, plan(l.Linux))
	}
	if p := value("os.power_profile"); p == "low-power" || p == "quiet" {
		l.wrong(subject, "the firmware's power profile is "+p, means, plan(l.Linux))
	}
	if len(l.found) == before {
		l.ok(subject, "nothing saves power at the cost of frame rates")
	}
}

func plan(linux bool) string {
	if linux {
		return "powerprofilesctl set balanced, or cpupower frequency-set -g performance"
	}
	return "powercfg /setactive SCHEME_BALANCED"
}

func rights(linux bool, g record.Gap) string {
	switch {
	case linux && g.Name == record.SeriesCPUPower:
		return "allow one group to read /sys/class/powercap/*/energy_uj, where nobody else works on the machine (docs/detection.md)"
	case linux:
		return "see docs/detection.md, \"What only more rights would tell\""
	}
	return "nothing: Windows tells it only an administrator"
}
