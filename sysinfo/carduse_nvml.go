package sysinfo

import "time"

// nvmlEvery is over how many samples a look at a card's processes comes once: it costs as
// much as forty other questions.
const nvmlEvery = 10

// nvmlReader hands over what NVIDIA's driver tells of who uses one card.
type nvmlReader struct {
	users *nvmlUsers
	n     int // of the card among all
}

func newNVMLReader(lib *nvml, n, index int) *nvmlReader {
	return &nvmlReader{users: newNVMLUsers(lib, index), n: n}
}

func (u *nvmlReader) close() {}

func (u *nvmlReader) look(now time.Time, t *cardTable) {
	use, why, ok := u.users.read(now)
	if why.why != "" {
		t.silent(u.n, why.why, why.text)
	}
	if !ok {
		return
	}
	for _, p := range use.users {
		t.add(cardLook{card: u.n, pid: p.pid, name: t.names(p.pid), since: use.since, at: now, memory: p.memory, compute: p.compute,
			share: [engineCount]float64{engineShading: p.shading, engineVideo: p.video}})
	}
	t.addSpan(cardSpan{card: u.n, since: use.since, at: now, whole: true, link: use.link, source: "nvml"})
}
