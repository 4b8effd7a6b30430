// Package tree reads a Linux machine below a root folder: this one, or a recorded one in a
// test. A file that is read with every sample is kept open ([File]), and the parsers of what
// it holds allocate nothing.
package tree
