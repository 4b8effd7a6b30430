// Package serve turns validators into a program that the agent can start. A validator's
// main is one line:
//
//	func main() { serve.Validators(myValidator{}) }
//
// The program ends when the agent ends, however the agent ends.
package serve

import (
	"os"

	"github.com/hashicorp/go-hclog"
	"github.com/hashicorp/go-plugin"
	"google.golang.org/grpc"

	"capd.example/plugins"
	"capd.example/plugins/internal/wire"
)

// Validators serves v to the agent that started this program and returns when the agent
// is done. A person who runs the program by hand is told what it is, and it exits with
// status 1. Standard output belongs to the agent until then; messages go to standard
// error and end up in the agent's log.
func Validators(v ...plugins.Validator) {
	if os.Getenv(wire.Handshake.MagicCookieKey) == wire.Handshake.MagicCookieValue {
		dieWithParent()
	}
	plugin.Serve(&plugin.ServeConfig{
		HandshakeConfig:  wire.Handshake,
		VersionedPlugins: wire.ServerSets(wire.NewServer(v)),
		GRPCServer: func(opts []grpc.ServerOption) *grpc.Server {
			return grpc.NewServer(append(opts, grpc.MaxRecvMsgSize(wire.MaxEvidence))...)
		},
		Logger: hclog.New(&hclog.LoggerOptions{Level: hclog.Warn, Output: os.Stderr, JSONFormat: true}),
	})
}
