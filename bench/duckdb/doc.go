// Package duckdb holds what DuckDB, a general database, says of us. A test has it read an
// exported folder and compute figures that must equal ours; a benchmark measures the
// reader of logs side by side with DuckDB's reader of comma-separated text, on the same
// logs and cores in one run. It is a module of its own because DuckDB's Go module needs
// cgo, which the project does not.
//
//	go test -bench . ./...
package duckdb
