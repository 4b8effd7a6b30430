// Package control is the agent's service for commands on the same machine, and its
// client.
//
// It speaks gRPC over a Unix socket in the folder "control" of the data folder, which only the
// agent's user can enter. On Windows it is a named pipe whose access list has that user alone;
// a file in the same folder holds its name. There is no other protection: another program of
// the same user may talk to the agent.
package control
