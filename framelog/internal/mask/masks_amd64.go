package mask

import "golang.org/x/sys/cpu"

// writeAVX2 is portable for processors with AVX2, 32 bytes at a time.
//
//go:noescape
func writeAVX2(b *byte, blocks int, delim, eol byte, out *uint64) Found

var hasAVX2 = cpu.X86.HasAVX2

// Write writes the masks of all blocks; b must be readable to the end of the last block.
func Write(b []byte, blocks int, delim, eol byte, out []uint64) Found {
	if blocks == 0 {
		return 0
	}
	_, _ = b[blocks*Block-1], out[2*blocks-1]
	if hasAVX2 {
		return writeAVX2(&b[0], blocks, delim, eol, &out[0])
	}
	return portable(b, blocks, delim, eol, out)
}
