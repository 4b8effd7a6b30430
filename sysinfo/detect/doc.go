// Package detect reads what is in a machine: processor, board, memory, graphics cards,
// displays, drives and the settings that move frame rates. On Windows the calls are apart
// from the parsers, which are tested on recorded answers.
package detect
