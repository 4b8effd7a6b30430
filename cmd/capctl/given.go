package main

import (
	"net/url"
	"os"

	"github.com/alecthomas/kong"

	"capd.example/config"
	"capd.example/internal/cli"
)

// givenOf gathers what the user gave to say which store, lab and campaign are meant. What
// came from the environment is still there for the next command.
func givenOf(g grammar, k *kong.Context) cli.Given {
	out := cli.Given{{Name: "--config", Value: g.Config}, {Name: "--data", Value: g.Data}}
	if g.Store != os.Getenv("CAPD_STORE") {
		out = append(out, cli.Option{Name: "--store", Value: withoutPassword(g.Store), For: overAllBenches})
	}
	if g.Lab.Address != os.Getenv("CAPD_LAB") {
		out = append(out, cli.Option{Name: "--address", Value: withoutPassword(g.Lab.Address), For: []string{"lab"},
			Own: true})
	}
	file := g.Plan.File
	for _, f := range k.Flags() {
		if f.Name == "campaign" {
			file, _ = k.FlagValue(f).(string)
		}
	}
	return append(out, cli.Option{Name: "--campaign", Value: file,
		For: []string{"begin", "next", "back", "skip", "coverage", "value"}, Own: true},
		cli.Option{Value: file, For: []string{"plan"}, Own: true})
}

// withoutPassword is an address as it may be shown; whoever types it puts the password in.
func withoutPassword(address string) string {
	const instead = "PASSWORD"
	if address == "" {
		return ""
	}
	u, err := url.Parse(address)
	if err != nil || u.Scheme != "postgres" && u.Scheme != "postgresql" || config.Torn(u) {
		return "ADDRESS" // what is no address of this form may hold one anywhere
	}
	changed := false
	if _, has := u.User.Password(); has {
		u.User, changed = url.UserPassword(u.User.Username(), instead), true
	}
	q := u.Query()
	for _, name := range []string{"password", "sslpassword"} {
		if q.Has(name) {
			q.Set(name, instead)
			u.RawQuery, changed = q.Encode(), true
		}
	}
	if !changed {
		return address
	}
	return u.String()
}

// carry puts what the user gave into the commands that a text tells to type.
func (a *app) carry(text string) string { return a.Carry(text) }

// say tells people something; the commands in it carry what the user gave.
func (a *app) say(format string, args ...any) { a.Say(format, args...) }

// nothing says what a command did not find, and what to do, in place of an empty table.
func nothing(a *app, what, do string) { a.Nothing(what, do) }
