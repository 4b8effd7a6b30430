// Package nvml binds NVIDIA's management library at run time, without cgo: which cards there
// are, what each one runs at, and who uses it.
package nvml
