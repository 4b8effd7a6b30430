package listing

import (
	"bytes"
	"strings"
	"testing"
	"time"

	"rsc.io/qr"

	"capd.example/control"
	"capd.example/internal/cli"
)

// A camera sees the very code of the address, with the light margin that it needs, in white on
// black where colours may be written.
func TestPictureIsTheCode(t *testing.T) {
	const address = "http://192.0.2.7:8470/pair#ABCDEFGHIJKLMNOP"
	code, err := qr.Encode(address, qr.M)
	if err != nil {
		t.Fatal(err)
	}
	for _, colour := range []bool{false, true} {
		text, columns, err := picture(address, colour)
		if err != nil || columns != code.Size+8 || colour != strings.HasPrefix(text, "\x1b[97;40m") {
			t.Fatalf("%d columns, %v", columns, err)
		}
		text = strings.NewReplacer("\x1b[97;40m", "", "\x1b[0m", "").Replace(text)
		for row, line := range strings.Split(strings.TrimSuffix(text, "\n"), "\n") {
			signs := []rune(line)
			if len(signs) != columns {
				t.Fatalf("line %d has %d signs, not %d", row, len(signs), columns)
			}
			for col, r := range signs {
				x, y := col-4, 2*row-4
				if above, below := r == ' ' || r == '▄', r == ' ' || r == '▀'; above != code.Black(x, y) || below != code.Black(x, y+1) {
					t.Fatalf("line %d, sign %d: %q", row, col, r)
				}
			}
		}
	}
}

func TestInvitation(t *testing.T) {
	now := time.Date(2026, 3, 1, 12, 0, 0, 0, time.UTC)
	i := control.Invitation{Addresses: []string{"http://192.0.2.7:8478", "http://[2001:db8::7]:8478"}, Code: "ABCDEFGHIJKLMNOP", Until: now.Add(5*time.Minute - time.Second)}
	for _, q := range []struct {
		local      bool
		width      int
		picture    bool
		says, hush string
	}{
		{false, 0, true, "within 5 minutes, once", "0.0.0.0"},
		{false, 200, true, "if it does not open: http://[2001:db8::7]:8478/pair#ABCDEFGHIJKLMNOP", "0.0.0.0"},
		{false, 20, false, "this terminal has 20: make it wider", "0.0.0.0"},
		{true, 200, false, `listen = "0.0.0.0:8478"`, "camera"},
	} {
		var out, msg bytes.Buffer
		i.Local = q.local
		if err := Invitation(&cli.Streams{Program: "capctl", Out: &out, Err: &msg}, i, false, q.width, now); err != nil {
			t.Fatal(err)
		}
		first, rest, _ := strings.Cut(out.String(), "\n")
		if first != "http://192.0.2.7:8478/pair#ABCDEFGHIJKLMNOP" || (rest != "") != q.picture || !strings.Contains(msg.String(), q.says) || strings.Contains(msg.String(), q.hush) {
			t.Errorf("%+v: %q, a picture %v, %q", q, first, rest != "", msg.String())
		}
	}
}

// An empty variable of a script is no wish for another invitation.
func TestRevokeNobody(t *testing.T) {
	if err := (Door{Revoke: []string{""}}).Open(t.Context(), &cli.Streams{}, nil); err == nil || !strings.Contains(err.Error(), "--revoke needs the ID") {
		t.Error(err)
	}
}
