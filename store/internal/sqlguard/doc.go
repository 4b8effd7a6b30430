// Package sqlguard keeps a query of the user's to reading the views of a store.
package sqlguard
