package tables

import (
	"encoding/binary"
	"errors"
	"fmt"
	"math"

	"github.com/klauspost/compress/zstd"
)

// Arrays of numbers are stored as columns of bytes. A column is
//
//	method (1 byte: 0 raw, 1 grid), decimals (1 byte, signed), count (uvarint),
//	width (1 byte), then width planes of count bytes each.
//
// Grid: the values are whole numbers of 10^-decimals; their differences (the first from
// 0) are zigzag-encoded, and plane k holds byte k of every one, lowest first. Small
// differences leave the upper planes zero and the lower ones alike, which an entropy
// coder packs well. Raw: the planes hold the bytes of the IEEE 754 doubles.
const (
	methodRaw  = 0
	methodGrid = 1

	MaxDecimals = 15
	maxCount    = 1 << 25 // values per column: six days at 60 frames per second
	maxTicks    = 1 << 53
	maxEmpty    = 1 << 16 // values that a column of width 0 may claim, so that no small blob makes a large one
)

var errEncoding = errors.New("not a column of numbers")

// appendColumn appends the column of values. They come back bit for bit, whatever
// decimals claims: where a value is not on that grid all are stored raw.
func appendColumn(b []byte, values []float64, decimals int) []byte {
	ticks, ok := toTicks(values, decimals)
	if !ok {
		bits := make([]uint64, len(values))
		for i, v := range values {
			bits[i] = math.Float64bits(v)
		}
		return appendPlanes(append(b, methodRaw, byte(int8(clampDecimals(decimals)))), bits, 8)
	}
	last := int64(0)
	for i, t := range ticks {
		d := int64(t) - last
		last = int64(t)
		ticks[i] = uint64(d<<1) ^ uint64(d>>63)
	}
	width := widthOf(ticks)
	if len(ticks) > maxEmpty {
		width = max(width, 1)
	}
	return appendPlanes(append(b, methodGrid, byte(int8(decimals))), ticks, width)
}

func clampDecimals(d int) int { return max(-1, min(d, MaxDecimals)) }

func appendPlanes(b []byte, words []uint64, width int) []byte {
	b = binary.AppendUvarint(b, uint64(len(words)))
	b = append(b, byte(width))
	for k := range width {
		for _, w := range words {
			b = append(b, byte(w>>(8*k)))
		}
	}
	return b
}

func widthOf(words []uint64) int {
	var all uint64
	for _, w := range words {
		all |= w
	}
	width := 0
	for ; all > 0; all >>= 8 {
		width++
	}
	return width
}

// toTicks returns values as whole numbers of 10^-decimals, or false where that would not
// give them back bit for bit.
func toTicks(values []float64, decimals int) ([]uint64, bool) {
	if decimals < 0 || decimals > MaxDecimals {
		return nil, false
	}
	scale := math.Pow10(decimals)
	ticks := make([]uint64, len(values))
	for i, v := range values {
		t := math.Round(v * scale)
		if !(math.Abs(t) < maxTicks) || math.Float64bits(float64(int64(t))/scale) != math.Float64bits(v) {
			return nil, false
		}
		ticks[i] = uint64(int64(t))
	}
	return ticks, true
}

// GridOf returns the smallest number of decimals up to most that holds all values
// exactly, or -1.
func GridOf(values []float64, most int) int {
	for d := range most + 1 {
		if _, ok := toTicks(values, d); ok {
			return d
		}
	}
	return -1
}

// readColumn reads one column from the front of b and returns the rest.
func readColumn(b []byte) (values []float64, decimals int, rest []byte, err error) {
	if len(b) < 4 {
		return nil, 0, nil, errEncoding
	}
	method, decimals := b[0], int(int8(b[1]))
	count, n := binary.Uvarint(b[2:])
	if n <= 0 || count > maxCount || len(b) < 2+n+1 {
		return nil, 0, nil, errEncoding
	}
	width, b := int(b[2+n]), b[2+n+1:]
	if width > 8 || uint64(len(b)) < count*uint64(width) || width == 0 && count > maxEmpty {
		return nil, 0, nil, errEncoding
	}
	words := make([]uint64, count)
	for k := range width {
		for i, x := range b[k*int(count) : (k+1)*int(count)] {
			words[i] |= uint64(x) << (8 * k)
		}
	}
	values, err = fromWords(words, method, decimals, width)
	return values, decimals, b[int(count)*width:], err
}

func fromWords(words []uint64, method byte, decimals, width int) ([]float64, error) {
	values := make([]float64, len(words))
	switch {
	case method == methodRaw && width == 8 && decimals >= -1 && decimals <= MaxDecimals:
		for i, w := range words {
			values[i] = math.Float64frombits(w)
		}
	case method == methodGrid && decimals >= 0 && decimals <= MaxDecimals:
		scale, t := math.Pow10(decimals), int64(0)
		for i, w := range words {
			t += int64(w>>1) ^ -int64(w&1)
			if t <= -maxTicks || t >= maxTicks {
				return nil, errEncoding
			}
			values[i] = float64(t) / scale
		}
	default:
		return nil, errEncoding
	}
	return values, nil
}

// Pack compresses payload behind a version byte.
func Pack(version byte, payload []byte) ([]byte, error) {
	enc, err := zstd.NewWriter(nil, zstd.WithEncoderConcurrency(1), zstd.WithEncoderLevel(zstd.SpeedDefault),
		zstd.WithWindowSize(1<<17), zstd.WithEncoderCRC(true))
	if err != nil {
		return nil, err
	}
	defer enc.Close()
	return enc.EncodeAll(payload, []byte{version}), nil
}

// maxUnpacked bounds what a damaged or hostile blob can make us allocate.
const maxUnpacked = 512 << 20

// Unpack undoes [Pack]; another version byte is an error.
func Unpack(version byte, blob []byte) ([]byte, error) {
	if len(blob) == 0 {
		return nil, errors.New("nothing is stored")
	}
	if blob[0] != version {
		return nil, fmt.Errorf("version %d of the encoding is not known", blob[0])
	}
	dec, err := zstd.NewReader(nil, zstd.WithDecoderConcurrency(1), zstd.WithDecoderMaxMemory(maxUnpacked),
		zstd.WithDecoderLowmem(true))
	if err != nil {
		return nil, err
	}
	defer dec.Close()
	return dec.DecodeAll(blob[1:], nil)
}
