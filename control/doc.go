// Package control is the agent's service for commands on the same machine, and its
// client.
//
// It speaks gRPC over a Unix socket in the folder "control" of the data folder, which
// only the agent's user can enter; Windows has such sockets too. There is no other
// protection: whoever may read and write the data folder may talk to the agent.
package control
