package recording

import "testing"

func TestWithoutFolders(t *testing.T) {
	for _, c := range []struct{ text, want string }{
		{"mkdir /home/mo lind/tmp/capd-control1: no such file", "mkdir (a folder): no such file"},
		{`control socket C:\Users\mo\AppData\agent.pipe: refused`, "control socket (a folder): refused"},
		{`open "C:\\Users\\mo\\AppData\\x": refused`, `open "(a folder)": refused`},
		{"refused / by the machine", "refused / by the machine"},
	} {
		if got := WithoutFolders(c.text, "/home/mo lind", `C:\Users\mo`, "/", ""); got != c.want {
			t.Errorf("%q becomes %q, want %q", c.text, got, c.want)
		}
	}
}
