package store

import (
	"capd.example/store/internal/notes"
	"capd.example/store/internal/sqlbase"
	"capd.example/store/internal/sqlguard"
	"capd.example/store/internal/tables"
)

// The words that the layers below define, under the names by which users of a store know
// them.
type (
	book       = notes.Book
	Adoption   = tables.Adoption
	Alert      = tables.Alert
	Arrival    = tables.Arrival
	Droppable  = tables.Droppable
	FileMark   = tables.FileMark
	Filter     = tables.Filter
	Batch      = tables.BatchOf
	Parcel     = tables.Parcel
	Retained   = tables.Retained
	Retention  = tables.Retention
	State      = tables.State
	SystemSeen = tables.SystemSeen
	TagChange  = tables.TagChange
	Unfinished = tables.Unfinished
)

// The states of a pass, and the ways in which [Store.Adopt] ends.
const (
	Checked  = tables.Checked
	Kept     = tables.Kept
	Known    = tables.Known
	Notified = tables.Notified
	Received = tables.Received
	Renewed  = tables.Renewed
	TakenIn  = tables.TakenIn
)

// What can be wrong with a store or a query. Compare with [errors.Is]; the message of the
// wrapping error names the file and says what to do.
var (
	ErrAmbiguous    = sqlbase.ErrAmbiguous
	ErrBusy         = sqlbase.ErrBusy
	ErrCorrupt      = sqlbase.ErrCorrupt
	ErrFull         = sqlbase.ErrFull
	ErrMeanwhile    = tables.ErrMeanwhile
	ErrNewer        = sqlbase.ErrNewer
	ErrNoChange     = sqlbase.ErrNoChange
	ErrNoNote       = sqlbase.ErrNoNote
	ErrNoRevision   = sqlbase.ErrNoRevision
	ErrNoStore      = sqlbase.ErrNoStore
	ErrNotByHand    = sqlbase.ErrNotByHand
	ErrNotFound     = sqlbase.ErrNotFound
	ErrNotOurs      = sqlbase.ErrNotOurs
	ErrOtherVerdict = tables.ErrOtherVerdict
	ErrReadOnly     = sqlbase.ErrReadOnly
	ErrForbidden    = sqlguard.ErrForbidden
	ErrStatement    = sqlguard.ErrStatement
)

// Views are the names that queries may use; their columns are described in docs/store.md.
var Views = sqlguard.Views
