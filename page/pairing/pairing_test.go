package pairing

import (
	"errors"
	"fmt"
	"io/fs"
	"net"
	"net/netip"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"capd.example/control"
)

// open returns a keeper whose clock stands still until it is turned on.
func open(t *testing.T, dir string) (*Keeper, func(time.Duration)) {
	t.Helper()
	k, err := Open(dir)
	if err != nil {
		t.Fatal(err)
	}
	at := time.Date(2026, 3, 1, 12, 0, 0, 0, time.UTC)
	k.now = func() time.Time { return at }
	return k, func(d time.Duration) { at = at.Add(d) }
}

// pair pairs a device and returns its token.
func pair(t *testing.T, k *Keeper, name string) string {
	t.Helper()
	code, _ := k.Invite(name)
	token, err := k.Redeem(code, "192.0.2.9")
	if err != nil {
		t.Fatal(err)
	}
	return token
}

// A code lets one device in, once and for minutes, however it is typed; the device is known
// after a start of the agent too, until it is taken back.
func TestPairing(t *testing.T) {
	dir := t.TempDir()
	k, on := open(t, dir)
	if _, err := k.Redeem("", "192.0.2.9"); !errors.Is(err, ErrCode) {
		t.Errorf("nothing opens what nobody offered: %v", err)
	}
	code, until := k.Invite("phone\n\u202e<b>")
	if len(code) != codeSigns || !until.Equal(k.now().Add(codeLife)) {
		t.Fatalf("%q until %v", code, until)
	}
	typed := strings.ToLower(code[:4]) + "-" + code[4:8] + " " + code[8:]
	token, err := k.Redeem(typed, "192.0.2.9")
	if err != nil {
		t.Fatal(err)
	}
	if _, err := k.Redeem(code, "192.0.2.9"); !errors.Is(err, ErrCode) {
		t.Errorf("the same code again: %v", err)
	}
	code, _ = k.Invite("")
	on(codeLife)
	if _, err := k.Redeem(code, "192.0.2.9"); !errors.Is(err, ErrCode) {
		t.Errorf("an old code: %v", err)
	}
	first, _ := k.Invite("")
	k.Invite("")
	if _, err := k.Redeem(first, "192.0.2.9"); !errors.Is(err, ErrCode) {
		t.Errorf("the code before the latest: %v", err)
	}
	again, _ := open(t, dir)
	d, known := again.Known(token)
	if !known || d.From != "192.0.2.9" || d.Program || strings.ContainsAny(d.Name, "\n\u202e") {
		t.Errorf("%+v, known %v", d, known)
	}
	for _, wrong := range []string{"", token[1:], token + "A", strings.ToLower(token), strings.Repeat("A", 1<<20), hashed(token)} {
		if _, known := again.Known(wrong); known {
			t.Errorf("%.80q is let in", wrong)
		}
	}
	if err := again.Revoke(strings.ToUpper(d.ID)); err != nil {
		t.Error(err)
	}
	if _, known := again.Known(token); known || again.Valid(d.ID) {
		t.Error("it was taken back and is let in")
	}
	if err := again.Revoke(d.ID); !errors.Is(err, ErrUnknown) {
		t.Error(err)
	}
	last, _ := open(t, dir)
	if _, known := last.Known(token); known {
		t.Error("a new start lets it in again")
	}
}

// Whoever reads the file can be nobody, and another user cannot read it.
func TestOnlyHashesAreKept(t *testing.T) {
	dir := t.TempDir()
	k, _ := open(t, dir)
	code, _ := k.Invite("phone")
	token, err := k.Redeem(code, "192.0.2.9")
	if err != nil {
		t.Fatal(err)
	}
	b, err := os.ReadFile(File(dir))
	if err != nil || !strings.Contains(string(b), hashed(token)) || strings.Contains(string(b), token) || strings.Contains(string(b), code) {
		t.Errorf("%v: %s", err, b)
	}
	if info, err := os.Stat(File(dir)); err != nil || runtime.GOOS != "windows" && info.Mode().Perm() != 0o600 {
		t.Errorf("%v, %v", info.Mode(), err)
	}
	if left, _ := filepath.Glob(filepath.Join(dir, ".page-devices-*")); len(left) > 0 {
		t.Errorf("left lying about: %q", left)
	}
}

