package logbook_test

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"os"
	"path/filepath"
	"testing"
	"time"

	"capd.example/campaign"
	"capd.example/internal/logbook"
	"capd.example/record"
	"capd.example/store"
)

const file = `
name = "book [1]"
[factors]
gpu = ["A60", "A70"]
[[game]]
name = "Copper Drift"
[aliases.gpu]
A60 = ["Nordwind Arctis 60*", "an older name"]
A70 = ["Nordwind Arctis 70*", "*both*"]
`

var at = time.Date(2026, 2, 3, 9, 0, 0, 0, time.UTC)

func open(t testing.TB) (*logbook.Book, *store.Store) {
	t.Helper()
	dir := t.TempDir()
	path := filepath.Join(dir, "campaign.toml")
	if err := os.WriteFile(path, []byte(file), 0o600); err != nil {
		t.Fatal(err)
	}
	b, err := logbook.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	s, err := store.Open(context.Background(), filepath.Join(dir, "passes.db"), store.Options{})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { s.Close() })
	return b, s
}

// keep stores a clean pass with these tags.
func keep(t testing.TB, s *store.Store, n int, bench string, tags map[string]string) {
	t.Helper()
	ctx := context.Background()
	sum := sha256.Sum256([]byte(fmt.Sprint(n)))
	p := record.Pass{SHA256: hex.EncodeToString(sum[:]), Bench: bench, Log: fmt.Sprint(n), Tags: record.Tags{},
		StartedAt: at.Add(time.Duration(n) * time.Minute), EndedAt: at.Add(time.Duration(n)*time.Minute + 30*time.Second)}
	for name, v := range tags {
		p.Tags[name] = record.Tag{Value: v, From: record.FromPath}
	}
	got, err := s.Save(ctx, store.Arrival{Pass: p, Frames: record.Frames{MS: []float64{10, 11, 12}}, System: record.System{ID: "x"}})
	if err != nil {
		t.Fatal(err)
	}
	if err := s.Finish(ctx, got.ID, nil, record.Clean); err != nil {
		t.Fatal(err)
	}
}

// The store may hold other campaigns, other benches, older names, and a campaign whose name
// looks like a pattern.
func TestReadTakesWhatBelongs(t *testing.T) {
	b, s := open(t)
	game := "Copper Drift"
	keep(t, s, 0, "one", map[string]string{"campaign": "book [1]", "gpu": "A60", "game": game})
	keep(t, s, 1, "two", map[string]string{"campaign": "book [1]", "gpu": "Nordwind Arctis 60 8GB", "game": game})
	keep(t, s, 2, "one", map[string]string{"gpu": "an older name", "game": game})
	keep(t, s, 3, "one", map[string]string{"campaign": "book 1", "gpu": "A60", "game": game})
	keep(t, s, 4, "one", map[string]string{"campaign": "book [1]", "gpu": "Nordwind Arctis 70 both", "game": game})
	keep(t, s, 5, "one", map[string]string{"campaign": "book [1]", "gpu": "unheard of", "game": game})
	page, err := b.Read(context.Background(), s, "one")
	if err != nil {
		t.Fatal(err)
	}
	if len(page.Passes) != 5 || page.Coverage.State(0).Done != 3 || page.Coverage.State(1).Done != 1 || len(page.Coverage.Unplaced) != 1 {
		t.Errorf("%d passes, %+v, %+v, %d without a cell", len(page.Passes), page.Coverage.State(0), page.Coverage.State(1), len(page.Coverage.Unplaced))
	}
}

func TestOrdersAreKeptPerBench(t *testing.T) {
	ctx := context.Background()
	b, s := open(t)
	for i, bench := range []string{"one", "two", "one"} {
		o := campaign.Order{Verb: campaign.Begin, Cell: b.Plan.Cell(i % 2), At: at.Add(time.Duration(i) * time.Minute)}
		if err := b.Give(ctx, s, bench, o); err != nil {
			t.Fatal(err)
		}
	}
	for bench, want := range map[string]int{"one": 2, "two": 1, "three": 0} {
		page, err := b.Read(ctx, s, bench)
		if err != nil || len(page.Orders) != want {
			t.Errorf("bench %s has %d orders, %v", bench, len(page.Orders), err)
		}
		claims := b.Claims(page, at.Add(time.Hour), at.Add(2*time.Hour), nil)
		if n := len(claims); (want == 0) != (n == 1) || claims[n-1].Name != record.TagCampaign || claims[n-1].Value != "book [1]" {
			t.Errorf("bench %s: %v", bench, claims)
		}
	}
}

func TestThePlanIsSilentWhereAnotherCellIsNamed(t *testing.T) {
	path := filepath.Join(t.TempDir(), "c.toml")
	text := `
name = "c"
[factors]
gpu = ["A60", "A70"]
preset = ["low", "high"]
[change_minutes]
gpu = 15
game = 2
preset = 1
[[game]]
name = "Copper Drift"
[[game]]
name = "Salt Flats"
[aliases.gpu]
A70 = ["Nordwind Arctis 70"]
`
	if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	b, err := logbook.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	var page logbook.Page
	page.Position, page.Coverage = b.Plan.Replay([]campaign.Order{{Verb: campaign.Begin, Cell: b.Plan.Cell(0), At: at}}, nil)
	for _, x := range []struct {
		name, value string
		from        record.Origin
		want        string // the factors that the plan speaks about
	}{
		{"preset", "LOW", record.FromPath, "gpu game preset "},
		{"game", "Copper Drift", record.FromPath, "gpu game preset "},
		{"preset", "high", record.FromPath, "gpu game "},
		{"game", "Salt Flats", record.FromHeader, "gpu "},
		{"gpu", "Nordwind Arctis 70", record.FromHand, ""},
		{"gpu", "Nordwind Arctis 70", record.FromDetected, "gpu game preset "},
	} {
		got := ""
		for _, c := range b.Claims(page, at.Add(time.Hour), at.Add(2*time.Hour), []record.Claim{{Name: x.name, Value: x.value, From: x.from}}) {
			if c.Name != record.TagCampaign {
				got += c.Name + " "
			}
		}
		if got != x.want {
			t.Errorf("%s says %s=%s: the plan speaks about %q, want %q", x.from, x.name, x.value, got, x.want)
		}
	}
}

func TestInstalledKnowsOnlyWhatTheCampaignNames(t *testing.T) {
	b, _ := open(t)
	sys := record.System{Fields: []record.Field{
		{Name: record.FieldProcessorName, Value: "Lithic Basalt 8"},
		{Name: record.FieldGraphicsName, Value: "Nordwind Arctis 70 16GB"},
	}}
	if got := b.Installed(sys); len(got) != 1 || got["gpu"] != "A70" {
		t.Errorf("%v", got)
	}
}

// What the agent does twice for every pass, with 2000 passes stored.
func BenchmarkRead(b *testing.B) {
	book, s := open(b)
	for n := range 2000 {
		keep(b, s, n, "one", map[string]string{"campaign": "book [1]", "gpu": "A60", "game": "Copper Drift"})
	}
	for b.Loop() {
		if _, err := book.Read(context.Background(), s, "one"); err != nil {
			b.Fatal(err)
		}
	}
}
