package store_test

import (
	"path/filepath"
	"testing"

	"capd.example/record"
	"capd.example/store"
)

// A pass that is still to be judged again keeps the verdict that people were told, whatever a
// pass beside it means for it: its own judging finds the same, and then it is told.
func TestWhatIsToBeJudgedAgainKeepsWhatWasTold(t *testing.T) {
	ctx := t.Context()
	s := mustOpen(t, filepath.Join(t.TempDir(), "passes.db"))
	defer s.Close()
	one, two := mustSave(t, s, arrival(1)), mustSave(t, s, arrival(2))
	for _, id := range []string{one.ID, two.ID} {
		must(t, s.Finish(ctx, id, nil, record.Clean))
		must(t, s.MarkNotified(ctx, id))
	}
	_, err := s.Retag(ctx, []string{two.ID}, map[string]string{"note": "seen"}, "me", "")
	must(t, err)
	p, err := s.Pass(ctx, one.ID)
	must(t, err)
	other, err := s.Pass(ctx, two.ID)
	must(t, err)
	_, mark, err := s.Beside(ctx, p, record.CellFactors)
	must(t, err)
	p.Verdict, other.Verdict = record.Clean, record.VerdictDoubtful
	other.Findings = []record.Finding{{Check: "agreement", Outcome: record.Doubtful, Reason: "far from the others"}}
	must(t, s.Settle(ctx, store.Settled{Pass: p, Others: []record.Pass{other}, Mark: mark, Cell: record.CellFactors, Tell: true}))
	list, err := s.Unfinished(ctx)
	must(t, err)
	for _, u := range list {
		if u.Pass.ID == two.ID && u.State == store.Received && u.Was == record.Clean && u.Pass.Verdict == record.Clean {
			return
		}
	}
	t.Errorf("the pass is not left to its own judging: %+v", list)
}
