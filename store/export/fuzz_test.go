package export

import (
	"context"
	"math"
	"os"
	"path/filepath"
	"testing"
)

// A package comes from strangers: whatever its files hold, reading them gives an error or
// passes that could be stored, and opens nothing outside its folder.
func FuzzPackage(f *testing.F) {
	const id = "0123456789abcdef0123456789abcdef0123456789abcdef0123456789abcdef"
	f.Add([]byte(`{"resources":[{"name":"passes","format":"jsonl","path":["passes/part-0.jsonl"]}]}`),
		[]byte(`{"pass":"{\"id\":\"`+id[:12]+`\",\"sha256\":\"`+id+`\",\"bench\":\"b\",\"metrics\":{\"frames\":2}}","decimals":3}`),
		[]byte(`{"pass":"`+id[:12]+`","n":1,"ms":16.6}`+"\n"+`{"pass":"`+id[:12]+`","n":2,"ms":16.7}`),
		[]byte(`{"pass":"`+id[:12]+`","series":"cpu.load","unit":"%","n":1,"at":"2026-03-01T10:00:00Z","value":3}`))
	f.Add([]byte(`{"resources":[{"name":"passes","format":"csv","path":["passes/../../x"]}]}`), []byte(`{}`), []byte(``), []byte(``))
	description := func(format string) []byte {
		return []byte(`{"resources":[{"name":"passes","format":"` + format + `","path":["passes/part-0.x"]}]}`)
	}
	f.Add(description("csv"), []byte("pass,decimals\n\"{\"\"id\"\":\"\"x\"\"}\",3\n"), []byte("pass,n,ms\nx,1,16.6\n"), []byte("pass,series,n\nx,'=a,1\n"))
	f.Add(description("parquet"), []byte("PAR1"), []byte("PAR1\x00\x00\x00\x00PAR1"), []byte(""))
	dir := f.TempDir()
	for _, table := range []string{"passes", "frames", "telemetry"} {
		if err := os.MkdirAll(filepath.Join(dir, table), 0o755); err != nil {
			f.Fatal(err)
		}
	}
	f.Fuzz(func(t *testing.T, description, passes, frames, samples []byte) {
		root, err := os.OpenRoot(dir)
		if err != nil {
			t.Fatal(err)
		}
		defer root.Close()
		put := func(name string, text []byte) {
			if err := root.WriteFile(name, text, 0o600); err != nil {
				t.Fatal(err)
			}
		}
		put("datapackage.json", description)
		parts, format, _, _ := partsOf(root.FS())
		for _, p := range parts {
			if !filepath.IsLocal(p) {
				t.Fatalf("%q leads out of the folder", p)
			}
		}
		if format == "" {
			format = JSONLines
		}
		const part = "part.jsonl"
		put("passes/"+part, passes)
		put("frames/"+part, frames)
		put("telemetry/"+part, samples)
		list, err := readPart(context.Background(), root.FS(), part, format, maxHeld)
		if err != nil {
			return
		}
		for _, a := range list {
			if err := checkPass(a); err != nil {
				t.Errorf("taken although %v", err)
			}
			for _, x := range a.Frames.MS {
				if x < 0 || math.IsNaN(x) || math.IsInf(x, 0) {
					t.Errorf("a frame of %v ms is taken", x)
				}
			}
		}
	})
}
