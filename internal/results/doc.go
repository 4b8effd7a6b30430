// Package results prints the conclusions of analysis for people: cells, comparisons, limits,
// predictions, odd cells, values. It also knows what to say where there is nothing to
// conclude from: which levels a factor has, which tags are missing, what to type instead.
package results
