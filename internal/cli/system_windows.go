package cli

import (
	"os"

	"golang.org/x/sys/windows"
)

type consoleOf struct{ handle windows.Handle }

func (c consoleOf) get() (mode uint32, err error) {
	err = windows.GetConsoleMode(c.handle, &mode)
	return mode, err
}

func (c consoleOf) set(mode uint32) error { return windows.SetConsoleMode(c.handle, mode) }

func understands(f *os.File) bool { return allowSequences(consoleOf{windows.Handle(f.Fd())}) }

// Unheld keeps a click into the window from holding the program up, until restore.
func Unheld() (restore func()) { return refuseClicks(consoleOf{windows.Handle(os.Stdin.Fd())}) }

var disguise = windows.NewLazySystemDLL("ntdll.dll").NewProc("RtlSetProcessPlaceholderCompatibilityMode")

// plainFiles has files of a synchronised folder look like any other file to this process
// (Windows 10 1803 and later; ntifs.h, PHCM_DISGUISE_PLACEHOLDER). Otherwise they are reparse
// points, which Go calls irregular.
func plainFiles() {
	const disguisePlaceholder = 1
	if disguise.Find() == nil {
		disguise.Call(disguisePlaceholder)
	}
}
