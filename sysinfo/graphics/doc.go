// Package graphics finds the graphics cards of a machine, as the kernel and NVIDIA's library
// know them, in the order in which detection and telemetry number them.
package graphics
