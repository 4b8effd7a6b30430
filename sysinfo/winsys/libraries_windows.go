package winsys

import "golang.org/x/sys/windows"

// Libraries of the system, loaded when they are first called.
var (
	Kernel32 = windows.NewLazySystemDLL("kernel32.dll")
	User32   = windows.NewLazySystemDLL("user32.dll")
	Powrprof = windows.NewLazySystemDLL("powrprof.dll")
	Iphlpapi = windows.NewLazySystemDLL("iphlpapi.dll")
	PDH      = windows.NewLazySystemDLL("pdh.dll")
)

// Functions of the performance counters.
var (
	PdhOpen    = PDH.NewProc("PdhOpenQueryW")
	PdhAdd     = PDH.NewProc("PdhAddEnglishCounterW")
	PdhRemove  = PDH.NewProc("PdhRemoveCounter")
	PdhCollect = PDH.NewProc("PdhCollectQueryData")
	PdhValue   = PDH.NewProc("PdhGetFormattedCounterValue")
	PdhArray   = PDH.NewProc("PdhGetFormattedCounterArrayW")
	PdhClose   = PDH.NewProc("PdhCloseQuery")
)
