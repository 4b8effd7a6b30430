package main

import (
	"context"
	"crypto/rand"
	"time"

	"capd.example/internal/cli"
	"capd.example/store"
)

// hold keeps what is put back to be judged again from the agent while this program does it.
// Where this program is killed the agent goes on soon after.
type hold struct {
	store *store.Store
	who   string
	said  time.Time
}

// newHold begins one; the caller ends it.
func newHold(ctx context.Context, s *store.Store) (*hold, error) {
	h := &hold{store: s, who: rand.Text()}
	return h, h.renew(ctx)
}

// renew lasts it longer, where its end comes nearer.
func (h *hold) renew(ctx context.Context) error {
	now := time.Now()
	if h == nil || now.Sub(h.said) < store.HoldFor/3 {
		return nil
	}
	if err := h.store.Hold(ctx, h.who); err != nil {
		return cli.FailedError(err)
	}
	h.said = now
	return nil
}

// end gives back what is left. Where that fails it ends by itself.
func (h *hold) end(ctx context.Context) {
	_ = h.store.Release(context.WithoutCancel(ctx), h.who)
}
