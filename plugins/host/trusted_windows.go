package host

import (
	"fmt"
	"slices"
	"unsafe"

	"golang.org/x/sys/windows"
)

// writes are the rights with which somebody can change a file or what lies in a folder.
const writes = windows.FILE_WRITE_DATA | windows.FILE_APPEND_DATA | windows.DELETE | fileDeleteChild |
	windows.WRITE_DAC | windows.WRITE_OWNER | windows.GENERIC_WRITE | windows.GENERIC_ALL

// fileDeleteChild is FILE_DELETE_CHILD of winnt.h: to delete what lies in a folder.
const fileDeleteChild = 0x40

// dontWait is not needed where opening does not wait.
const dontWait = 0

// anybody are the groups that stand for whoever can log in.
var anybody = []windows.WELL_KNOWN_SID_TYPE{windows.WinWorldSid, windows.WinBuiltinUsersSid,
	windows.WinAuthenticatedUserSid, windows.WinBuiltinGuestsSid, windows.WinInteractiveSid, windows.WinAnonymousSid}

// trusted reports why anybody on the machine could change what lies at path: its access
// list lets Everyone, Users, Authenticated Users, whoever sits at it or Guests write, or one of
// them owns it, which is the right to change the list. Other accounts that are named were named on
// purpose.
func trusted(path string) error {
	sd, err := windows.GetNamedSecurityInfo(path, windows.SE_FILE_OBJECT,
		windows.OWNER_SECURITY_INFORMATION|windows.DACL_SECURITY_INFORMATION)
	if err != nil {
		return fmt.Errorf("read who can write to %s: %w", path, err)
	}
	return trustedList(path, sd)
}

func trustedList(path string, sd *windows.SECURITY_DESCRIPTOR) error {
	everybody := fmt.Errorf("everybody on this machine can write to %s: take that right away in its security settings", path)
	if owner, _, err := sd.Owner(); err == nil && owner != nil && isAnybody(owner) {
		return everybody
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
		sid := grants(ace)
		if sid == nil || ace.Mask&writes == 0 || ace.Header.AceFlags&windows.INHERIT_ONLY_ACE != 0 {
			continue // one that is only inherited says nothing of the folder itself
		}
		if isAnybody(sid) {
			return everybody
		}
	}
	return nil
}

// grants returns whom an entry allows something, nil for one that allows nothing. The entries of
// objects have two numbers of 16 bytes before the account, as their flags say (winnt.h).
func grants(ace *windows.ACCESS_ALLOWED_ACE) *windows.SID {
	const allowed, allowedObject, allowedCallback, allowedCallbackObject = 0, 5, 9, 11
	at := uintptr(0)
	switch ace.Header.AceType {
	case allowed, allowedCallback:
	case allowedObject, allowedCallbackObject:
		flags := ace.SidStart
		at = 4 + 16*uintptr(flags&1) + 16*uintptr(flags>>1&1)
	default:
		return nil
	}
	return (*windows.SID)(unsafe.Add(unsafe.Pointer(&ace.SidStart), at))
}

func isAnybody(sid *windows.SID) bool {
	return slices.ContainsFunc(anybody, sid.IsWellKnown)
}
