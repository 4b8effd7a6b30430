package wire

import (
	"context"
	"sync"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	"capd.example/plugins"
	pb "capd.example/proto/validator/v1"
	"capd.example/record"
)

// Server answers the protocol for a set of validators.
type Server struct {
	pb.UnimplementedValidatorsServer
	validators []plugins.Validator

	mu       sync.Mutex // one call at a time, as validators are promised
	settings map[string]map[string]string
	handle   uint64
	evidence record.Evidence
}

// NewServer returns a server for the given validators.
func NewServer(v []plugins.Validator) *Server {
	return &Server{validators: v, settings: map[string]map[string]string{}}
}

// Describe implements the protocol.
func (s *Server) Describe(context.Context, *pb.DescribeRequest) (*pb.DescribeResponse, error) {
	out := &pb.DescribeResponse{}
	for _, v := range s.validators {
		out.Validators = append(out.Validators, fromDescription(v.Describe()))
	}
	return out, nil
}

// Configure implements the protocol.
func (s *Server) Configure(_ context.Context, in *pb.ConfigureRequest) (*pb.ConfigureResponse, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	out := &pb.ConfigureResponse{Problems: map[string]string{}}
	for _, v := range s.validators {
		d := v.Describe()
		s.settings[d.Name] = in.GetValidators()[d.Name].GetValues()
		if _, err := d.Resolve(s.settings[d.Name]); err != nil {
			out.Problems[d.Name] = err.Error()
		}
	}
	return out, nil
}

// Load implements the protocol.
func (s *Server) Load(_ context.Context, in *pb.LoadRequest) (*pb.LoadResponse, error) {
	if in.GetHandle() == 0 {
		return nil, status.Error(codes.InvalidArgument, "handle 0 names nothing")
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	s.handle, s.evidence = in.GetHandle(), toEvidence(in.GetEvidence())
	return &pb.LoadResponse{}, nil
}

// Check implements the protocol.
func (s *Server) Check(ctx context.Context, in *pb.CheckRequest) (*pb.CheckResponse, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if in.GetHandle() == 0 || in.GetHandle() != s.handle {
		return nil, status.Errorf(codes.FailedPrecondition, "the loaded evidence is %d, not %d", s.handle, in.GetHandle())
	}
	for _, v := range s.validators {
		if d := v.Describe(); d.Name == in.GetValidator() {
			return &pb.CheckResponse{Finding: fromFinding(plugins.Run(ctx, v, s.evidence, s.settings[d.Name]))}, nil
		}
	}
	return nil, status.Errorf(codes.NotFound, "there is no validator %q here", in.GetValidator())
}

// Register makes s answer the protocol on g.
func Register(g grpc.ServiceRegistrar, s *Server) { pb.RegisterValidatorsServer(g, s) }
