package control

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"maps"
	"net"
	"os"
	"slices"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/keepalive"
	"google.golang.org/grpc/status"

	controlv1 "capd.example/proto/control/v1"
)

// Server is the agent's end. It is built with the socket open, so that a start can be
// refused, and answers once it runs.
type Server struct {
	agent    Agent
	hub      *Hub
	listener net.Listener
	path     string
	idle     time.Duration // after it a client that asks nothing is let go
}

// Listen opens the socket of a data folder. The caller holds the folder's lock. Errors
// name the socket; [ErrTaken] is among them.
func Listen(ctx context.Context, dataDir string, agent Agent, hub *Hub) (*Server, error) {
	l, err := listen(ctx, dataDir)
	if err != nil {
		return nil, err
	}
	return &Server{agent: agent, hub: hub, listener: l, path: SocketPath(dataDir), idle: time.Minute}, nil
}

// Close gives the socket back where [Server.Run] was never called.
func (s *Server) Close() error {
	err := s.listener.Close()
	if errors.Is(err, net.ErrClosed) {
		err = nil
	}
	return errors.Join(err, os.Remove(s.path))
}

// Run answers until ctx ends. Followers are let go at once.
func (s *Server) Run(ctx context.Context) error {
	g := grpc.NewServer(grpc.MaxRecvMsgSize(1<<20), grpc.MaxConcurrentStreams(64), grpc.ConnectionTimeout(5*time.Second),
		grpc.KeepaliveParams(keepalive.ServerParameters{MaxConnectionIdle: s.idle}))
	controlv1.RegisterControlServer(g, &service{agent: s.agent, hub: s.hub})
	ended := make(chan error, 1)
	go func() { ended <- g.Serve(s.listener) }()
	var err error
	select {
	case <-ctx.Done():
		g.Stop()
		<-ended
	case err = <-ended:
	}
	if rm := os.Remove(s.path); rm != nil && !errors.Is(rm, os.ErrNotExist) {
		err = errors.Join(err, rm)
	}
	if err != nil {
		return fmt.Errorf("control socket %s: %w", s.path, err)
	}
	return nil
}

type service struct {
	controlv1.UnimplementedControlServer
	agent Agent
	hub   *Hub
}

func (s *service) Status(ctx context.Context, _ *controlv1.StatusRequest) (*controlv1.StatusResponse, error) {
	st, err := s.agent.Status(ctx)
	if err != nil {
		return nil, failed(err)
	}
	text, err := json.Marshal(st)
	if err != nil {
		return nil, failed(err)
	}
	return &controlv1.StatusResponse{StatusJson: text}, nil
}

func (s *service) Overhead(ctx context.Context, _ *controlv1.OverheadRequest) (*controlv1.OverheadResponse, error) {
	o, err := s.agent.Overhead(ctx)
	if err != nil {
		return nil, failed(err)
	}
	text, err := json.Marshal(o)
	if err != nil {
		return nil, failed(err)
	}
	return &controlv1.OverheadResponse{OverheadJson: text}, nil
}

func (s *service) Follow(_ *controlv1.FollowRequest,
	stream grpc.ServerStreamingServer[controlv1.FollowResponse]) error {
	f := s.hub.Follow()
	defer f.Close()
	// The headers tell the client that from now on nothing is missed.
	if err := stream.SendHeader(nil); err != nil {
		return err
	}
	for {
		select {
		case <-stream.Context().Done():
			return nil
		case <-f.Wake():
		}
		for _, e := range f.Take() {
			if e.Kind == KindState { // whoever wants to know how things stand asks for the status
				continue
			}
			text, err := json.Marshal(e)
			if err != nil { // one event that cannot be written must not end all that follow
				e.Pass = nil
				if text, err = json.Marshal(e); err != nil {
					continue
				}
			}
			if err := stream.Send(&controlv1.FollowResponse{Kind: e.Kind, EventJson: text}); err != nil {
				return err
			}
		}
	}
}

func (s *service) Begin(ctx context.Context, r *controlv1.BeginRequest) (*controlv1.BeginResponse, error) {
	return &controlv1.BeginResponse{}, failed(s.agent.Begin(ctx, r.GetTags(), r.GetOnce()))
}

func (s *service) Pause(ctx context.Context, r *controlv1.PauseRequest) (*controlv1.PauseResponse, error) {
	return &controlv1.PauseResponse{}, failed(s.agent.Pause(ctx, r.GetReason()))
}

func (s *service) Resume(ctx context.Context, _ *controlv1.ResumeRequest) (*controlv1.ResumeResponse, error) {
	return &controlv1.ResumeResponse{}, failed(s.agent.Resume(ctx))
}

func (s *service) Invite(ctx context.Context, r *controlv1.InviteRequest) (*controlv1.InviteResponse, error) {
	i, err := s.agent.Invite(ctx, r.GetName())
	if err != nil {
		return nil, failed(err)
	}
	text, err := json.Marshal(i)
	return &controlv1.InviteResponse{InvitationJson: text}, failed(err)
}

func (s *service) Monitor(ctx context.Context, r *controlv1.MonitorRequest) (*controlv1.MonitorResponse, error) {
	token, err := s.agent.Monitor(ctx, r.GetName())
	return &controlv1.MonitorResponse{Token: token}, failed(err)
}

func (s *service) Devices(ctx context.Context, _ *controlv1.DevicesRequest) (*controlv1.DevicesResponse, error) {
	list, err := s.agent.Devices(ctx)
	if err != nil {
		return nil, failed(err)
	}
	text, err := json.Marshal(list)
	return &controlv1.DevicesResponse{DevicesJson: text}, failed(err)
}

func (s *service) Revoke(ctx context.Context, r *controlv1.RevokeRequest) (*controlv1.RevokeResponse, error) {
	return &controlv1.RevokeResponse{}, failed(s.agent.Revoke(ctx, r.GetId()))
}

func (s *service) TestAlert(ctx context.Context, r *controlv1.TestAlertRequest) (*controlv1.TestAlertResponse, error) {
	answers, err := s.agent.TestAlert(ctx, r.GetChannel())
	if err != nil {
		return nil, failed(err)
	}
	var out controlv1.TestAlertResponse
	for _, name := range slices.Sorted(maps.Keys(answers)) {
		a := &controlv1.TestAlertResponse_Answer{Channel: name}
		if answers[name] != nil {
			a.Error = answers[name].Error()
		}
		out.Answers = append(out.Answers, a)
	}
	return &out, nil
}

func (s *service) Stop(ctx context.Context, r *controlv1.StopRequest) (*controlv1.StopResponse, error) {
	return &controlv1.StopResponse{}, failed(s.agent.Stop(ctx, r.GetNow()))
}

// failed carries the agent's own words over the wire.
func failed(err error) error {
	if err == nil {
		return nil
	}
	return status.Error(codes.FailedPrecondition, err.Error())
}
