// Package pairing says who may see the page from other machines and give orders through it:
// devices that showed a one-time code of this bench, and programs with a token of their own.
//
// A code lives in memory, for minutes and for one device. A device is kept in a file, by the
// hash of its token alone, so that whoever reads the file can be nobody.
package pairing

import (
	"cmp"
	"crypto/rand"
	"crypto/sha256"
	"crypto/subtle"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"net/netip"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"time"

	"capd.example/control"
	"capd.example/internal/text"
)

// What a device can be refused for. Compare with errors.Is.
var (
	ErrCode     = errors.New("this code is not valid: it was used, is older than five minutes, or was mistyped")
	ErrGuessing = errors.New("too many wrong codes came from this address: wait five minutes")
	ErrFull     = errors.New("too many devices are paired: take some back with 'capctl page --revoke ID'")
	ErrUnknown  = errors.New("there is no such device")
)

// By convention; none of them is worth a setting. That guessing leads nowhere is owed to the
// length of a code: 80 bits. Tries are counted to keep whoever guesses from costing anything.
const (
	codeLife    = 5 * time.Minute
	codeSigns   = 16 // of 5 bits
	mostTries   = 5  // wrong codes from one address within codeLife
	mostSources = 1024
	mostDevices = 64
	mostName    = 60 // signs
	// unused is after what time without a visit a device is forgotten: a phone that was sold.
	unused = 90 * 24 * time.Hour
	// seenEvery is how often a visit is noted, since each note writes a file.
	seenEvery = 24 * time.Hour
)

// Keeper holds the devices of one data folder. Its methods may be called from several
// goroutines.
type Keeper struct {
	file string
	now  func() time.Time

	mu      sync.Mutex
	devices []device
	revoked []string // identities that the file may still hold
	code    string   // "" for none
	named   string   // what the device with this code is called
	until   time.Time
	wrong   map[string]tries // by source
}

// device is one as it is kept.
type device struct {
	control.Device
	Hash string `json:"sha256"` // of its token
}

type tries struct {
	n     int
	until time.Time
}

// File is where the devices of a data folder are kept.
func File(dataDir string) string { return filepath.Join(dataDir, "page-devices.json") }

// Open reads the devices of a data folder. A file that cannot be understood is an error that
// names it: nobody may be let in by guess.
func Open(dataDir string) (*Keeper, error) {
	k := &Keeper{file: File(dataDir), now: time.Now, wrong: map[string]tries{}}
	b, err := os.ReadFile(k.file)
	if errors.Is(err, fs.ErrNotExist) {
		return k, nil
	}
	if err == nil {
		err = json.Unmarshal(b, &k.devices)
	}
	if err != nil {
		return nil, fmt.Errorf("the paired devices in %s: %w; without that file every device is to be paired anew", k.file, err)
	}
	return k, nil
}

// Invite makes a code for one device, which is called name from then on. The code before it
// is void.
func (k *Keeper) Invite(name string) (code string, until time.Time) {
	k.mu.Lock()
	defer k.mu.Unlock()
	k.code, k.named, k.until = rand.Text()[:codeSigns], called(name, "device"), k.now().Add(codeLife)
	return k.code, k.until
}

// called makes a name fit to be listed.
func called(name, otherwise string) string {
	name = strings.TrimSpace(text.Line(name))
	if r := []rune(name); len(r) > mostName {
		name = string(r[:mostName])
	}
	return cmp.Or(name, otherwise)
}

// plain is a code without what people put between and around its signs.
func plain(code string) string {
	return strings.Map(func(r rune) rune {
		switch {
		case r >= 'a' && r <= 'z':
			return r - 'a' + 'A'
		case r >= 'A' && r <= 'Z' || r >= '0' && r <= '9':
			return r
		}
		return -1
	}, code)
}

// Guessed reports whether so many wrong codes came from a source that no more are looked at.
func (k *Keeper) Guessed(source string) bool {
	k.mu.Lock()
	defer k.mu.Unlock()
	t, known := k.wrong[network(source)]
	return known && t.n >= mostTries && k.now().Before(t.until)
}

// Redeem takes a code from a source, an address, and returns the token of the new device.
// Errors are [ErrCode], [ErrGuessing], [ErrFull], or that the device could not be kept, with
// which the code stays valid.
func (k *Keeper) Redeem(code, source string) (token string, err error) {
	if k.Guessed(source) {
		return "", ErrGuessing
	}
	k.mu.Lock()
	defer k.mu.Unlock()
	now := k.now()
	given, want := sha256.Sum256([]byte(plain(code))), sha256.Sum256([]byte(k.code))
	if k.code == "" || !now.Before(k.until) || subtle.ConstantTimeCompare(given[:], want[:]) != 1 {
		k.miss(source, now)
		return "", ErrCode
	}
	token, err = k.add(control.Device{Name: k.named, From: source, Since: now.UTC(), Seen: now.UTC()})
	if err == nil {
		k.code = ""
	}
	return token, err
}

// Missed counts a try that came to nothing as a wrong code.
func (k *Keeper) Missed(source string) {
	k.mu.Lock()
	defer k.mu.Unlock()
	k.miss(source, k.now())
}

