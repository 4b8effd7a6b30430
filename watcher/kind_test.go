package watcher

import (
	"encoding/binary"
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"capd.example/internal/testlab"
	"capd.example/sysinfo/machinetest"
	"github.com/fsnotify/fsnotify"
)

// TestKinds: attributes and tags as winnt.h names them; the modes are what Go makes of such
// entries (os, "types_windows.go").
func TestKinds(t *testing.T) {
	const (
		archive, reparse = 0x20, 0x400
		cloud6           = 0x9000601A // IO_REPARSE_TAG_CLOUD_6
		junction, appExe = 0xA0000003, 0x8000001B
	)
	for _, c := range []struct {
		name            string
		mode            fs.FileMode
		attributes, tag uint32
		want            kind
	}{
		{"plain", 0, archive, 0, plain},
		{"synchronised and here", fs.ModeIrregular, archive | reparse, cloud6, plain},
		{"synchronised, its first tag", fs.ModeIrregular, archive | reparse, cloudTag, plain},
		{"content elsewhere", fs.ModeIrregular, archive | reparse | recallOnAccess, cloud6, away},
		{"content elsewhere, and the system hides the tag", 0, archive | recallOnAccess, 0, away},
		{"some other reparse point", fs.ModeIrregular, reparse, appExe, other},
		{"irregular for a reason that nothing tells", fs.ModeIrregular, 0, 0, other},
		{"link", fs.ModeSymlink, reparse, 0xA000000C, other},
		{"junction", fs.ModeIrregular, reparse, junction, other},
		{"folder", fs.ModeDir, 0x10, 0, other},
		{"pipe", fs.ModeNamedPipe, 0, 0, other},
	} {
		if got := kindOf(c.mode, c.attributes, c.tag); got != c.want {
			t.Errorf("%s: %d, want %d", c.name, got, c.want)
		}
	}
}

// TestOnlyUser: nobody else has a log open where the system's list names us and nobody but us.
func TestOnlyUser(t *testing.T) {
	list := func(count uint32, pids ...uint64) []byte {
		b := binary.LittleEndian.AppendUint64(nil, uint64(count))
		for _, pid := range pids {
			b = binary.LittleEndian.AppendUint64(b, pid)
		}
		return append(b, make([]byte, 64)...)
	}
	for _, c := range []struct {
		what string
		list []byte
		want bool
	}{
		{"we alone", list(1, 7), true}, {"a logger beside us", list(2, 7, 9), false}, {"a logger before us", list(2, 9, 7), false},
		{"another one alone", list(1, 9), false}, {"nobody, though we have it open", list(0), false}, {"nothing", nil, false},
		{"cut short", list(1, 7)[:12], false},
	} {
		if got := onlyUser(c.list, 7); got != c.want {
			t.Errorf("%s: %v", c.what, got)
		}
	}
}

// TestLayoutOfUsers: sizes and offsets are those of the headers of mingw-w64.
func TestLayoutOfUsers(t *testing.T) {
	machinetest.Layout(t, []string{"ddk/wdm.h"}, map[string]int{
		"FileProcessIdsUsingFileInformation":                               fileUsers,
		"offsetof(FILE_PROCESS_IDS_USING_FILE_INFORMATION, ProcessIdList)": usersHead,
	})
	machinetest.Layout(t, []string{"windows.h"}, map[string]int{
		"sizeof(FILE_ID_INFO)": 24, "offsetof(FILE_ID_INFO, FileId)": 8,
		"sizeof(FILE_ATTRIBUTE_TAG_INFO)": 8, "offsetof(FILE_ATTRIBUTE_TAG_INFO, ReparseTag)": 4,
	})
}

func TestShares(t *testing.T) {
	for volume, want := range map[string][2]bool{
		`C:`: {}, ``: {}, `\\server\share`: {true, false}, `\\?\UNC\server\share`: {true, false},
		`\\?\unc\server\share`: {true, false}, `\\?\C:`: {false, true}, `\\.\C:`: {false, true},
	} {
		if share, device := onShare(volume); [2]bool{share, device} != want {
			t.Errorf("%s: %v %v", volume, share, device)
		}
	}
}

// synced is a file system entry as Windows shows it in a synchronised folder.
type synced struct {
	fs.FileInfo
	mode fs.FileMode
}

func (s synced) Mode() fs.FileMode { return s.mode }

// TestSynchronisedFolder: a log is taken whether the service has made a placeholder of it or
// not, and not twice; one whose content is elsewhere is let be, told of once for its folder,
// and taken when the content has come.
func TestSynchronisedFolder(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		const cloud = 0x9000301A
		var marks sync.Map // a log's attributes and tag, which the watcher asks for beside us
		marks.Store("far.csv", [2]uint32{0x400 | recallOnAccess, cloud})
		marks.Store("also-far.csv", [2]uint32{recallOnAccess, 0})
		marks.Store("old.csv", [2]uint32{0x400, cloud})
		l := newLab(t, testlab.Folder(t), func(o *Options) {
			o.Rescan = 10 * time.Second
			o.testLook = func(path string) (fs.FileInfo, kind, error) {
				info, err := os.Lstat(path)
				if err != nil {
					return nil, other, err
				}
				is, marked := marks.Load(filepath.Base(path))
				if !marked {
					return info, kindOf(info.Mode(), 0, 0), nil
				}
				m := is.([2]uint32)
				e := synced{info, info.Mode()}
				if m[1] != 0 {
					e.mode |= fs.ModeIrregular
				}
				return e, kindOf(e.mode, m[0], m[1]), nil
			}
		})
		for _, name := range []string{"far.csv", "also-far.csv", "old.csv"} {
			l.put(name, text)
		}
		l.run()
		l.pass(8 * time.Second)
		l.want("old.csv")
		l.put("new.csv", text)
		l.event(l.path("new.csv"), fsnotify.Write)
		l.pass(time.Second)
		marks.Store("new.csv", [2]uint32{0x400, cloud}) // uploaded before it was quiet for long enough
		l.event(l.path("new.csv"), fsnotify.Write)
		l.pass(8 * time.Second)
		l.want("new.csv")
		if n := l.count(ErrAway); n != 1 {
			t.Errorf("told %d times of logs that are not here: %v", n, l.heard())
		}
		if n := l.count(ErrVanished); n != 0 {
			t.Errorf("%d logs are said to have vanished", n)
		}
		marks.Store("far.csv", [2]uint32{0x400, cloud})
		l.pass(20 * time.Second)
		l.want("far.csv")
		l.wantNothing()
	})
}

// TestShortName: an event may carry the short form of a log's name.
func TestShortName(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l := newLab(t, testlab.Folder(t), func(o *Options) {
			o.testLong = func(path string) string {
				if filepath.Base(path) == "LONGNA~1.CSV" {
					return filepath.Join(filepath.Dir(path), "long name of a log.csv")
				}
				return path
			}
			o.testLook = func(path string) (fs.FileInfo, kind, error) {
				if filepath.Base(path) == "LONGNA~1.CSV" {
					return nil, other, errors.New("was asked under its short name")
				}
				return lookAtFile(path)
			}
			o.Rescan = time.Hour
		})
		l.run()
		l.put("long name of a log.csv", text)
		l.event(l.path("LONGNA~1.CSV"), fsnotify.Write)
		l.pass(8 * time.Second)
		l.want("long name of a log.csv")
	})
}
