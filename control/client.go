package control

import (
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"net"
	"os"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/grpc/status"

	controlv1 "capd.example/proto/control/v1"
)

// Errors of a conversation.
var (
	ErrSilent  = errors.New("the agent does not answer")
	ErrStopped = errors.New("the agent stopped")
	ErrVersion = errors.New("the agent is of another version and does not know this request")
)

// answerTime is how long an agent may take for anything but following.
const answerTime = 5 * time.Second

// Client talks to the agent of one data folder.
type Client struct {
	conn *grpc.ClientConn
	rpc  controlv1.ControlClient
}

// Dial connects to the agent of a data folder. The error is [ErrNoAgent] where none runs and
// [ErrHeld] where one does that cannot be reached.
func Dial(ctx context.Context, dataDir string) (*Client, error) {
	path := SocketPath(dataDir)
	probe, err := connect(ctx, path)
	if err != nil {
		return nil, noAgent(path, dataDir, err)
	}
	probe.Close()
	conn, err := grpc.NewClient("passthrough:///agent",
		grpc.WithTransportCredentials(insecure.NewCredentials()), // the socket's rights protect it
		grpc.WithContextDialer(func(ctx context.Context, _ string) (net.Conn, error) { return connect(ctx, path) }),
		grpc.WithNoProxy())
	if err != nil {
		return nil, fmt.Errorf("control socket %s: %w", path, err)
	}
	return &Client{conn: conn, rpc: controlv1.NewControlClient(conn)}, nil
}

// noAgent tells an agent that is not there from one that may not be talked to.
func noAgent(path, dataDir string, err error) error {
	if errors.Is(err, fs.ErrPermission) {
		return fmt.Errorf("control socket %s: %w", path, bare(err))
	}
	if _, lost := os.Stat(dataDir); lost != nil {
		return fmt.Errorf("%w: there is no data folder %s", ErrNoAgent, dataDir)
	}
	if held, _ := Held(dataDir); held {
		return fmt.Errorf("%w: %s", ErrHeld, dataDir)
	}
	return fmt.Errorf("%w on the data folder %s", ErrNoAgent, dataDir)
}

// Close ends the conversation.
func (c *Client) Close() error { return c.conn.Close() }

// Status asks what the agent is and does.
func (c *Client) Status(ctx context.Context) (s Status, err error) {
	ctx, stop := context.WithTimeout(ctx, answerTime)
	defer stop()
	r, err := c.rpc.Status(ctx, &controlv1.StatusRequest{})
	if err != nil {
		return s, plain(err)
	}
	if err := json.Unmarshal(r.GetStatusJson(), &s); err != nil {
		return s, fmt.Errorf("the agent's answer: %w", err)
	}
	return s, nil
}

// Overhead asks what the agent itself has cost so far.
func (c *Client) Overhead(ctx context.Context) (o Overhead, err error) {
	ctx, stop := context.WithTimeout(ctx, answerTime)
	defer stop()
	r, err := c.rpc.Overhead(ctx, &controlv1.OverheadRequest{})
	if err != nil {
		return o, plain(err)
	}
	if err := json.Unmarshal(r.GetOverheadJson(), &o); err != nil {
		return o, fmt.Errorf("the agent's answer: %w", err)
	}
	return o, nil
}

// Follow calls fn for every event until ctx ends (nil), the agent goes ([ErrStopped]) or
// fn returns an error, which is returned. With ready, that is called once nothing can be
// missed any more.
func (c *Client) Follow(ctx context.Context, ready func(), fn func(Event) error) error {
	ctx, stop := context.WithCancel(ctx)
	defer stop()
	stream, err := c.rpc.Follow(ctx, &controlv1.FollowRequest{})
	if err == nil {
		_, err = stream.Header()
	}
	if err != nil {
		return ended(ctx, err)
	}
	if ready != nil {
		ready()
	}
	for {
		r, err := stream.Recv()
		if err != nil {
			return ended(ctx, err)
		}
		var e Event
		if err := json.Unmarshal(r.GetEventJson(), &e); err != nil {
			return fmt.Errorf("an event of the agent: %w", err)
		}
		if err := fn(e); err != nil {
			return err
		}
	}
}

