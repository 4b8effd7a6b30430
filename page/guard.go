package page

import (
	"fmt"
	"net"
	"net/http"
	"net/netip"
	"strings"

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
			refuse(w, http.StatusForbidden, s.unknown(r.Host))
			return
		}
		if why := foreign(r); why != "" {
			refuse(w, http.StatusForbidden, why)
			return
		}
		next.ServeHTTP(w, r)
	})
}

// known reports whether a request was meant for this machine. A name that somebody else
// controls can lead here, too (DNS rebinding); an address cannot.
func (s *Server) known(host string) bool {
	name := host
	if h, _, err := net.SplitHostPort(host); err == nil {
		name = h
	}
	name = strings.Trim(name, "[]")
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

// unknown says what to do about a name.
func (s *Server) unknown(host string) string {
	name := host
	if h, _, err := net.SplitHostPort(host); err == nil {
		name = h
	}
	file := s.o.From
	if file == "" {
		file = "the configuration file ('capd check' says where it belongs)"
	}
	if len(name) > 253 || strings.ContainsFunc(name, func(r rune) bool { return !nameRune(r) }) || name == "" {
		return "This page is not shown under the name that your browser asked for. " +
			"Open it by its address, such as http://127.0.0.1:8470/."
	}
	var list []string
	for _, n := range append(append([]string{}, s.o.Names...), name) {
		list = append(list, fmt.Sprintf("%q", n))
	}
	return fmt.Sprintf("This page is not shown under the name %s, which another machine may have sent here. "+
		"Open it by its address, or, if %s is a name of this machine, put this line under [page] into %s and start the agent again:\n\n"+
		"names = [%s]\n", name, name, file, strings.Join(list, ", "))
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
	switch r.Header.Get("Sec-Fetch-Site") {
	case "", "same-origin", "none":
		return ""
	}
	if r.Header.Get("Sec-Fetch-Mode") == "navigate" && r.Header.Get("Sec-Fetch-Dest") == "document" &&
		(r.Method == http.MethodGet || r.Method == http.MethodHead) {
		return ""
	}
	return "Another page asked for this. Open the page itself."
}

// refuse answers in plain words, none of them as HTML.
func refuse(w http.ResponseWriter, status int, why string) {
	w.Header().Set("Content-Type", "text/plain; charset=utf-8")
	w.WriteHeader(status)
	fmt.Fprintln(w, text.Lines(why))
}
