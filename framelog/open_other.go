//go:build !unix

package framelog

// dontWait is not needed where opening does not wait.
const dontWait = 0
