package sqlbase

import (
	"crypto/rand"
	"encoding/hex"
	"strings"
)

// NewChange makes the identity of a correction or a note.
func NewChange() string {
	var b [6]byte
	rand.Read(b[:]) // never fails; the runtime ends the program instead
	return hex.EncodeToString(b[:])
}

// IsHex reports whether a text may begin an identity.
func IsHex(s string) bool {
	return s != "" && strings.Trim(s, "0123456789abcdef") == ""
}
