package record

import (
	"errors"
)

// ErrMeanwhile says that a pass, or one beside it, was changed while it was judged: by a
// correction of tags, a verdict by hand, or another pass. It is to be judged again.
var ErrMeanwhile = errors.New("changed while it was judged")

// Examined is what the examination of a pass gives: findings and verdict of the pass, and
// of the passes beside it to which it makes a difference.
type Examined struct {
	Pass   Pass
	Others []Moved
	Mark   string   // how all of them stood, of Store.Beside
	Cell   []string // the tags that make a cell
}

// Moved is a pass that has other findings because of another pass of its cell.
type Moved struct {
	Pass Pass
	Was  Verdict // in force before
}
