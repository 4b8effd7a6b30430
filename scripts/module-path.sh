#!/usr/bin/env bash
# Gives the module another path, in one step:
#   scripts/module-path.sh example.org/capd
# go.mod holds the path. Go repeats it in every import, other modules here in their
# requirements; all of these are rewritten. The generated files in proto/ keep the old path
# in their descriptors, which nothing reads.
set -euo pipefail
cd "$(dirname "$0")/.."
new=${1:?usage: scripts/module-path.sh NEW}
old=$(go list -m)
quoted=$(sed 's/[.]/\\./g' <<<"$old")
git grep -lzE "(^|[^a-z0-9.])$quoted(/|\$|[^a-z0-9])" -- ':!proto/*.pb.go' ':!*_pb2.py' ':!go.sum' |
  xargs -0 sed -i -E "s#(^|[^a-z0-9.@])$quoted(/|\$|[^a-z0-9])#\1$new\2#g"
gofmt -w $(git diff --name-only -- '*.go')
go build ./...
go vet ./...
echo "the module is $new now"
