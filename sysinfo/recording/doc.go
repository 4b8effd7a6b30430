// Package recording decides what of a machine may stand in a file that is handed on: what is
// read of it, without serial numbers, addresses of network cards and names that people gave.
package recording