// Who guesses is not looked at for a while, and keeps nobody else out. Of IPv6 a whole network
// is one guesser.
func TestGuessing(t *testing.T) {
	k, on := open(t, t.TempDir())
	code, _ := k.Invite("phone")
	for i := range mostTries {
		if _, err := k.Redeem(fmt.Sprint("WRONG", i), fmt.Sprintf("2001:db8::%d", i)); !errors.Is(err, ErrCode) {
			t.Errorf("try %d: %v", i, err)
		}
	}
	if _, err := k.Redeem(code, "2001:db8::ffff"); !errors.Is(err, ErrGuessing) || !k.Guessed("2001:db8::1") {
		t.Errorf("the right code after too many wrong ones: %v", err)
	}
	if _, err := k.Redeem(code, "2001:db8:0:1::1"); err != nil {
		t.Errorf("another network: %v", err)
	}
	on(codeLife)
	code, _ = k.Invite("phone")
	if _, err := k.Redeem(code, "2001:db8::ffff"); err != nil {
		t.Errorf("after the while: %v", err)
	}
	for i := range 3 * mostSources { // whose number costs no more memory
		k.Missed(fmt.Sprintf("10.%d.%d.1", i/256, i%256))
	}
	if len(k.wrong) > mostSources {
		t.Errorf("%d guessers are remembered", len(k.wrong))
	}
}

// Devices have an end: of number, and of a life without use; what is used lives on.
func TestDevicesEnd(t *testing.T) {
	dir := t.TempDir()
	k, on := open(t, dir)
	used, sold := pair(t, k, "phone"), pair(t, k, "old phone")
	program, err := k.Program("lab")
	if err != nil {
		t.Fatal(err)
	}
	for range 4 {
		on(30 * 24 * time.Hour)
		if _, known := k.Known(used); !known {
			t.Fatal("a device in use is forgotten")
		}
	}
	if _, known := k.Known(sold); known {
		t.Error("a device that nobody used for 120 days is let in")
	}
	if d, known := k.Known(program); !known || !d.Program {
		t.Error("a program is forgotten")
	}
	again, _ := open(t, dir)
	again.now = k.now
	if _, known := again.Known(used); !known {
		t.Error("that it is used was not kept")
	}
	for len(k.Devices()) < mostDevices {
		pair(t, k, "more")
	}
	code, _ := k.Invite("one more")
	if _, err := k.Redeem(code, "192.0.2.9"); !errors.Is(err, ErrFull) {
		t.Error(err)
	}
	names := map[string]bool{}
	for _, d := range k.Devices() {
		names[d.ID] = true
	}
	if len(names) != mostDevices {
		t.Errorf("%d identities for %d devices", len(names), mostDevices)
	}
}

// A file that is no list of devices lets nobody in, and says which file it is.
func TestDamagedFile(t *testing.T) {
	dir := t.TempDir()
	if err := os.WriteFile(File(dir), []byte(`[{"id":"a"`), 0o600); err != nil {
		t.Fatal(err)
	}
	if _, err := Open(dir); err == nil || !strings.Contains(err.Error(), File(dir)) {
		t.Error(err)
	}
}

// A device that cannot be kept is not let in, and its code can be used once that is mended.
func TestFolderIsGone(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "data")
	k, _ := open(t, dir)
	code, _ := k.Invite("phone")
	if _, err := k.Redeem(code, "192.0.2.9"); err == nil || len(k.Devices()) != 0 {
		t.Errorf("%v, %d devices", err, len(k.Devices()))
	}
	if err := os.Mkdir(dir, 0o700); err != nil {
		t.Fatal(err)
	}
	if _, err := k.Redeem(code, "192.0.2.9"); err != nil {
		t.Error(err)
	}
}

