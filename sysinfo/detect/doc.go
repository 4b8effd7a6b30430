// Package detect reads what is in a machine: processor, board, memory, graphics cards,
// displays, drives and the settings that move frame rates. On Windows the calls are apart
// from the parsers, which are tested on recorded answers. gopsutil reads the model of the
// processor and the size of the memory; what else is read here it has no field for, or does
// not tell absent from refused.
package detect
