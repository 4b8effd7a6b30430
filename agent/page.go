package agent

import (
	"context"
	"errors"
	"fmt"

	"capd.example/control"
	"capd.example/page/pairing"
)

// show runs the page. Where it cannot be had, everything else goes on.
func (ag *Agent) show(ctx context.Context, page func(context.Context, Inside) error) error {
	if err := ag.service.unpaired; err != nil {
		ag.troubles.Raise(ctx, "pairing", err.Error(), "correct or remove that file and start the agent again")
	}
	err := page(ctx, Inside{Agent: ag.service, Events: &ag.hub, Store: ag.store, Bench: ag.bench,
		Pairing: ag.service.pairing,
		Changed: ag.ordered,
		Started: func(address string) {
			ag.service.opened(address)
			if list, _ := pairing.Addresses(address); len(list) > 0 {
				ag.log.Info().Str("page", address).Msgf("the page is at %s/", list[0])
			}
		}})
	ag.service.opened("")
	if err != nil && ctx.Err() == nil {
		ag.troubles.Raise(ctx, "page", err.Error(), "choose another address under page.listen and start the agent again")
	}
	return err
}

// ordered takes note of an order that was carried out through the page: passes may have been put
// back to be judged again.
func (ag *Agent) ordered() {
	poke(ag.intake.wakes)
	ag.turned()
}

// opened notes where the page listens.
func (s *service) opened(at string) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.pageAt = at
}

// errNoPage is the answer where the configuration asks for no page.
var errNoPage = errors.New(`the agent shows no page: put these lines into its configuration and start it again
[page]
listen = "0.0.0.0:8470"`)

// paired returns who may open the page, or why nobody can be let in.
func (s *service) paired() (*pairing.Keeper, error) {
	switch {
	case s.agent.page == nil:
		return nil, errNoPage
	case s.unpaired != nil:
		return nil, s.unpaired
	}
	return s.pairing, nil
}

// Invite implements control.Agent.
func (s *service) Invite(_ context.Context, name string) (i control.Invitation, err error) {
	keeper, err := s.paired()
	if err != nil {
		return i, err
	}
	s.mu.Lock()
	at := s.pageAt
	s.mu.Unlock()
	if at == "" {
		return i, fmt.Errorf("the page could not be had at %s: 'capctl status' says why", s.agent.config.Page.Listen)
	}
	if i.Addresses, i.Local = pairing.Addresses(at); len(i.Addresses) == 0 {
		return i, fmt.Errorf("the address of the page is not understood: %s", at)
	}
	i.Code, i.Until = keeper.Invite(name)
	return i, nil
}

// Monitor implements control.Agent.
func (s *service) Monitor(_ context.Context, name string) (string, error) {
	keeper, err := s.paired()
	if err != nil {
		return "", err
	}
	if !s.agent.config.Page.Metrics {
		return "", errors.New("the agent answers no monitoring: put metrics = true under [page] into its configuration and start it again")
	}
	return keeper.Program(name)
}

// Devices implements control.Agent.
func (s *service) Devices(context.Context) ([]control.Device, error) {
	keeper, err := s.paired()
	if err != nil {
		return nil, err
	}
	return keeper.Devices(), nil
}

// Revoke implements control.Agent.
func (s *service) Revoke(_ context.Context, id string) error {
	keeper, err := s.paired()
	if err != nil {
		return err
	}
	return keeper.Revoke(id)
}
