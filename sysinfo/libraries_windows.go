package sysinfo

import "golang.org/x/sys/windows"

// Libraries of the system, loaded when they are first called.
var (
	kernel32 = windows.NewLazySystemDLL("kernel32.dll")
	user32   = windows.NewLazySystemDLL("user32.dll")
	powrprof = windows.NewLazySystemDLL("powrprof.dll")
	iphlpapi = windows.NewLazySystemDLL("iphlpapi.dll")
	pdh      = windows.NewLazySystemDLL("pdh.dll")
)

// Functions of the performance counters.
var (
	procPdhOpen    = pdh.NewProc("PdhOpenQueryW")
	procPdhAdd     = pdh.NewProc("PdhAddEnglishCounterW")
	procPdhRemove  = pdh.NewProc("PdhRemoveCounter")
	procPdhCollect = pdh.NewProc("PdhCollectQueryData")
	procPdhValue   = pdh.NewProc("PdhGetFormattedCounterValue")
	procPdhArray   = pdh.NewProc("PdhGetFormattedCounterArrayW")
	procPdhClose   = pdh.NewProc("PdhCloseQuery")
)
