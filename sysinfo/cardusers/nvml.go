package cardusers

import (
	"time"

	"capd.example/sysinfo/nvml"
)

// nvmlEvery is over how many samples a look at a card's processes comes once: it costs as
// much as forty other questions.
const nvmlEvery = 10

// nvmlReader hands over what NVIDIA's driver tells of who uses one card.
type nvmlReader struct {
	users *nvml.Users
	n     int // of the card among all
}

func newNVMLReader(lib *nvml.Library, n, index int) *nvmlReader {
	return &nvmlReader{users: nvml.NewUsers(lib, index), n: n}
}

func (u *nvmlReader) close() {}

func (u *nvmlReader) look(now time.Time, t *Table) {
	use, why, ok := u.users.Read(now)
	if why.Why != "" {
		t.silent(u.n, why.Why, why.Text)
	}
	if !ok {
		return
	}
	for _, p := range use.Users {
		t.add(Look{card: u.n, PID: p.Pid, name: t.names(p.Pid), since: use.Since, at: now, memory: p.Memory,
			compute: p.Compute,
			share:   [engineCount]float64{EngineShading: p.Shading, EngineVideo: p.Video}})
	}
	t.addSpan(Span{Card: u.n, Since: use.Since, At: now, Whole: true, Link: use.Link, Source: "nvml"})
}
