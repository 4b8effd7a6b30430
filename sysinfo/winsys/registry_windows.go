package winsys

import (
	"encoding/binary"
	"errors"
	"strings"

	"golang.org/x/sys/windows"
	"golang.org/x/sys/windows/registry"
)

func openKey(key string, access uint32) (registry.Key, error) {
	root, path, _ := strings.Cut(key, `\`)
	base := registry.LOCAL_MACHINE
	if root == "HKCU" {
		base = registry.CURRENT_USER
	}
	return registry.OpenKey(base, path, access)
}

// registryAnswer reads a value or the names of a key's keys; see registry.Reader for how an answer
// is written.
func registryAnswer(q Question, out []byte) (int, Status) {
	key, name, _ := strings.Cut(q.Text, "|")
	access := uint32(registry.QUERY_VALUE)
	if q.Call == RegistryKeys {
		access = registry.ENUMERATE_SUB_KEYS
	}
	k, err := openKey(key, access)
	if err != nil {
		return 0, registryStatus(err)
	}
	defer k.Close()
	if q.Call == RegistryKeys {
		names, err := k.ReadSubKeyNames(-1)
		if err != nil {
			return 0, registryStatus(err)
		}
		return answered(out, []byte(strings.Join(names, "\n")))
	}
	n, kind, err := k.GetValue(name, nil)
	if err != nil {
		return 0, registryStatus(err)
	}
	raw := make([]byte, n)
	if n, kind, err = k.GetValue(name, raw); err != nil {
		return 0, registryStatus(err)
	}
	return answered(out, append(binary.LittleEndian.AppendUint32(nil, kind), raw[:n]...))
}

func registryStatus(err error) Status {
	var code windows.Errno
	if errors.As(err, &code) {
		return Status(code)
	}
	return Failed
}