// Begin sets tags by hand for the next pass, or with once unset until the next Begin.
func (c *Client) Begin(ctx context.Context, tags map[string]string, once bool) error {
	ctx, stop := context.WithTimeout(ctx, answerTime)
	defer stop()
	_, err := c.rpc.Begin(ctx, &controlv1.BeginRequest{Tags: tags, Once: once})
	return plain(err)
}

// Pause lets logs wait.
func (c *Client) Pause(ctx context.Context, reason string) error {
	ctx, stop := context.WithTimeout(ctx, answerTime)
	defer stop()
	_, err := c.rpc.Pause(ctx, &controlv1.PauseRequest{Reason: reason})
	return plain(err)
}

// Resume takes up what waits.
func (c *Client) Resume(ctx context.Context) error {
	ctx, stop := context.WithTimeout(ctx, answerTime)
	defer stop()
	_, err := c.rpc.Resume(ctx, &controlv1.ResumeRequest{})
	return plain(err)
}

// Stop asks the agent to end: at once, or after the pass that is being recorded and the logs
// that wait. It returns when the agent has understood.
func (c *Client) Stop(ctx context.Context, now bool) error {
	ctx, stop := context.WithTimeout(ctx, answerTime)
	defer stop()
	_, err := c.rpc.Stop(ctx, &controlv1.StopRequest{Now: now})
	return plain(err)
}

// Invite asks for a code with which one device is paired with the page.
func (c *Client) Invite(ctx context.Context, name string) (i Invitation, err error) {
	ctx, stop := context.WithTimeout(ctx, answerTime)
	defer stop()
	r, err := c.rpc.Invite(ctx, &controlv1.InviteRequest{Name: name})
	if err != nil {
		return i, plain(err)
	}
	if err := json.Unmarshal(r.GetInvitationJson(), &i); err != nil || len(i.Addresses) == 0 {
		return i, fmt.Errorf("the agent's answer: %w", cmp.Or(err, errors.New("no address of the page")))
	}
	return i, nil
}

// Monitor asks for a token for a program that reads the figures for a lab's monitoring.
func (c *Client) Monitor(ctx context.Context, name string) (token string, err error) {
	ctx, stop := context.WithTimeout(ctx, answerTime)
	defer stop()
	r, err := c.rpc.Monitor(ctx, &controlv1.MonitorRequest{Name: name})
	return r.GetToken(), plain(err)
}

// Devices asks who is paired with the page.
func (c *Client) Devices(ctx context.Context) (list []Device, err error) {
	ctx, stop := context.WithTimeout(ctx, answerTime)
	defer stop()
	r, err := c.rpc.Devices(ctx, &controlv1.DevicesRequest{})
	if err != nil {
		return nil, plain(err)
	}
	if err := json.Unmarshal(r.GetDevicesJson(), &list); err != nil {
		return nil, fmt.Errorf("the agent's answer: %w", err)
	}
	return list, nil
}

// Revoke takes a device's right to the page back.
func (c *Client) Revoke(ctx context.Context, id string) error {
	ctx, stop := context.WithTimeout(ctx, answerTime)
	defer stop()
	_, err := c.rpc.Revoke(ctx, &controlv1.RevokeRequest{Id: id})
	return plain(err)
}

// TestAlert tries one alert channel, or all for "". It waits for the channels' answers.
func (c *Client) TestAlert(ctx context.Context, channel string) (map[string]error, error) {
	ctx, stop := context.WithTimeout(ctx, time.Minute)
	defer stop()
	r, err := c.rpc.TestAlert(ctx, &controlv1.TestAlertRequest{Channel: channel})
	if err != nil {
		return nil, plain(err)
	}
	answers := map[string]error{}
	for _, a := range r.GetAnswers() {
		answers[a.GetChannel()] = nil
		if a.GetError() != "" {
			answers[a.GetChannel()] = errors.New(a.GetError())
		}
	}
	return answers, nil
}

func ended(ctx context.Context, err error) error {
	if ctx.Err() != nil {
		return nil
	}
	return plain(err)
}

// plain turns what the library says into what happened.
func plain(err error) error {
	if err == nil {
		return nil
	}
	switch s := status.Convert(err); s.Code() {
	case codes.DeadlineExceeded:
		return ErrSilent
	case codes.Unimplemented:
		return ErrVersion
	case codes.Unavailable, codes.Canceled, codes.Unknown:
		return ErrStopped
	default:
		return errors.New(s.Message())
	}
}
