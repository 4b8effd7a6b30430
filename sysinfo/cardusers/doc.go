// Package cardusers keeps which programs used the graphics cards: by the kernel's counters
// (fdinfo), NVIDIA's library, or Windows' performance counters.
package cardusers
