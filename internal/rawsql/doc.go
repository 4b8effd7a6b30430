// Package rawsql answers one query of the user's over the views of a store, in the form that
// is asked for, and says what to type where the database does not understand it.
package rawsql
