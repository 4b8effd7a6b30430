#!/usr/bin/env bash
# What a reader should not have to look for: form, known mistakes, functions that decide too
# much at once, spelling. Needs Go; the tools are built from their modules.
set -euo pipefail
cd "$(dirname "$0")/.."
files=$(git ls-files '*.go' | grep -v '\.pb\.go$')
code=$(echo "$files" | grep -v '_test\.go$')

unformatted=$(gofmt -l $files)
[ -z "$unformatted" ] || { echo "gofmt wants: $unformatted"; exit 1; }
go vet ./...
go run honnef.co/go/tools/cmd/staticcheck@v0.8.2 ./...
go run github.com/fzipp/gocyclo/cmd/gocyclo@v0.6.0 -over 20 $code
# Words of programs and standards, and slips that tests make on purpose, are no slips.
go run github.com/client9/misspell/cmd/misspell@v0.3.4 -error -i lenght,resolutoin,resolutin \
  $files $(git ls-files '*.md')
