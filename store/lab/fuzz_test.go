package lab

import (
	"net/url"
	"strings"
	"testing"
)

// An address is typed by hand: whatever is wrong with it, its password stays out of the
// message, and a connection to another machine is encrypted.
func FuzzAddress(f *testing.F) {
	f.Add("me", "127.0.0.1:5432", "lab", "sslmode=disable")
	f.Add("me", "lab.example", "lab", "sslmode=prefer&target_session_attrs=any")
	f.Add("m e", "a.example:1,b.example:x", "", "sslmode=require&connect_timeout=-1")
	f.Fuzz(func(t *testing.T, user, host, database, query string) {
		if strings.Contains(query, "file") || strings.Contains(query, "sslcert") || strings.Contains(query, "sslkey") || strings.Contains(query, "sslrootcert") || strings.Contains(query, "service") {
			t.Skip("reads files")
		}
		const secret = "Zq7-pass-Xw9"
		for _, address := range []string{
			"postgres://" + url.PathEscape(user) + ":" + secret + "@" + host + "/" + database + "?" + query,
			"user=" + user + " password=" + secret + " host=" + host + " dbname=" + database + " " + query,
		} {
			c, name, err := parse(address)
			if err != nil && strings.Contains(err.Error(), secret) || strings.Contains(name, secret) {
				t.Fatalf("%q: the password is shown: %v, %q", address, err, name)
			}
			if err != nil {
				continue
			}
			if c.TLSConfig == nil && !here(c.Host) {
				t.Fatalf("%q: in the clear to %q", address, c.Host)
			}
		}
	})
}
