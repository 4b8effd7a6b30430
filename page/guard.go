package page

import (
	"context"
	"fmt"
	"net"
	"net/http"
	"net/netip"
	"strings"

	"capd.example/control"
	"capd.example/internal/text"
)

// guarded answers only what a browser that was sent here by its user asks.
func (s *Server) guarded(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		h := w.Header()
		h.Set("Content-Security-Policy", policy)
		h.Set("X-Content-Type-Options", "nosniff")
		h.Set("X-Frame-Options", "DENY")
		h.Set("Referrer-Policy", "same-origin")
		h.Set("Cross-Origin-Opener-Policy", "same-origin")
		h.Set("Cross-Origin-Resource-Policy", "same-origin")
		h.Set("Cache-Control", "no-store")
		if !s.known(r.Host) {
			refuse(w, http.StatusForbidden, s.unknown(r))
			return
		}
		if why := foreign(r); why != "" {
			refuse(w, http.StatusForbidden, why)
			return
		}
		c := s.callerOf(r)
		if !c.may(r) {
			if r.URL.Path == "/" {
				http.Redirect(w, r, "/pair", http.StatusSeeOther)
				return
			}
			refuse(w, http.StatusForbidden, unpaired)
			return
		}
		next.ServeHTTP(w, r.WithContext(context.WithValue(r.Context(), callerKey{}, c)))
	})
}

const unpaired = "Only paired devices may do this. Type 'capctl page' on the bench and open the address that it shows."

// caller is who asks.
type caller struct {
	here   bool           // a program of this machine
	paired bool           // a device that was paired
	device control.Device // that, or a program that reads the figures
}

type callerKey struct{}

// callerIn is who asks, as [Server.guarded] found.
func callerIn(r *http.Request) caller {
	c, _ := r.Context().Value(callerKey{}).(caller)
	return c
}

// callerOf tells who asks. A proxy on this machine asks for others: by the header that it adds,
// or by a name that is not of this machine alone.
func (s *Server) callerOf(r *http.Request) (c caller) {
	at, err := netip.ParseAddrPort(r.RemoteAddr)
	c.here = err == nil && at.Addr().Unmap().IsLoopback() && ofThisMachine(r.Host)
	for _, h := range []string{"Forwarded", "X-Forwarded-For", "X-Real-Ip", "Via"} {
		c.here = c.here && r.Header.Get(h) == ""
	}
	if s.o.Pairing == nil {
		return c
	}
	if token, is := strings.CutPrefix(r.Header.Get("Authorization"), "Bearer "); is {
		if d, known := s.o.Pairing.Known(token); known && d.Program {
			c.device = d
		}
	} else if cookie, err := r.Cookie(s.cookie()); err == nil {
		if d, known := s.o.Pairing.Known(cookie.Value); known && !d.Program {
			c.device, c.paired = d, true
		}
	}
	return c
}

// may reports whether it is answered. Who is on this machine can read what the page shows in
// the store, too.
func (c caller) may(r *http.Request) bool {
	switch {
	case r.URL.Path == "/pair" || c.paired:
		return true
	case r.Method != http.MethodGet && r.Method != http.MethodHead:
		return r.URL.Path != "/order"
	case r.URL.Path == "/metrics" && c.device.Program:
		return true
	}
	return c.here
}

// cookie is the name of the one that holds a device's token. Browsers keep those of all ports
// of a machine together, where several agents may answer.
func (s *Server) cookie() string {
	_, port, _ := net.SplitHostPort(s.o.Listen)
	if s.listener != nil {
		_, port, _ = net.SplitHostPort(s.listener.Addr().String())
	}
	return "capd-page-" + port
}

// nameOf is a host without its port.
func nameOf(host string) string {
	if h, _, err := net.SplitHostPort(host); err == nil {
		host = h
	}
	return strings.Trim(host, "[]")
}

// ofThisMachine reports whether a host is a name that leads to no other machine.
func ofThisMachine(host string) bool {
	name := nameOf(host)
	if a, err := netip.ParseAddr(name); err == nil {
		return a.Unmap().IsLoopback()
	}
	return strings.EqualFold(strings.TrimSuffix(name, "."), "localhost")
}

// known reports whether a request was meant for this machine. A name that somebody else
// controls can lead here, too (DNS rebinding); an address cannot.
func (s *Server) known(host string) bool {
	name := nameOf(host)
	if _, err := netip.ParseAddr(name); err == nil {
		return true
	}
	for _, n := range append([]string{"localhost"}, s.o.Names...) {
		if strings.EqualFold(strings.TrimSuffix(name, "."), strings.TrimSuffix(n, ".")) {
			return true
		}
	}
	return false
}

// unknown says what to do about a name. Where the configuration lies it does not say: the page
// of a stranger that came by the name of this machine can read it.
func (s *Server) unknown(r *http.Request) string {
	name := nameOf(r.Host)
	if len(name) > 253 || strings.ContainsFunc(name, func(r rune) bool { return !nameRune(r) }) || name == "" {
		return "This page is not shown under the name that your browser asked for. " +
			"Open it by its address, such as http://127.0.0.1:8470/."
	}
	var list []string
	for _, n := range append(append([]string{}, s.o.Names...), name) {
		list = append(list, fmt.Sprintf("%q", n))
	}
	return fmt.Sprintf("This page is not shown under the name %s, which another machine may have sent here. "+
		"Open it by its address, or, if %s is a name of this machine, put this line under [page] into the configuration ('capd check' says where it is) and start the agent again:\n\n"+
		"names = [%s]\n", name, name, strings.Join(list, ", "))
}

func nameRune(r rune) bool {
	return r >= 'a' && r <= 'z' || r >= 'A' && r <= 'Z' || r >= '0' && r <= '9' || r == '-' || r == '.'
}

// foreign says why a request that another page makes is refused, "" where none does. Links
// from elsewhere may lead here; nothing else may.
func foreign(r *http.Request) string {
	if o := r.Header.Get("Origin"); o != "" && o != "http://"+r.Host && o != "https://"+r.Host {
		return "Another page asked for this. Open the page itself."
	}
	reads := r.Method == http.MethodGet || r.Method == http.MethodHead
	if !reads && r.Header.Get("Origin") == "" {
		return "Nobody says which page asks for this: it needs the header Origin. Open the page itself."
	}
	switch r.Header.Get("Sec-Fetch-Site") {
	case "", "same-origin", "none":
		return ""
	}
	if reads && r.Header.Get("Sec-Fetch-Mode") == "navigate" && r.Header.Get("Sec-Fetch-Dest") == "document" {
		return ""
	}
	return "Another page asked for this. Open the page itself."
}

// refuse says why there is no answer.
func refuse(w http.ResponseWriter, status int, why string) { plainly(w, status, why) }

// plainly answers in plain words, none of them as HTML.
func plainly(w http.ResponseWriter, status int, why string) {
	w.Header().Set("Content-Type", "text/plain; charset=utf-8")
	w.WriteHeader(status)
	fmt.Fprintln(w, text.Lines(why))
}
