package notify

import (
	"net/url"
	"strings"
	"testing"
)

// The address of a web hook and of a service holds tokens; no message shows them.
func FuzzHookAddress(f *testing.F) {
	f.Add("https://", "hooks.example", "/a/", "?x=1", "whsec_AAAA")
	f.Add("generic://", "host", "/", "", "secret")
	f.Add("http:", "//[::1", ":99999/", "#", "whsec_%")
	f.Fuzz(func(t *testing.T, scheme, host, path, rest, secret string) {
		const token = "Zq7-token-Xw9"
		address := scheme + host + path + token + rest
		u, err := url.Parse(address)
		if strings.Contains(scheme+host, "\\") || !strings.Contains(path, "/") || err == nil && strings.Contains(u.Host, token) {
			return // the token would be part of the host
		}
		if shown := Shown(address); strings.Contains(shown, token) && !strings.Contains(host+path[:strings.Index(path, "/")], "@") {
			t.Errorf("%q is shown as %q", address, shown)
		}
		if _, err := NewHook(address, secret); err != nil && len(secret) > 7 && strings.Contains(err.Error(), secret) {
			t.Errorf("%v shows the secret", err)
		}
	})
}
