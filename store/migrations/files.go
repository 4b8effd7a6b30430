// Package migrations holds the scripts that lead a store from one version to the next:
// NNN.sql to version NNN.
package migrations

import "embed"

// Files are the scripts.
//
//go:embed *.sql
var Files embed.FS