// A device that is taken back is shut out at once where that cannot be written, too. That is said, and
// can be made up for.
func TestRevokedThoughTheFolderIsGone(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "data")
	if err := os.Mkdir(dir, 0o700); err != nil {
		t.Fatal(err)
	}
	k, _ := open(t, dir)
	lost, other := pair(t, k, "lost"), pair(t, k, "phone")
	d, _ := k.Known(lost)
	aside := dir + "-aside"
	if err := os.Rename(dir, aside); err != nil {
		t.Fatal(err)
	}
	for range 2 {
		if err := k.Revoke(strings.ToUpper(d.ID)); !errors.Is(err, fs.ErrNotExist) || !strings.Contains(err.Error(), "capctl page --revoke "+d.ID) {
			t.Errorf("%v", err)
		}
		if _, known := k.Known(lost); known || k.Valid(d.ID) {
			t.Error("it is still let in")
		}
	}
	if _, known := k.Known(other); !known {
		t.Error("another device is shut out")
	}
	if err := os.Rename(aside, dir); err != nil {
		t.Fatal(err)
	}
	if err := k.Revoke(d.ID); err != nil {
		t.Error(err)
	}
	again, _ := open(t, dir)
	if _, known := again.Known(lost); known {
		t.Error("it is let in after a start")
	}
	if _, known := again.Known(other); !known {
		t.Error("another device is shut out after a start")
	}
	if err := k.Revoke(d.ID); !errors.Is(err, ErrUnknown) {
		t.Error(err)
	}
}

// Of many who show one code at once, one is let in.
func TestOneOfMany(t *testing.T) {
	k, _ := open(t, t.TempDir())
	code, _ := k.Invite("phone")
	var all sync.WaitGroup
	var mu sync.Mutex
	in := 0
	for i := range 20 {
		all.Go(func() {
			if _, err := k.Redeem(code, fmt.Sprintf("192.0.2.%d", i)); err == nil {
				mu.Lock()
				defer mu.Unlock()
				in++
			}
		})
	}
	all.Wait()
	if in != 1 || len(k.Devices()) != 1 {
		t.Errorf("%d were let in", in)
	}
}

// The address that traffic leaves by comes first, and what others cannot reach not at all.
func TestAddresses(t *testing.T) {
	own := func(list ...string) (out []net.Addr) {
		for _, s := range list {
			ip, n, err := net.ParseCIDR(s)
			if err != nil {
				t.Fatal(err)
			}
			out = append(out, &net.IPNet{IP: ip, Mask: n.Mask})
		}
		return out
	}
	got := reachable(own("127.0.0.1/8", "::1/128", "fe80::1/64", "172.17.0.1/16", "2001:db8::7/64", "192.0.2.7/24"), netip.MustParseAddr("192.0.2.7"))
	if !slices.Equal(got, []netip.Addr{netip.MustParseAddr("192.0.2.7"), netip.MustParseAddr("172.17.0.1"), netip.MustParseAddr("2001:db8::7")}) {
		t.Error(got)
	}
	for listen, want := range map[string]string{"127.0.0.1:8470": "http://127.0.0.1:8470", "[::1]:8470": "http://[::1]:8470", "192.0.2.7:80": "http://192.0.2.7:80"} {
		list, local := Addresses(listen)
		if len(list) != 1 || list[0] != want || local != !strings.HasPrefix(listen, "192") {
			t.Errorf("%s: %q, local %v", listen, list, local)
		}
	}
	if list, _ := Addresses("0.0.0.0:8470"); len(list) == 0 {
		t.Error("nowhere to open it")
	}
	i := control.Invitation{Addresses: []string{"http://192.0.2.7:8470"}, Code: "ABC"}
	if i.Open() != "http://192.0.2.7:8470/pair#ABC" {
		t.Error(i.Open())
	}
}
