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

// A pass that has another verdict by now than people were told, and is judged again before
// they were told of that one, is told against the one they know: not as new, and not against
// one that they never heard of. Back at what they know, there is nothing to tell.
func TestAnUntoldVerdictIsForgotten(t *testing.T) {
	ctx := t.Context()
	found := map[record.Verdict]record.Outcome{record.Clean: record.OK, record.VerdictDoubtful: record.Doubtful, record.VerdictBad: record.Bad}
	for _, retagged := range []bool{false, true} {
		for _, last := range []record.Verdict{record.Clean, record.VerdictBad} {
			s := mustOpen(t, filepath.Join(t.TempDir(), "passes.db"))
			id := mustSave(t, s, arrival(1)).ID
			finding := func(v record.Verdict) []record.Finding {
				return []record.Finding{{Check: "hitches", Outcome: found[v], Reason: string(v)}}
			}
			must(t, s.Finish(ctx, id, finding(record.Clean), record.Clean))
			must(t, s.MarkNotified(ctx, id))
			settle := func(v record.Verdict) {
				t.Helper()
				p, err := s.Pass(ctx, id)
				must(t, err)
				_, mark, err := s.Beside(ctx, p, record.CellFactors)
				must(t, err)
				p.Findings, p.Verdict = finding(v), v
				must(t, s.Settle(ctx, store.Settled{Pass: p, Mark: mark, Cell: record.CellFactors, Tell: true}))
			}
			settle(record.VerdictDoubtful)
			if retagged {
				_, err := s.Retag(ctx, []string{id}, map[string]string{"note": "seen"}, "me", "")
				must(t, err)
				if p, err := s.Pass(ctx, id); err != nil || p.Verdict != record.Clean || len(p.Findings) != 1 {
					t.Errorf("put back it is %s by %+v, %v", p.Verdict, p.Findings, err)
				}
			}
			settle(last)
			list, err := s.Unfinished(ctx)
			must(t, err)
			if last == record.Clean && len(list) > 0 || last != record.Clean && (len(list) != 1 || list[0].Was != record.Clean || list[0].State != store.Checked) {
				t.Errorf("retagged %v, at last %s: %+v", retagged, last, list)
			}
			history, err := s.Judgements(ctx, id)
			must(t, err)
			for _, j := range history {
				if j.Verdict == record.VerdictDoubtful {
					t.Errorf("retagged %v, at last %s: a verdict that nobody heard of stands in the history: %+v", retagged, last, history)
				}
			}
			must(t, s.Close())
		}
	}
}
