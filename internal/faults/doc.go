// Package faults holds tests only: the built programs meet every failure that the system can
// answer a call of their write path with, and a kill at each.
package faults