// network is what counts as one source: of IPv6 a machine has as many addresses as it likes.
func network(source string) string {
	a, err := netip.ParseAddr(source)
	if err != nil || a.Is4() {
		return source
	}
	p, err := a.Prefix(64)
	if err != nil {
		return source
	}
	return p.String()
}

func (k *Keeper) miss(source string, now time.Time) {
	source = network(source)
	for s, t := range k.wrong {
		if !now.Before(t.until) {
			delete(k.wrong, s)
		}
	}
	if len(k.wrong) >= mostSources { // one who has so many addresses gains nothing but tries
		clear(k.wrong)
	}
	t := k.wrong[source]
	if t.n++; t.n == 1 {
		t.until = now.Add(codeLife)
	}
	k.wrong[source] = t
}

// Program makes a token with which a program may read the figures for a lab's monitoring,
// and nothing else.
func (k *Keeper) Program(name string) (token string, err error) {
	k.mu.Lock()
	defer k.mu.Unlock()
	now := k.now().UTC()
	return k.add(control.Device{Name: called(name, "monitoring"), Program: true, Since: now, Seen: now})
}

// add keeps a new device.
func (k *Keeper) add(d control.Device) (token string, err error) {
	k.forget()
	if len(k.devices) >= mostDevices {
		return "", ErrFull
	}
	for d.ID == "" || k.at(d.ID) >= 0 {
		d.ID = strings.ToLower(rand.Text()[:6])
	}
	token = rand.Text() + rand.Text() // 256 bits and some
	err = k.keep(append(slices.Clone(k.devices), device{d, hashed(token)}))
	if err != nil {
		return "", err
	}
	return token, nil
}

func hashed(token string) string {
	sum := sha256.Sum256([]byte(token))
	return hex.EncodeToString(sum[:])
}

// forget drops devices that nobody has used for long. Programs stay: they are asked for by name.
func (k *Keeper) forget() {
	now := k.now()
	k.devices = slices.DeleteFunc(slices.Clone(k.devices), func(d device) bool {
		return !d.Program && now.Sub(d.Seen) > unused
	})
}

func (k *Keeper) at(id string) int {
	return slices.IndexFunc(k.devices, func(d device) bool { return d.ID == id })
}

// keep writes the devices, whole or not at all, and lets them hold from then on.
func (k *Keeper) keep(list []device) error {
	b, err := json.MarshalIndent(list, "", " ")
	if err != nil {
		return fmt.Errorf("keep the paired devices: %w", err)
	}
	f, err := os.CreateTemp(filepath.Dir(k.file), ".page-devices-*") // which only its user can read
	if err != nil {
		return fmt.Errorf("keep the paired devices: %w", err)
	}
	defer os.Remove(f.Name())
	_, err = f.Write(append(b, '\n'))
	if err == nil {
		err = f.Sync()
	}
	if err = errors.Join(err, f.Close()); err == nil {
		err = os.Rename(f.Name(), k.file)
	}
	if err != nil {
		return fmt.Errorf("keep the paired devices: %w", err)
	}
	if d, err := os.Open(filepath.Dir(k.file)); err == nil { // what was renamed lasts, where the system can do so
		d.Sync()
		d.Close()
	}
	k.devices, k.revoked = list, nil
	return nil
}

// Known returns the device that a token is of. That it came is noted, now and then.
func (k *Keeper) Known(token string) (control.Device, bool) {
	if token == "" || len(token) > 100 {
		return control.Device{}, false
	}
	is := []byte(hashed(token))
	k.mu.Lock()
	defer k.mu.Unlock()
	now := k.now().UTC()
	for i, d := range k.devices {
		if subtle.ConstantTimeCompare([]byte(d.Hash), is) != 1 || !d.Program && now.Sub(d.Seen) > unused {
			continue
		}
		if now.Sub(d.Seen) > seenEvery {
			list := slices.Clone(k.devices)
			list[i].Seen = now
			_ = k.keep(list) // it is noted the next time
		}
		return d.Device, true
	}
	return control.Device{}, false
}

// Valid reports whether a device may still do what it did.
func (k *Keeper) Valid(id string) bool {
	k.mu.Lock()
	defer k.mu.Unlock()
	return k.at(id) >= 0
}

// Devices lists who may.
func (k *Keeper) Devices() []control.Device {
	k.mu.Lock()
	defer k.mu.Unlock()
	k.forget()
	out := make([]control.Device, len(k.devices))
	for i, d := range k.devices {
		out[i] = d.Device
	}
	return out
}

// Revoke takes a device's right back, at once, also where the file cannot be written: then the
// error says so, and may be asked for again. [ErrUnknown] where there is none of this identity.
func (k *Keeper) Revoke(id string) error {
	k.mu.Lock()
	defer k.mu.Unlock()
	id = strings.ToLower(id)
	i := k.at(id)
	switch {
	case i >= 0:
		k.devices = slices.Delete(slices.Clone(k.devices), i, i+1)
		k.revoked = append(k.revoked, id)
	case !slices.Contains(k.revoked, id):
		return fmt.Errorf("%w: %q; 'capctl page --devices' lists them", ErrUnknown, id)
	}
	if err := k.keep(k.devices); err != nil {
		return fmt.Errorf("%s is shut out, but only until the agent ends: %w; mend that and type 'capctl page --revoke %s' once more",
			id, err, id)
	}
	return nil
}
