//go:build linux

package duckdb_test

import (
	"database/sql"
	"fmt"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"syscall"
	"testing"

	"capd.example/framelog"
	"capd.example/internal/testlab"
	"capd.example/metrics"
	_ "github.com/marcboeker/go-duckdb"
)

// query asks for what can be said in plain SQL of the figures that we compute: count,
// sum, four quantiles (continuous, as Hyndman-Fan type 7) and both lows by count.
const query = `with f as (select took_ms as x from read_csv('%s')),
t as (select count(*) as n, sum(x) as total, max(x) as longest, quantile_cont(x, [0.5, 0.95, 0.99, 0.999]) as q from f),
r as (select x, row_number() over (order by x desc) as k from f)
select n, total, longest, q[1], q[2], q[3], q[4],
 (select count(*) / sum(x) from r where k <= ceil(n * 0.01)), (select count(*) / sum(x) from r where k <= ceil(n * 0.001)) from t`

func BenchmarkSideBySide(b *testing.B) {
	paths, size := logs(b, 24)
	db, err := sql.Open("duckdb", "")
	if err != nil {
		b.Fatal(err)
	}
	defer db.Close()
	if _, err := db.Exec(fmt.Sprintf("set threads to %d", runtime.GOMAXPROCS(0))); err != nil {
		b.Fatal(err)
	}
	b.Run("ours", func(b *testing.B) {
		var r framelog.Reader
		var c metrics.Computer
		perProcessor(b, size, func(i int) error {
			got, _, err := r.ReadFile(paths[i%len(paths)], framelog.Options{NoHash: true})
			if err == nil {
				_, err = c.Compute(got.Frames)
			}
			return err
		})
	})
	b.Run("duckdb", func(b *testing.B) {
		perProcessor(b, size, func(i int) error {
			var v [9]float64
			return db.QueryRow(fmt.Sprintf(query, paths[i%len(paths)])).Scan(&v[0], &v[1], &v[2], &v[3], &v[4], &v[5], &v[6], &v[7], &v[8])
		})
	})
	b.Run("duckdb-average-only", func(b *testing.B) {
		perProcessor(b, size, func(i int) error {
			var n, total float64
			return db.QueryRow(fmt.Sprintf("select count(*), sum(took_ms) from read_csv('%s')", paths[i%len(paths)])).Scan(&n, &total)
		})
	})
	b.Run("duckdb-all-at-once", func(b *testing.B) {
		perProcessor(b, size*int64(len(paths)), func(int) error {
			rows, err := db.Query(fmt.Sprintf("select filename, count(*), sum(took_ms), quantile_cont(took_ms, [0.5, 0.95, 0.99, 0.999])::varchar from read_csv(['%s'], filename = true) group by filename", strings.Join(paths, "','")))
			if err != nil {
				return err
			}
			defer rows.Close()
			n := 0
			for rows.Next() {
				n++
			}
			if n != len(paths) {
				return fmt.Errorf("%d logs of %d", n, len(paths))
			}
			return rows.Err()
		})
	})
}

// perProcessor reports MB per processor second: what all threads used counts.
func perProcessor(b *testing.B, size int64, read func(i int) error) {
	before := processor()
	n := 0
	for ; b.Loop(); n++ {
		if err := read(n); err != nil {
			b.Fatal(err)
		}
	}
	b.SetBytes(size)
	b.ReportMetric(float64(size)*float64(n)/1e6/(processor()-before), "MB/cpu-s")
}

// processor returns the seconds that this process has used on all processors.
func processor() float64 {
	var u syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_SELF, &u); err != nil {
		return 0
	}
	return float64(u.Utime.Nano()+u.Stime.Nano()) / 1e9
}

func logs(b *testing.B, n int) ([]string, int64) {
	dir := b.TempDir()
	var paths []string
	var size int64
	for i := range n {
		text := testlab.WideLog(uint64(i), testlab.Scene{Seed: uint64(i), FPS: 160, Seconds: 61, Load: 3}.Frames())
		p := filepath.Join(dir, fmt.Sprintf("pass%d.csv", i))
		if err := os.WriteFile(p, text, 0o644); err != nil {
			b.Fatal(err)
		}
		paths, size = append(paths, p), size+int64(len(text))
	}
	return paths, size / int64(n)
}
