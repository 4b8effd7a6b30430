package host

import (
	"errors"
	"os"
	"os/signal"
	"path/filepath"
	"runtime"
	"strconv"
	"strings"
	"syscall"
	"time"

	"golang.org/x/sys/unix"
)

// keeperName is the first word of a keeper's command line; then follow the memory that the
// validator may hold in bytes, its program's path and its command line. The keeper reports
// how the validator ended on descriptor 3: its wait status in decimal digits, or unableTo and
// why it could not be started.
const (
	keeperName = "capd-keeper"
	unableTo   = "unable: "
	reportTo   = 3
)

// The program is its own keeper, whichever it is: it needs no second file that could be
// missing, and none of its main has to know.
func init() {
	if len(os.Args) > 3 && os.Args[0] == keeperName {
		os.Exit(keep(os.Args[1], os.Args[2], os.Args[3:]))
	}
}

// keep runs a validator and lets nothing that it started outlive it. The kernel makes this
// process the parent of every process below it that loses its own (prctl(2),
// PR_SET_CHILD_SUBREAPER), in whatever session or group, so that none gets away. It ends
// them when the validator has ended, and when the agent says so or has ended itself.
func keep(maxMemory, path string, argv []string) int {
	report := os.NewFile(reportTo, "report")
	syscall.CloseOnExec(reportTo)
	fail := func(err error) int {
		report.WriteString(unableTo + err.Error())
		return 1
	}
	if err := unix.Prctl(unix.PR_SET_CHILD_SUBREAPER, 1, 0, 0, 0); err != nil {
		return fail(err)
	}
	ask := make(chan os.Signal, 1)
	signal.Notify(ask, syscall.SIGTERM)
	signal.Ignore(syscall.SIGINT, syscall.SIGHUP, syscall.SIGPIPE)
	limit(maxMemory)
	type started struct {
		pid int
		err error
	}
	begun := make(chan started)
	go func() {
		// A thread of its own, which never ends: its priority is passed on, this process's
		// stays, and its end would be the parent's death that the validator is told of.
		runtime.LockOSThread()
		_ = unix.Setpriority(unix.PRIO_PROCESS, 0, 19) // best-effort
		pid, err := syscall.ForkExec(path, argv, &syscall.ProcAttr{
			Env: os.Environ(), Files: []uintptr{0, 1, 2},
			Sys: &syscall.SysProcAttr{Setpgid: true, Pdeathsig: syscall.SIGKILL},
		})
		begun <- started{pid, err}
		select {}
	}()
	validator := <-begun
	if validator.err != nil {
		return fail(&os.PathError{Op: "start", Path: path, Err: validator.err})
	}
	go func() {
		<-ask
		endAll()
	}()
	for {
		var status syscall.WaitStatus
		switch pid, err := syscall.Wait4(-1, &status, 0, nil); {
		case errors.Is(err, syscall.EINTR):
		case err != nil: // nobody is left
			return 0
		case pid == validator.pid:
			report.WriteString(strconv.Itoa(int(status)))
			go endAll()
		}
	}
}

// endAll kills every process below this one until the last is gone and this process ends:
// one that was just started may have been missed.
func endAll() {
	for ; ; time.Sleep(5 * time.Millisecond) {
		for _, pid := range descendants(os.Getpid()) {
			_ = syscall.Kill(pid, syscall.SIGKILL)
		}
	}
}

// limit limits the data of each process to 2 GiB beyond the memory that they may hold, as a
// stop for what grows faster than the watch looks; runtimes map more than they hold. It is
// best-effort.
func limit(maxMemory string) {
	if n, err := strconv.ParseUint(maxMemory, 10, 63); err == nil {
		_ = unix.Setrlimit(unix.RLIMIT_DATA, &unix.Rlimit{Cur: n + 2<<30, Max: n + 2<<30})
	}
	_ = unix.Setrlimit(unix.RLIMIT_CORE, &unix.Rlimit{})
}

// descendants lists the processes below pid.
func descendants(pid int) []int {
	var out []int
	seen := map[int]bool{pid: true}
	for next := []int{pid}; len(next) > 0; {
		pid, next = next[0], next[1:]
		for _, child := range children(pid) {
			if !seen[child] {
				seen[child] = true
				out, next = append(out, child), append(next, child)
			}
		}
	}
	return out
}

// children lists the processes whose parent is pid (proc(5), /proc/pid/task/tid/children,
// or, where the kernel does not have that, the fourth field of every /proc/pid/stat).
func children(pid int) (out []int) {
	lists, _ := filepath.Glob("/proc/" + strconv.Itoa(pid) + "/task/[0-9]*")
	told := false
	for _, task := range lists {
		text, err := os.ReadFile(task + "/children")
		told = told || err == nil
		for _, f := range strings.Fields(string(text)) {
			if n, err := strconv.Atoi(f); err == nil {
				out = append(out, n)
			}
		}
	}
	if told || len(lists) == 0 {
		return out
	}
	all, _ := filepath.Glob("/proc/[0-9]*")
	for _, process := range all {
		text, err := os.ReadFile(process + "/stat")
		if err != nil {
			continue
		}
		// the name before it may hold anything
		rest := strings.Fields(string(text[strings.LastIndexByte(string(text), ')')+1:]))
		if n, err := strconv.Atoi(filepath.Base(process)); err == nil && len(rest) > 1 && rest[1] == strconv.Itoa(pid) {
			out = append(out, n)
		}
	}
	return out
}
