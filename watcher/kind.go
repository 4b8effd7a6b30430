package watcher

import (
	"encoding/binary"
	"errors"
	"io/fs"
	"os"
	"strings"
)

// kind says what a name in the folder is to the watcher.
type kind int

const (
	other kind = iota // no file, or one that is not to be opened
	plain             // a file whose content is here
	away              // a file whose content a synchronising service would have to fetch
)

// ErrAway is the trouble of a log whose content is not on this machine.
var ErrAway = errors.New("this log cannot be read: the service that synchronises the folder keeps its content elsewhere, and the agent does not fetch it; other such logs in this folder are skipped without a message")

const awayHint = "let loggers write into a folder that is not synchronised, or set the service to keep this folder on this machine"

// Attributes and tag of a file on Windows (winnt.h, IO_REPARSE_TAG_CLOUD to
// IO_REPARSE_TAG_CLOUD_F: one nibble of the tag is the service's own).
const (
	recallOnAccess = 0x400000
	cloudTag       = 0x9000001A
	cloudMask      = 0xFFFF0FFF
)

// kindOf decides by a file's mode, its attributes and its reparse tag, 0 where a system has
// none. A file in a synchronised folder has a tag as soon as the service has seen it, and Go
// calls every such file irregular; its bytes are here all the same.
func kindOf(mode fs.FileMode, attributes, tag uint32) kind {
	if !mode.IsRegular() && (mode.Type() != fs.ModeIrregular || tag&cloudMask != cloudTag) {
		return other
	}
	if attributes&recallOnAccess != 0 {
		return away
	}
	return plain
}

// maybeLog reports whether a name of this mode may be a log; [keeper.lookAtFile] tells.
func maybeLog(mode fs.FileMode) bool { return mode.IsRegular() || mode.Type() == fs.ModeIrregular }

// lookAtFile looks at what lies at a path now.
func lookAtFile(path string) (fs.FileInfo, kind, error) {
	info, err := os.Lstat(path)
	if err != nil {
		return nil, other, err
	}
	attributes, tag := marksOf(path, info)
	return info, kindOf(info.Mode(), attributes, tag), nil
}

// FILE_PROCESS_IDS_USING_FILE_INFORMATION (wdm.h, 64 bit): a number, then that many processes.
const (
	fileUsers = 47 // FileProcessIdsUsingFileInformation
	usersHead = 8
)

// onlyUser reports whether a list of the processes that have a file open names us alone. We have
// it open: a list without us is none to go by.
func onlyUser(list []byte, self uint64) bool {
	return len(list) >= usersHead+8 && binary.LittleEndian.Uint32(list) == 1 &&
		binary.LittleEndian.Uint64(list[usersHead:]) == self
}

// onShare tells of the name of a volume on Windows whether it is a share of another machine,
// as \\server\share or \\?\UNC\server\share, or a device of this one by its full name;
// neither for a drive's letter.
func onShare(volume string) (share, device bool) {
	if !strings.HasPrefix(volume, `\\`) {
		return false, false
	}
	for _, full := range []string{`\\?\`, `\\.\`} {
		if rest, is := strings.CutPrefix(volume, full); is {
			unc := len(rest) >= 4 && strings.EqualFold(rest[:4], `UNC\`)
			return unc, !unc
		}
	}
	return true, false
}
