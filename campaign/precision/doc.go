// Package precision works out how many passes, and in how many sessions, the cells of a
// campaign need so that a difference of a wished size is found, and which cell gains most by
// one more pass. Methods and sources stand at the functions.
package precision
