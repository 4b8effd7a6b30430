package analysis_test

import "capd.example/internal/testlab"

// Short names for what the simulations are made of.
var (
	passes = testlab.Passes
	cell   = testlab.Cell
	noisy  = testlab.Noisy
	near   = testlab.Near
)
