// Package wire holds both ends of the validator protocol: the conversions between
// record and the generated messages, the gRPC server that a validator program runs and
// the client that the agent uses. Generated types do not leave it.
package wire

import (
	"context"

	"github.com/hashicorp/go-plugin"
	"google.golang.org/grpc"

	pb "capd.example/proto/validator/v1"
)

// Protocol is the highest version of the protocol that this code speaks.
const Protocol = 1

// Sizes of messages in bytes. A pass of an hour at 500 frames per second is 15 MB;
// an answer is a few sentences.
const (
	MaxEvidence = 128 << 20
	MaxAnswer   = 1 << 20
)

// service is the name under which the validators are served.
const service = "validators"

// Handshake makes a validator that is started by hand explain itself. It is a courtesy
// and no protection.
var Handshake = plugin.HandshakeConfig{
	ProtocolVersion:  Protocol,
	MagicCookieKey:   "CAPD_VALIDATOR",
	MagicCookieValue: "a validator of capd, started by it and not by hand",
}

// half is go-plugin's view of either end.
type half struct {
	plugin.NetRPCUnsupportedPlugin
	server *Server
}

func (h half) GRPCServer(_ *plugin.GRPCBroker, s *grpc.Server) error {
	pb.RegisterValidatorsServer(s, h.server)
	return nil
}

func (h half) GRPCClient(_ context.Context, _ *plugin.GRPCBroker, c *grpc.ClientConn) (any, error) {
	return NewClient(c), nil
}

// HostSets are the versions that the agent offers.
func HostSets() map[int]plugin.PluginSet { return sets(nil) }

// ServerSets are the versions that a validator program offers.
func ServerSets(s *Server) map[int]plugin.PluginSet { return sets(s) }

func sets(s *Server) map[int]plugin.PluginSet {
	return map[int]plugin.PluginSet{Protocol: {service: half{server: s}}}
}

// Dispense returns the client of a connected process.
func Dispense(c plugin.ClientProtocol) (*Client, error) {
	got, err := c.Dispense(service)
	if err != nil {
		return nil, err
	}
	return got.(*Client), nil
}
