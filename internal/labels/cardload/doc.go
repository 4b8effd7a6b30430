//go:build !(linux && (amd64 || arm64))

// Command cardload runs on Linux only.
package main

func main() {}
