// Package sqlbase holds what every query of a store needs: its errors, stored times, lists.
package sqlbase
