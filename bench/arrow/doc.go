// Package arrow holds what Apache Arrow's own Go implementation says of us: a test has
// its Parquet reader, which shares no code with the writer that we use, read an exported
// folder. It is a module of its own so that the programs do not bear its dependencies.
package arrow
