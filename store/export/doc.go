// Package export writes passes for other tools and takes them in from other benches.
//
// A package is a folder of three tables, passes, frames and telemetry, in Parquet, CSV
// or JSON Lines, partitioned by campaign and game in directories named key=value, with a
// datapackage.json (Frictionless Data Package, https://specs.frictionlessdata.io/) that
// describes them. Only capctl links this package, since Parquet is large.
package export
