// Package listing shows people what a store holds: passes, one pass with its figures, samples
// and history, systems with what differs between two of them, and alerts.
package listing
