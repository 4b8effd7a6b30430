package control

import (
	"context"
	"os"
)

// Try listens in a folder of its own and asks there for a status: whether a command could
// talk to an agent on this machine, as this user.
func Try(ctx context.Context) error {
	folder, err := os.MkdirTemp("", "capd-control")
	if err != nil {
		return err
	}
	defer os.RemoveAll(folder)
	s, err := Listen(ctx, folder, silent{}, &Hub{})
	if err != nil {
		return err
	}
	ctx, stop := context.WithCancel(ctx)
	ended := make(chan error, 1)
	go func() { ended <- s.Run(ctx) }()
	defer func() { stop(); <-ended }()
	c, err := Dial(ctx, folder)
	if err != nil {
		return err
	}
	defer c.Close()
	_, err = c.Status(ctx)
	return err
}

// silent is an agent that has only a status, which says nothing.
type silent struct{ Agent }

func (silent) Status(context.Context) (Status, error) { return Status{}, nil }
