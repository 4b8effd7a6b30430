package tables

import (
	"context"
	"database/sql"
	"reflect"
)

// Adoption is what became of a pass that came from elsewhere.
type Adoption int

// The ways in which [Store.Adopt] ends.
const (
	TakenIn Adoption = iota + 1 // it was not known
	Known                       // its bytes are stored, or more of the same log; nothing was changed
	Kept                        // it stands here otherwise, and what is here stays
	Renewed                     // it came from elsewhere before and its log has grown there
)

// Alike tells whether a pass of the same bytes says the same here. What was recorded here
// and what came from elsewhere before are alike in that nothing is changed.
func Alike(ctx context.Context, tx *sql.Tx, k PassKey, a Arrival) (Adoption, error) {
	p, err := LoadPass(ctx, tx, k.N)
	if err != nil {
		return 0, err
	}
	if p.SHA256 != a.Pass.SHA256 { // it has grown here since
		return Known, nil
	}
	if p.Verdict != a.Pass.Verdict || p.Overruled != a.Pass.Overruled || !reflect.DeepEqual(p.Tags, a.Pass.Tags) {
		return Kept, nil
	}
	var blob []byte
	err = tx.QueryRowContext(ctx,
		`SELECT x.frames FROM revisions r JOIN archives x ON x.revision = r.n WHERE r.sha256 = ?`, a.Pass.SHA256).Scan(&blob)
	if err != nil {
		return 0, err
	}
	if f, err := DecodeFrames(blob); err == nil && !reflect.DeepEqual(f.MS, a.Frames.MS) {
		return Kept, nil
	}
	return Known, nil
}
