package framelog_test

import (
	"encoding/csv"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"testing"

	"capd.example/framelog"
	"capd.example/internal/testlab"
	"capd.example/metrics"
)

// The manifests were computed with numpy from the recorded nanoseconds, apart from this
// project; testdata's READMEs tell how.
func TestRecordedPassesAgreeWithTheirManifest(t *testing.T) {
	read := new(framelog.Reader)
	for _, folder := range []string{"real-passes", "gpu-matrix"} {
		for _, row := range manifest(t, folder) {
			t.Run(folder+"/"+row["file"], func(t *testing.T) {
				got, _, err := read.ReadFile(filepath.Join(testlab.Root(), "testdata", folder, row["file"]), framelog.Options{})
				if err != nil {
					t.Fatal(err)
				}
				m, err := metrics.Compute(got.Frames)
				if err != nil {
					t.Fatal(err)
				}
				for key, v := range map[string]float64{
					"frames": float64(m.Frames), "duration_s": m.DurationS, "average_fps": m.AvgFPS,
					"p99_ms": m.P99MS, "low1_fps": m.Low1FPS, "max_ms": m.MaxMS,
				} {
					want, err := strconv.ParseFloat(row[key], 64)
					if row[key] == "" {
						continue
					}
					if err != nil || math.Abs(v-want) > 1e-6*want {
						t.Errorf("%s = %.12g, manifest %s; read as %+v", key, v, row[key], got.Layout)
					}
				}
				for _, r := range got.Remarks {
					t.Errorf("unexpected remark: %+v", r)
				}
			})
		}
	}
}

func manifest(t *testing.T, folder string) []map[string]string {
	t.Helper()
	f, err := os.Open(filepath.Join(testlab.Root(), "testdata", folder, "manifest.csv"))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	var out []map[string]string
	for _, r := range rows[1:] {
		m := map[string]string{}
		for i, k := range rows[0] {
			m[k] = r[i]
		}
		out = append(out, m)
	}
	if len(out) < 30 {
		t.Fatalf("%s: only %d logs in the manifest", folder, len(out))
	}
	return out
}
