package sensor

import (
	"strings"

	"capd.example/record"
	"capd.example/sysinfo/tree"
)

// openTemperatures finds the processor's sensors by driver and label: numbers of chips
// and inputs change between boots and kernels.
func openTemperatures(t tree.Tree) (Source, record.Unknown) {
	// The driver asks each core on that core, waking it up: few of them in a sample.
	s := &gaugeSource{name: record.SeriesCPUTemp, perSample: 4, first: 1}
	why := record.Absent
	for _, dir := range t.Glob("/sys/class/hwmon/hwmon*") {
		name, _ := t.Text(dir + "/name")
		switch name {
		case "k10temp", "zenpower", "coretemp":
		default:
			continue
		}
		labels := temperatureLabels(t, dir)
		main := packageLabel(name, labels)
		if main == "" || len(s.gauges) > 0 {
			continue // of several packages the first is the series; the others have cores below
		}
		if w := s.add(t, dir+"/"+main+"_input", 1e-3, record.SeriesCPUTemp, "C"); w != "" {
			why = w
			continue
		}
		for _, l := range labels {
			if strings.HasPrefix(l.text, "Tccd") || strings.HasPrefix(l.text, "Core ") {
				slug := strings.ToLower(strings.ReplaceAll(l.text, " ", "_"))
				s.add(t, dir+"/"+l.input+"_input", 1e-3, record.SeriesCPUTemp+"."+slug, "C")
			}
		}
	}
	if len(s.gauges) > 0 {
		s.prompt()
		return s, ""
	}
	for _, dir := range t.Glob("/sys/class/thermal/thermal_zone*") {
		if kind, w := t.Text(dir + "/type"); w == "" && kind == "x86_pkg_temp" {
			if why = s.add(t, dir+"/temp", 1e-3, record.SeriesCPUTemp, "C"); why == "" {
				s.prompt()
				return s, ""
			}
		}
	}
	return nil, why
}

type sensorLabel struct{ input, text string }

func temperatureLabels(t tree.Tree, dir string) []sensorLabel {
	var list []sensorLabel
	for _, file := range t.Glob(dir + "/temp*_input") {
		input := strings.TrimSuffix(file[strings.LastIndexByte(file, '/')+1:], "_input")
		text, _ := t.Text(dir + "/" + input + "_label")
		list = append(list, sensorLabel{input, text})
	}
	return list
}

// packageLabel chooses the input that stands for the whole processor. Tctl can carry an
// offset on some processors, so Tdie comes first.
func packageLabel(driver string, labels []sensorLabel) string {
	wanted := []string{"Tdie", "Tctl"}
	if driver == "coretemp" {
		wanted = []string{"Package id 0", "Physical id 0"}
	}
	for _, w := range wanted {
		for _, l := range labels {
			if l.text == w {
				return l.input
			}
		}
	}
	if driver == "coretemp" {
		for _, l := range labels {
			if strings.HasPrefix(l.text, "Package id") || strings.HasPrefix(l.text, "Physical id") {
				return l.input
			}
		}
		return ""
	}
	// Without labels the first input is the control value.
	for _, l := range labels {
		if l.input == "temp1" && l.text == "" {
			return l.input
		}
	}
	return ""
}
