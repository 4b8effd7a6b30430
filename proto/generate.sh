#!/usr/bin/env bash
# Regenerates the Go code of the protocol definitions. Needs protoc 3.21 (Debian:
# protobuf-compiler); the two generators are built at the versions pinned below.
set -euo pipefail
cd "$(dirname "$0")"
bin=$(mktemp -d)
trap 'rm -rf "$bin"' EXIT
GOBIN="$bin" go install google.golang.org/protobuf/cmd/protoc-gen-go@v1.36.12
GOBIN="$bin" go install google.golang.org/grpc/cmd/protoc-gen-go-grpc@v1.6.2
[ $# -gt 0 ] || set -- $(find . -name "*.proto" | sort)
for definition in "$@"; do
  PATH="$bin:$PATH" protoc --go_out=. --go_opt=paths=source_relative \
    --go-grpc_out=. --go-grpc_opt=paths=source_relative "$definition"
done
# The Python example carries the messages too; its service is written by hand.
protoc --python_out=../examples/python-validator -Ivalidator/v1 validator/v1/validator.proto
