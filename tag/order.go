package tag

import "capd.example/record"

// Order turns the names of origins into a rising order of trust; none are [DefaultOrder].
func Order(names []string) []record.Origin {
	if len(names) == 0 {
		return DefaultOrder
	}
	order := make([]record.Origin, len(names))
	for i, n := range names {
		order[i] = record.Origin(n)
	}
	return order
}
