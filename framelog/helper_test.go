package framelog_test

import "capd.example/record"

func frames(ms []float64) record.Frames { return record.Frames{MS: ms, Decimals: -1} }
