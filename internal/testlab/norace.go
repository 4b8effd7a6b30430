//go:build !race

package testlab

// BuildFlags are those with which a test builds the programs: like the test itself.
var BuildFlags []string
