// Package efficiency asks the system to run a process where and how it costs least, so that it
// disturbs a measurement less: on Windows the class that is called EcoQoS. What priority it has
// beside others is another matter.
package efficiency

// WhenCalm has this process run efficiently from when nothing goes on until something does. Where
// the system refuses, it rests as it works.
func WhenCalm(calm bool) { _ = Self(calm) }
