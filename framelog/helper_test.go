package framelog_test

import (
	"crypto/sha256"
	"encoding/hex"
	"io"

	"capd.example/record"
)

func frames(ms []float64) record.Frames { return record.Frames{MS: ms, Decimals: -1} }

func sum(b []byte) string {
	s := sha256.Sum256(b)
	return hex.EncodeToString(s[:])
}

var eof = io.EOF
