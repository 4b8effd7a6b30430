package testlab

import (
	"math/rand/v2"
	"strconv"
)

// WideLog writes frame times (ms) as a log of twelve columns with a heading, some 97
// bytes a row: text, stamps, the frame time and what a logger of many habits adds. With
// about 10,000 frames it is the size of a typical pass.
func WideLog(seed uint64, ms []float64) []byte {
	rng := rand.New(rand.NewPCG(seed, 12))
	b := make([]byte, 0, len(ms)*100)
	b = append(b,
		"program,number,at_s,took_ms,draw_ms,card_ms,queue_ms,busy_share,card_share,degrees,clock_mhz,held_mb\n"...)
	at := 0.0
	for i, x := range ms {
		at += x
		b = append(b, "hollow-ravine.bin,"...)
		b = strconv.AppendInt(b, int64(i), 10)
		b = append(b, ',')
		b = strconv.AppendFloat(b, at/1000, 'f', 7, 64)
		b = append(b, ',')
		b = strconv.AppendFloat(b, x, 'f', 6, 64)
		for _, share := range []float64{0.31, 0.9, 0.12} {
			b = append(b, ',')
			b = strconv.AppendFloat(b, x*share*(0.9+0.2*rng.Float64()), 'f', 6, 64)
		}
		b = append(b, ',')
		b = strconv.AppendFloat(b, 40+30*rng.Float64(), 'f', 2, 64)
		b = append(b, ',')
		b = strconv.AppendFloat(b, 90+10*rng.Float64(), 'f', 2, 64)
		b = append(b, ',')
		b = strconv.AppendInt(b, 61+int64(rng.IntN(9)), 10)
		b = append(b, ',')
		b = strconv.AppendInt(b, 2400+int64(rng.IntN(400)), 10)
		b = append(b, ',')
		b = strconv.AppendInt(b, 5120+int64(rng.IntN(2000)), 10)
		b = append(b, '\n')
	}
	return b
}
