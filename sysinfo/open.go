package sysinfo

import (
	"os"
	"time"

	"capd.example/record"
)

// openSources opens everything that is sampled; what is missing is a gap.
func (b *Bench) openSources() (list []source, load func() float64, table *processTable, gaps []record.Gap) {
	list, load, gaps = openSystemSources(b.tree, b.live)
	self := 0 // of a recorded machine nobody is us
	if b.live {
		self = os.Getpid()
	}
	table, why := openProcesses(b.tree, b.live, load, self)
	if why != "" {
		gaps = append(gaps, record.Gap{Name: "processes", Why: why, Text: "/proc"})
	}
	list = append(list, b.testOnlySources...)
	more, gap := openGraphics(b.tree, b.cards)
	list, gaps = append(list, more...), append(gaps, gap...)
	if table != nil {
		list = append(list, sourceWithoutColumns{table})
		if use := openCardUse(b.live, b.cards, table); use != nil {
			list = append(list, sourceWithoutColumns{use})
		}
	}
	return list, load, table, gaps
}

// looker is what is looked at with every sample and keeps what it saw itself.
type looker interface {
	label() string
	look(now time.Time)
	close()
}

// sourceWithoutColumns is a looker among the sources.
type sourceWithoutColumns struct{ looker }

func (s sourceWithoutColumns) columns() []column               { return nil }
func (s sourceWithoutColumns) read(_ []float64, now time.Time) { s.look(now) }
