package wire

import (
	"context"
	"errors"
	"fmt"

	"google.golang.org/grpc"

	"capd.example/plugins"
	pb "capd.example/proto/validator/v1"
	"capd.example/record"
)

// ErrRubbish marks an answer that breaks the protocol.
var ErrRubbish = errors.New("the answer breaks the protocol")

// Client is the agent's end. One call at a time.
type Client struct {
	rpc    pb.ValidatorsClient
	handle uint64
}

// NewClient returns the client of a connection.
func NewClient(c grpc.ClientConnInterface) *Client { return &Client{rpc: pb.NewValidatorsClient(c)} }

// Describe asks who is there.
func (c *Client) Describe(ctx context.Context, agent string) ([]plugins.Description, error) {
	got, err := c.rpc.Describe(ctx, &pb.DescribeRequest{AgentVersion: agent})
	if err != nil {
		return nil, err
	}
	if len(got.GetValidators()) == 0 {
		return nil, fmt.Errorf("%w: it describes no validator", ErrRubbish)
	}
	seen := map[string]bool{}
	var out []plugins.Description
	for _, m := range got.GetValidators() {
		d := toDescription(m)
		if err := d.Validate(); err != nil {
			return nil, fmt.Errorf("%w: its description: %v", ErrRubbish, err)
		}
		if seen[d.Name] {
			return nil, fmt.Errorf("%w: it describes %q twice", ErrRubbish, d.Name)
		}
		seen[d.Name] = true
		out = append(out, d)
	}
	return out, nil
}

// Configure hands over the settings and returns the validators that cannot run with
// them, and why.
func (c *Client) Configure(ctx context.Context, settings map[string]map[string]string) (map[string]string, error) {
	in := &pb.ConfigureRequest{Validators: map[string]*pb.Settings{}}
	for name, values := range settings {
		in.Validators[name] = &pb.Settings{Values: values}
	}
	got, err := c.rpc.Configure(ctx, in)
	return got.GetProblems(), err
}

// Load hands over the evidence for the checks that follow.
func (c *Client) Load(ctx context.Context, e Message) error {
	c.handle++
	_, err := c.rpc.Load(ctx, &pb.LoadRequest{Handle: c.handle, Evidence: e.m})
	return err
}

// Check asks the named validator about the loaded evidence.
func (c *Client) Check(ctx context.Context, d plugins.Description) (record.Finding, error) {
	got, err := c.rpc.Check(ctx, &pb.CheckRequest{Handle: c.handle, Validator: d.Name})
	if err != nil {
		return record.Finding{}, err
	}
	m := got.GetFinding()
	f := told(toFinding(m))
	switch {
	case m == nil:
		return f, fmt.Errorf("%w: it holds no finding", ErrRubbish)
	case f.Check != "" && f.Check != d.Name:
		return f, fmt.Errorf("%w: it was asked for %q and answered for %q", ErrRubbish, d.Name, f.Check)
	case f.Reason == "":
		return f, fmt.Errorf("%w: outcome %q without a reason", ErrRubbish, f.Outcome)
	}
	f.Check = d.Name
	if f.Version == "" {
		f.Version = d.Version
	}
	return f, nil
}

// Message is evidence made ready for sending, so that it is converted once per pass.
type Message struct{ m *pb.Evidence }

// Pack makes evidence ready for sending.
func Pack(e record.Evidence) Message { return Message{fromEvidence(e)} }
