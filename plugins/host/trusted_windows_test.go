package host

import (
	"strings"
	"testing"

	"capd.example/internal/testlab"
	"golang.org/x/sys/windows"
)

// TestAccessLists: who may change a validator, by access lists as Windows writes them (SDDL).
func TestAccessLists(t *testing.T) {
	const me = "S-1-5-21-1-2-3-1001"
	for _, c := range []struct {
		what, list string
		bad        bool
	}{
		{"the user alone", "O:" + me + "D:P(A;;FA;;;" + me + ")(A;;FA;;;SY)(A;;FA;;;BA)", false},
		{"others may read", "O:" + me + "D:P(A;;FA;;;" + me + ")(A;;0x1200a9;;;BU)", false},
		{"Users may write", "O:" + me + "D:P(A;;FA;;;" + me + ")(A;;0x2;;;BU)", true},
		{"a drive of data", "O:BAD:(A;OICIID;0x1301bf;;;AU)", true},
		{"whoever sits at it", "O:" + me + "D:P(A;;FA;;;" + me + ")(A;;GW;;;IU)", true},
		{"what lies in it may be deleted", "O:" + me + "D:P(A;;0x40;;;WD)", true},
		{"only what is made in it later", "O:" + me + "D:P(A;OICIIO;FA;;;WD)(A;;FA;;;" + me + ")", false},
		{"everybody owns it", "O:WDD:P(A;;FA;;;" + me + ")", true},
		{"a denial", "O:" + me + "D:P(D;;FA;;;WD)(A;;FA;;;" + me + ")", false},
		{"no list", "O:" + me, true},
	} {
		sd, err := windows.SecurityDescriptorFromString(c.list)
		if err != nil {
			t.Errorf("%s: %v", c.what, err)
			continue
		}
		if err := trustedList("x", sd); (err != nil) != c.bad {
			t.Errorf("%s (%s): %v", c.what, c.list, err)
		}
	}
}

// TestPrivateFolder: the sockets' folder lets in nobody but its user and the system, which the
// standard library sees to for a folder of mode 0700.
func TestPrivateFolder(t *testing.T) {
	dir, err := privateDir(testlab.Folder(t))
	if err != nil {
		t.Fatal(err)
	}
	sd, err := windows.GetNamedSecurityInfo(dir, windows.SE_FILE_OBJECT, windows.DACL_SECURITY_INFORMATION)
	if err != nil {
		t.Fatal(err)
	}
	list := sd.String()
	user, err := windows.GetCurrentProcessToken().GetTokenUser()
	if err != nil {
		t.Fatal(err)
	}
	// Wine makes lists of modes and adds that all may read; nobody else may write.
	for _, who := range []string{user.User.Sid.String(), "SY"} {
		if !strings.Contains(list, "(A;OICI;FA;;;"+who+")") {
			t.Errorf("its access list %s is not ours", list)
		}
	}
	if err := trusted(dir); err != nil {
		t.Error(err)
	}
}

// TestPinnedName: Windows knows one file by names that differ in case.
func TestPinnedName(t *testing.T) {
	if pin, ok := pinOf(map[string]string{"Evenness.EXE": "abc"}, "evenness.exe"); !ok || pin != "abc" {
		t.Errorf("%q, %v", pin, ok)
	}
}
