package host

import (
	"fmt"
	"unsafe"

	"golang.org/x/sys/windows"
)

// writes are the rights with which somebody can change a file or what lies in a folder.
const writes = windows.FILE_WRITE_DATA | windows.FILE_APPEND_DATA | windows.DELETE |
	windows.WRITE_DAC | windows.WRITE_OWNER | windows.GENERIC_WRITE | windows.GENERIC_ALL

// dontWait is not needed where opening does not wait.
const dontWait = 0

// trusted reports why anybody on the machine could change what lies at path: its access
// list lets Everyone, Users, Authenticated Users or Guests write. Other accounts that are
// named in it were named on purpose.
func trusted(path string) error {
	sd, err := windows.GetNamedSecurityInfo(path, windows.SE_FILE_OBJECT, windows.DACL_SECURITY_INFORMATION)
	if err != nil {
		return fmt.Errorf("read who can write to %s: %w", path, err)
	}
	dacl, _, err := sd.DACL()
	if err != nil || dacl == nil {
		return fmt.Errorf("%s has no access list: everybody can write to it", path)
	}
	for i := range uint32(dacl.AceCount) {
		var ace *windows.ACCESS_ALLOWED_ACE
		if err := windows.GetAce(dacl, i, &ace); err != nil {
			return fmt.Errorf("read who can write to %s: %w", path, err)
		}
		if ace.Header.AceType != windows.ACCESS_ALLOWED_ACE_TYPE || ace.Mask&writes == 0 {
			continue
		}
		sid := (*windows.SID)(unsafe.Pointer(&ace.SidStart))
		for _, kind := range []windows.WELL_KNOWN_SID_TYPE{windows.WinWorldSid, windows.WinBuiltinUsersSid,
			windows.WinAuthenticatedUserSid, windows.WinBuiltinGuestsSid} {
			if sid.IsWellKnown(kind) {
				return fmt.Errorf("everybody on this machine can write to %s: take that right away in its security settings", path)
			}
		}
	}
	return nil
}
