// Package winsys is what several rooms of sysinfo ask of Windows: its registry, its system
// libraries, and text in UTF-16.
package winsys
