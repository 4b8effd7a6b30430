package oddcell

import "capd.example/analysis"

// FindAlike makes the guesses alone, without the search.
func FindAlike(cells []analysis.Cell, o analysis.Options) []Alike {
	return findAlike(cells, nil, o.WithDefaults())
}
