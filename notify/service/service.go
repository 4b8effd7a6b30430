// Package service sends alerts to chat services and by mail, each named by an address in
// the form of github.com/nicholas-fedor/shoutrrr. Such addresses are secrets: no error
// shows more of one than its scheme.
package service

import (
	"context"
	"errors"
	"fmt"
	"net/url"
	"regexp"
	"slices"
	"strings"

	"capd.example/notify"
	"github.com/nicholas-fedor/shoutrrr/pkg/router"
	"github.com/nicholas-fedor/shoutrrr/pkg/types"
)

// Service is one chat room or mail box.
type Service struct {
	name, address string
	sender        types.Service
}

// New checks an address. The name tells several services of one kind apart.
func New(name, address string) (*Service, error) {
	sender, err := new(router.ServiceRouter).Locate(address)
	if err != nil {
		return nil, fmt.Errorf("alert service %s: %w", notify.Shown(address), scrub(err, address))
	}
	return &Service{name: name, address: address, sender: sender}, nil
}

// Name implements [notify.Channel].
func (s *Service) Name() string { return s.name }

// Send implements [notify.Channel].
func (s *Service) Send(ctx context.Context, a notify.Alert) error {
	done := make(chan error, 1)
	go func() { done <- s.sender.Send(notify.Line(a), &types.Params{"title": "capd " + a.Bench}) }()
	select {
	case err := <-done:
		if err != nil {
			return fmt.Errorf("alert service %s: %w", notify.Shown(s.address), scrub(err, s.address))
		}
		return nil
	case <-ctx.Done():
		return fmt.Errorf("alert service %s: %w", notify.Shown(s.address), ctx.Err())
	}
}

var addresses = regexp.MustCompile(`[a-zA-Z][a-zA-Z0-9+.-]*://[^\s"']+`)

// scrub removes from an error's text every address and every part of the given one. The
// error's chain is given up with it, since its parts can be printed too.
func scrub(err error, address string) error {
	text := addresses.ReplaceAllStringFunc(err.Error(), notify.Shown)
	parts := []string{address}
	if u, bad := url.Parse(address); bad == nil {
		parts = append(parts, u.Host, u.Hostname(), u.User.Username(), u.User.String())
		if p, ok := u.User.Password(); ok {
			parts = append(parts, p)
		}
		parts = append(parts, strings.Split(u.Path, "/")...)
		for _, list := range u.Query() {
			parts = append(parts, list...)
		}
	}
	slices.SortFunc(parts, func(a, b string) int { return len(b) - len(a) })
	for _, p := range parts {
		if len(p) > 3 {
			text = strings.ReplaceAll(text, p, "...")
		}
	}
	return errors.New(text)
}
