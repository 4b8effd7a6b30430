// Package selection is which passes a command takes: the options that select them, the
// campaign in force with what tells its passes from others, and what a conclusion then rests
// on and leaves out.
package selection
