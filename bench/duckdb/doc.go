// Package duckdb measures the reader of logs side by side with DuckDB, a general
// database that reads comma-separated text, on the same logs and cores in one run. It is
// a module of its own because DuckDB's Go module needs cgo, which the project does not.
//
//	go test -bench . ./...
package duckdb
