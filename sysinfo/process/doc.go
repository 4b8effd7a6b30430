// Package process follows the running programs and what each used of the processors, without
// a look at all of them in any one sample. The readers are our own: gopsutil opens several files of each process
// at each call.
package process
