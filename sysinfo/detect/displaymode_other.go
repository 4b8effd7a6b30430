//go:build !linux

package detect

import "capd.example/record"

// connectorMode is known to Linux only.
func connectorMode(string, uint32) (displayNow, record.Unknown) {
	return displayNow{}, record.Unsupported
}
