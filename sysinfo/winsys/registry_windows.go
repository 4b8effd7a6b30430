package winsys

import (
	"encoding/binary"
	"errors"
	"io/fs"
	"strings"

	"capd.example/record"
	"golang.org/x/sys/windows"
	"golang.org/x/sys/windows/registry"
)

// Registry is this machine's registry, for reading.
type Registry struct{}

func openKey(key string, access uint32) (registry.Key, error) {
	root, path, _ := strings.Cut(key, `\`)
	base := registry.LOCAL_MACHINE
	if root == "HKCU" {
		base = registry.CURRENT_USER
	}
	return registry.OpenKey(base, path, access)
}

func registryReason(err error) record.Unknown {
	switch {
	case err == nil:
		return ""
	case errors.Is(err, fs.ErrNotExist), errors.Is(err, registry.ErrNotExist):
		return record.Absent
	case errors.Is(err, windows.ERROR_ACCESS_DENIED):
		return record.Refused
	}
	return record.Broken
}

// Text reads a string, also one that was written as binary UTF-16.
func (Registry) Text(key, name string) (string, record.Unknown) {
	k, err := openKey(key, registry.QUERY_VALUE)
	if err != nil {
		return "", registryReason(err)
	}
	defer k.Close()
	s, _, err := k.GetStringValue(name)
	if errors.Is(err, registry.ErrUnexpectedType) {
		if raw, _, binErr := k.GetBinaryValue(name); binErr == nil {
			return UTF16Text(raw), ""
		}
		if list, _, listErr := k.GetStringsValue(name); listErr == nil {
			return strings.Join(list, " "), ""
		}
	}
	return s, registryReason(err)
}

// Number reads a number, also one that was written as up to eight bytes.
func (Registry) Number(key, name string) (uint64, record.Unknown) {
	k, err := openKey(key, registry.QUERY_VALUE)
	if err != nil {
		return 0, registryReason(err)
	}
	defer k.Close()
	n, _, err := k.GetIntegerValue(name)
	if errors.Is(err, registry.ErrUnexpectedType) {
		if raw, _, binErr := k.GetBinaryValue(name); binErr == nil && len(raw) <= 8 {
			var b [8]byte
			copy(b[:], raw)
			return binary.LittleEndian.Uint64(b[:]), ""
		}
	}
	return n, registryReason(err)
}

func (Registry) Keys(key string) []string {
	k, err := openKey(key, registry.ENUMERATE_SUB_KEYS)
	if err != nil {
		return nil
	}
	defer k.Close()
	names, _ := k.ReadSubKeyNames(-1)
	return names
}
