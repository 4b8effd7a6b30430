// Package schema brings a store to the version that this program knows, and finds tables,
// views and triggers that are not those of their version.
package schema
