package sysinfo

import (
	"capd.example/record"
	"capd.example/sysinfo/sensor"
)

// Blind lists what of the bench cannot be sampled, and apart from that the graphics cards, by
// number, that their vendor's library ought to tell about and does not. Nothing may be sampled
// meanwhile.
func (b *Bench) Blind() (missing []record.Gap, dark map[int]string) {
	sources, _, missing := sensor.Open(b.tree, b.windows)
	cards, gaps := sensor.OpenGraphics(b.tree, b.windows, b.cards)
	for _, s := range append(sources, cards...) {
		s.Close()
	}
	list, why := b.cards.All()
	dark = map[int]string{}
	for i, c := range list {
		if c.Driver == "nvidia" && c.NV == nil {
			dark[i] = why.Text
		}
	}
	return append(missing, gaps...), dark
}
