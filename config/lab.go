package config

import (
	"net/url"
	"strings"
)

// Lab says where the passes of many benches come together.
type Lab struct {
	Address string `toml:"address" comment:"database that new passes are sent to: postgres://USER@HOST/DATABASE?sslmode=verify-full; empty for none (docs/store.md)"`
}

// Hidden is the same without the password, for printing.
func (l Lab) Hidden() Lab {
	u, err := url.Parse(l.Address)
	switch {
	case l.Address == "":
		return l
	case err != nil || Torn(u):
		return Lab{"(hidden)"}
	}
	out := u.Scheme + "://"
	if u.User != nil {
		out += url.PathEscape(u.User.Username())
		if _, secret := u.User.Password(); secret {
			out += ":(hidden)"
		}
		out += "@"
	}
	out += u.Host + u.EscapedPath()
	if mode := u.Query().Get("sslmode"); mode != "" { // other parameters may hold secrets
		out += "?sslmode=" + url.QueryEscape(mode)
	}
	return Lab{out}
}

// Torn reports whether an address was read with part of its password in the place of the
// host or behind it: a password with a /, ? or # that is not written as %2F, %3F or %23 ends
// there, and the @ that follows it stands where none should.
func Torn(u *url.URL) bool {
	return u.Fragment != "" || strings.Contains(u.Host+u.Path+u.RawQuery, "@")
}

// check returns the first setting that makes no sense, by its key.
// Postgres reports whether the address begins as one of PostgreSQL does.
func (l Lab) Postgres() bool {
	return strings.HasPrefix(l.Address, "postgres://") || strings.HasPrefix(l.Address, "postgresql://")
}

func (l Lab) check(w *wrong) {
	// not printed: it may hold a password
	w.where(l.Address != "" && !l.Postgres(), "lab.address", "does not begin with postgres://")
}
