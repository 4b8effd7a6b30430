package sysinfo

import (
	"os"
	"time"

	"capd.example/record"
	"capd.example/sysinfo/cardusers"
	"capd.example/sysinfo/process"
	"capd.example/sysinfo/sensor"
)

// openSources opens everything that is sampled; what is missing is a gap.
func (b *Bench) openSources() (list []sensor.Source, load func() float64, table *process.Table, gaps []record.Gap) {
	list, load, gaps = sensor.Open(b.tree, b.windows)
	self := 0 // of a recorded machine nobody is us
	if b.live {
		self = os.Getpid()
	}
	table, why := process.Open(b.tree, b.live, b.windows, load, self)
	if why != "" {
		gaps = append(gaps, record.Gap{Name: "processes", Why: why, Text: "/proc"})
	}
	list = append(list, b.testOnlySources...)
	more, gap := sensor.OpenGraphics(b.tree, b.windows, b.cards)
	list, gaps = append(list, more...), append(gaps, gap...)
	if table != nil {
		list = append(list, sourceWithoutColumns{table})
		if use := cardusers.Open(b.windows, b.cards, table); use != nil {
			list = append(list, sourceWithoutColumns{use})
		}
	}
	return list, load, table, gaps
}

// looker is what is looked at with every sample and keeps what it saw itself.
type looker interface {
	Label() string
	Look(now time.Time)
	Close()
}

// sourceWithoutColumns is a looker among the sources.
type sourceWithoutColumns struct{ looker }

func (s sourceWithoutColumns) Columns() []sensor.Column        { return nil }
func (s sourceWithoutColumns) Read(_ []float64, now time.Time) { s.Look(now) }
