package config

import (
	"net/netip"
	"regexp"
)

// Page says whether and where the agent shows what it does on a page.
type Page struct {
	Listen  string   `toml:"listen" comment:"address of the live page, as in 127.0.0.1:8470; 0.0.0.0:8470 lets paired devices in the network open it too; empty for no page (docs/page.md)"`
	Metrics bool     `toml:"metrics" comment:"answer a lab's monitoring under /metrics as well"`
	Names   []string `toml:"names" comment:"further names under which browsers may ask for the page, as in bench-1.lan"`
}

// hostName is a name of a machine without a port (RFC 1123).
var hostName = regexp.MustCompile(`^[A-Za-z0-9]([A-Za-z0-9-]*[A-Za-z0-9])?(\.[A-Za-z0-9]([A-Za-z0-9-]*[A-Za-z0-9])?)*\.?$`)

func (p Page) check(w *wrong) {
	if p.Listen != "" {
		_, err := netip.ParseAddrPort(p.Listen)
		w.where(err != nil, "page.listen", "%q is no address with a port, as 127.0.0.1:8470 is", p.Listen)
	}
	w.where(p.Metrics && p.Listen == "", "page.metrics", "needs page.listen, the address to ask")
	for _, n := range p.Names {
		w.where(len(n) > 253 || !hostName.MatchString(n), "page.names", "%q is no name of a machine: write it without http:// and without a port", n)
	}
}
