//go:build !amd64

package mask

// Write writes the masks of all blocks; b must be readable to the end of the last block.
func Write(b []byte, blocks int, delim, eol byte, out []uint64) Found {
	return portable(b, blocks, delim, eol, out)
}
