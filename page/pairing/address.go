package pairing

import (
	"net"
	"net/netip"
	"slices"
)

// Addresses are where a page that listens at an address can be opened, the likeliest first,
// each as http://ADDRESS:PORT. All are this machine's alone where it listens to nobody else.
func Addresses(listen string) (list []string, local bool) {
	at, err := netip.ParseAddrPort(listen)
	if err != nil {
		return nil, false
	}
	if !at.Addr().IsUnspecified() {
		return []string{"http://" + at.String()}, at.Addr().IsLoopback()
	}
	own, _ := net.InterfaceAddrs() // without them at least this machine can be named
	for _, a := range reachable(own, towards()) {
		if a.Is4() || at.Addr().Is6() {
			list = append(list, "http://"+netip.AddrPortFrom(a, at.Port()).String())
		}
	}
	if list == nil {
		return []string{"http://" + netip.AddrPortFrom(netip.AddrFrom4([4]byte{127, 0, 0, 1}), at.Port()).String()}, true
	}
	return list, false
}

// reachable are the addresses of this machine that others in its network can reach: the one
// that traffic leaves by first, those of IPv4 before those of IPv6, since they can be typed.
func reachable(own []net.Addr, first netip.Addr) (list []netip.Addr) {
	for _, a := range own {
		p, err := netip.ParsePrefix(a.String())
		if err != nil {
			continue
		}
		if ip := p.Addr().Unmap(); !ip.IsLoopback() && !ip.IsLinkLocalUnicast() {
			list = append(list, ip)
		}
	}
	rank := func(a netip.Addr) int {
		switch {
		case a == first:
			return 0
		case a.Is4():
			return 1
		}
		return 2
	}
	slices.SortStableFunc(list, func(a, b netip.Addr) int { return rank(a) - rank(b) })
	return list
}

// towards is the address that traffic to other networks leaves by: that of the real network
// and not of a bridge for containers. Nothing is sent for it. It is no address where nobody
// knows.
func towards() netip.Addr {
	c, err := net.Dial("udp", "192.0.2.1:9") // RFC 5737: an address of no network
	if err != nil {
		return netip.Addr{}
	}
	defer c.Close()
	at, err := netip.ParseAddrPort(c.LocalAddr().String())
	if err != nil {
		return netip.Addr{}
	}
	return at.Addr().Unmap()
}
