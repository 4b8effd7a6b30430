package framelog

import "golang.org/x/sys/cpu"

// masksAVX2 is masksPortable for processors with AVX2, 32 bytes at a time.
//
//go:noescape
func masksAVX2(b *byte, blocks int, delim, eol byte, out *uint64) found

var hasAVX2 = cpu.X86.HasAVX2

// masks writes the masks of all blocks; b must be readable to the end of the last block.
func masks(b []byte, blocks int, delim, eol byte, out []uint64) found {
	if blocks == 0 {
		return 0
	}
	_, _ = b[blocks*block-1], out[2*blocks-1]
	if hasAVX2 {
		return masksAVX2(&b[0], blocks, delim, eol, &out[0])
	}
	return masksPortable(b, blocks, delim, eol, out)
}
