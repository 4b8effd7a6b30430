//go:build !amd64

package framelog

// masks writes the masks of all blocks; b must be readable to the end of the last block.
func masks(b []byte, blocks int, delim, eol byte, out []uint64) found {
	return masksPortable(b, blocks, delim, eol, out)
}
