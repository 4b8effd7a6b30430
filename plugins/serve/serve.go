// Package serve turns validators into a program that the agent can start. A validator's
// main is one line:
//
//	func main() { serve.Validators(myValidator{}) }
//
// The program ends when the agent ends, however the agent ends.
package serve

import (
	"context"
	"os"
	"sync"

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
			return grpc.NewServer(append(opts, grpc.MaxRecvMsgSize(wire.MaxEvidence),
				grpc.UnaryInterceptor(direct(os.Stderr)))...)
		},
		Logger: hclog.New(&hclog.LoggerOptions{Level: hclog.Warn, Output: os.Stderr, JSONFormat: true}),
	})
}

// direct gives standard error back to the program at the first call. The library leads it
// over the connection, on which the last words of a program that dies get lost.
func direct(stderr *os.File) grpc.UnaryServerInterceptor {
	var once sync.Once
	return func(ctx context.Context, req any, _ *grpc.UnaryServerInfo, next grpc.UnaryHandler) (any, error) {
		once.Do(func() { os.Stderr = stderr })
		return next(ctx, req)
	}
}
