package store_test

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"time"

	"capd.example/record"
	"capd.example/store"
)

// checkCells compares the view cells with figures computed here from the view passes, the
// mean and the deviation from it in two passes.
func checkCells(t *testing.T, s *store.Store) {
	t.Helper()
	type cell struct {
		passes    int64
		avg, low1 []float64
	}
	want := map[int64]*cell{}
	for _, row := range query(t, s, "SELECT cell, verdict, avg_fps, low1_fps FROM passes ORDER BY id") {
		n := row[0].(int64)
		if want[n] == nil {
			want[n] = &cell{}
		}
		want[n].passes++
		if row[1] != "bad" {
			want[n].avg = append(want[n].avg, row[2].(float64))
			want[n].low1 = append(want[n].low1, row[3].(float64))
		}
	}
	got := query(t, s, "SELECT cell, passes, used, avg_fps, avg_fps_sd, low1_fps, low1_fps_sd FROM cells")
	for _, row := range got {
		w := want[row[0].(int64)]
		if w == nil || row[1] != w.passes || row[2] != int64(len(w.avg)) {
			t.Errorf("cell %v, want %+v", row, w)
			continue
		}
		for i, list := range [][]float64{w.avg, w.low1} {
			mean, sd := moments(list)
			if !alike(row[3+2*i], mean, 1e-14*mean) || !alike(row[4+2*i], sd, 1e-12*sd+1e-17*mean) { // for the mean is rounded
				t.Errorf("cell %v: mean and deviation of %d passes should be %v and %v", row, len(list), mean, sd)
			}
		}
	}
	if len(got) != len(want) {
		t.Errorf("%d cells, want %d", len(got), len(want))
	}
}

// moments returns mean and sample standard deviation; what is not defined is not a number.
func moments(list []float64) (mean, sd float64) {
	if len(list) == 0 {
		return math.NaN(), math.NaN()
	}
	n := float64(len(list))
	for _, x := range list { // of differences, which are small where all are alike
		mean += (x - list[0]) / n
	}
	mean += list[0]
	for _, x := range list {
		sd += (x - mean) * (x - mean)
	}
	return mean, math.Sqrt(sd / (n - 1)) // 0/0 for one
}

func alike(got any, want, within float64) bool {
	x, ok := got.(float64)
	if math.IsNaN(want) || math.IsInf(want, 0) {
		return !ok
	}
	return ok && math.Abs(x-want) <= within
}

// TestCellsFollowThePasses lets passes come, grow, be judged, overruled and corrected in
// some order; the view cells must always say what the passes say.
func TestCellsFollowThePasses(t *testing.T) {
	s := newStore(t)
	r := rand.New(rand.NewPCG(1, 2))
	verdicts := []record.Verdict{record.Clean, record.VerdictBad, record.VerdictDoubtful}
	var stored []store.Arrival
	var ids []string
	for i := range 300 {
		k, what := 0, r.IntN(6)
		if len(ids) > 0 {
			k = r.IntN(len(ids))
		}
		var err error
		switch {
		case what <= 1 || len(ids) == 0:
			a := smallArrival(i, math.Pow(10, 12*r.Float64()-3), r.IntN(2) == 0)
			stored, ids = append(stored, a), append(ids, mustSave(t, s, a).ID)
		case what == 2:
			a := stored[k]
			a.Pass.SHA256 = fmt.Sprintf("%064x", 1000+i)
			a.Frames.MS = append(slices.Clone(a.Frames.MS), 9)
			a.File.Size++
			a.Pass.Metrics.AvgFPS *= 1.5
			if saved := mustSave(t, s, a); saved.ID != ids[k] || saved.Revision == 0 {
				t.Fatalf("a log that grew became %+v", saved)
			}
			stored[k] = a
		case what == 3:
			err = s.Finish(ctx, ids[k], nil, verdicts[r.IntN(3)])
		case what == 4:
			err = s.Overrule(ctx, ids[k], verdicts[r.IntN(2)], "seen", "mo")
		default:
			_, err = s.Retag(ctx, ids[k:k+1], map[string]string{"game": []string{"Glass Harbour", "Tin Valley", "Hollow Court"}[r.IntN(3)]}, "mo", "")
		}
		if err != nil {
			t.Fatal(err)
		}
		if i%20 == 19 {
			checkCells(t, s)
		}
	}
}

// TestLargeCells: what is kept of a cell is given up where it has too many passes and
// computed when asked, and taken up again where a correction makes it smaller. The
// deviation survives values that differ in their last digits alone.
func TestLargeCells(t *testing.T) {
	s := newStore(t)
	var ids []string
	for i := range 203 {
		ids = append(ids, mustSave(t, s, smallArrival(i, 1e8+float64(i%7)*1e-6, true)).ID)
		if i == 199 || i == 200 {
			checkCells(t, s)
		}
	}
	kept := func() any {
		t.Helper()
		var n any
		if err := rawOpen(t, s.Path()).QueryRow("SELECT max(passes) FROM cell_rows").Scan(&n); err != nil {
			t.Fatal(err)
		}
		return n
	}
	checkCells(t, s)
	if n := kept(); n != nil {
		t.Errorf("a cell of 203 passes is kept, %v", n)
	}
	if _, err := s.Retag(ctx, ids[:3], map[string]string{"game": "Tin Valley"}, "mo", ""); err != nil {
		t.Fatal(err)
	}
	checkCells(t, s)
	if n := kept(); n != int64(200) {
		t.Errorf("a cell that has 200 passes again is not kept: %v", n)
	}
}

// TestVerifyKeptFigures: what is kept of a cell and is not so is found.
func TestVerifyKeptFigures(t *testing.T) {
	for _, change := range []string{"used = used + 1", "avg_fps = avg_fps * 1.000001", "low1_fps_sd = NULL"} {
		s := newStore(t)
		for i := range 3 {
			mustSave(t, s, arrival(i))
		}
		if r, err := s.Verify(t.Context()); err != nil || len(r.Problems) > 0 {
			t.Fatalf("a sound store: %+v, %v", r, err)
		}
		if _, err := rawOpen(t, s.Path()).Exec("UPDATE cell_rows SET " + change); err != nil {
			t.Fatal(err)
		}
		r, err := s.Verify(t.Context())
		if err != nil || len(r.Problems) != 1 || !strings.Contains(r.Problems[0].What, "the kept figures of 1 cell are not") {
			t.Errorf("%s: %+v, %v", change, r, err)
		}
	}
}

// smallArrival is a pass of few frames with the given figures.
func smallArrival(i int, fps float64, alike bool) store.Arrival {
	a := arrivalOf(fmt.Sprint("small log ", i), fmt.Sprint("/logs/small", i), day.Add(time.Duration(i)*time.Second), record.Frames{MS: []float64{float64(i) + 1, 2}, Decimals: 0})
	a.Telemetry, a.Pass.Metrics.AvgFPS, a.Pass.Metrics.Low1FPS = nil, fps, fps/2
	if !alike {
		a.Pass.Tags[record.TagGame] = record.Tag{Value: "Tin Valley", From: record.FromPath}
	}
	return a
}
