package record

import "testing"

func TestNumbered(t *testing.T) {
	for _, c := range []struct {
		series string
		n      int
		want   string
	}{
		{SeriesGPUBusy, 1, "gpu.1.busy"}, {SeriesCoreClock, 12, "cpu.core.12.clock"}, {"gpu.N", 0, "gpu.0"}, {SeriesNetRecv, 3, "net.receive"},
	} {
		if got := Numbered(c.series, c.n); got != c.want {
			t.Errorf("%s with %d is %s, want %s", c.series, c.n, got, c.want)
		}
	}
}
