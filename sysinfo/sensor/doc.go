// Package sensor holds the sources of telemetry: each reads some columns of every sample,
// allocates nothing in a steady one, and may be read in turns where it is costly ([Rare]). The
// readers are our own: gopsutil opens every file anew and allocates at each call.
package sensor
