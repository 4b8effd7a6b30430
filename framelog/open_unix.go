//go:build unix

package framelog

import "syscall"

// dontWait opens a named pipe at once, which then turns out to be no regular file.
const dontWait = syscall.O_NONBLOCK
