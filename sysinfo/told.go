package sysinfo

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"capd.example/record"
)

// Told says how it stands with one thing that a machine may tell.
type Told struct {
	What  string `json:"what"`
	State string `json:"state"`          // one of the three below
	Text  string `json:"text,omitempty"` // what it told, or why it did not
}

// The states of what a machine may tell.
const (
	Works    = "works"
	DoesNot  = "does not"
	NotThere = "not there"
)

// String writes it on one line.
func (t Told) String() string {
	return strings.TrimRight(fmt.Sprintf("%-9s  %-26s  %s", t.State, t.What, t.Text), " ")
}

// told sums up what a view shows.
func (v view) told() []Told {
	list := []Told{
		v.of("processor", record.FieldProcessorName, "processor.cores", "processor.microcode"),
		v.of("memory and board", record.FieldMemorySpeed, record.FieldMemorySize, record.FieldBoardName,
			record.FieldFirmwareVersion),
		v.of("graphics cards", record.FieldGraphicsName, record.FieldGraphicsDriver),
		v.of("screen", "display.0.mode", "display.0.refresh"),
		v.of("system and power plan", record.FieldOSName, record.FieldOSBuild, record.FieldProcessorPolicy),
		v.of("load and memory", record.SeriesBusy, record.SeriesMemAvail, record.SeriesDiskRead, record.SeriesNetRecv),
		v.of("clock of the processor", record.SeriesCPUClock, record.Numbered(record.SeriesCoreClock, 0)),
		v.of("heat of the processor", record.SeriesCPUTemp, "zone.0.temp", record.SeriesCPULimit, record.SeriesCPUPower),
		v.of("gauges of the first card", record.Numbered(record.SeriesGPUTemp, 0), record.Numbered(record.SeriesGPUClock, 0),
			record.Numbered(record.SeriesGPUBusy, 0), record.Numbered(record.SeriesGPUMemUsed, 0)),
	}
	return list
}

// of says of some fields and series which are told. It does not work where the first one is
// broken or refused, and is not there where none is told.
func (v view) of(what string, names ...string) Told {
	var told, not []string
	worst, broken := NotThere, false
	for i, name := range names {
		value, why := v.value(name)
		if why == "" {
			told = append(told, value)
			continue
		}
		not = append(not, fmt.Sprintf("%s (%s)", name, why))
		if why == record.Broken || why == record.Refused {
			worst = DoesNot
			broken = broken || i == 0
		}
	}
	t := Told{What: what, State: Works, Text: strings.Join(told, ", ")}
	if len(told) == 0 || broken {
		t.State = worst
	}
	if len(not) > 0 {
		t.Text = strings.TrimPrefix(t.Text+"; without "+strings.Join(not, ", "), "; ")
	}
	return t
}

// value returns a field or the latest number of a series as text, or why there is none.
func (v view) value(name string) (string, record.Unknown) {
	if f, known := v.system.Get(name); known || f.Unknown != record.Absent {
		return strings.TrimSpace(f.Value + " " + f.Unit), f.Unknown
	}
	for i, c := range v.cols {
		if c.Name == name && !math.IsNaN(v.row[i]) {
			return fmt.Sprintf("%s %.4g %s", name, v.row[i], c.Unit), ""
		}
	}
	if i := slices.IndexFunc(v.gaps, func(g record.Gap) bool { return g.Name == name }); i >= 0 {
		return "", v.gaps[i].Why
	}
	return "", record.Absent
}
