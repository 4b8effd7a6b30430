package main_test

import (
	"bytes"
	"fmt"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"testing"
	"time"

	"github.com/chromedp/chromedp"

	"capd.example/internal/testlab"
	"capd.example/internal/testlab/browser"
)

// The real agent in a real browser: a bad pass appears on the page, and after the agent was
// killed and started again the page goes on by itself.
func TestPageOfTheAgent(t *testing.T) {
	ctx := browser.Start(t)
	dir := t.TempDir()
	capd := filepath.Join(dir, "capd")
	if runtime.GOOS == "windows" {
		capd += ".exe"
	}
	if out, err := exec.Command("go", append(append([]string{"build"}, testlab.BuildFlags...), "-o", capd, "capd.example/cmd/capd")...).CombinedOutput(); err != nil {
		t.Fatalf("build the agent: %v\n%s", err, out)
	}
	free, err := net.Listen("tcp", "127.0.0.1:0")
	must(t, err)
	address := free.Addr().String()
	free.Close()
	logs, conf := filepath.Join(dir, "logs"), filepath.Join(dir, "capd.toml")
	must(t, os.WriteFile(conf, fmt.Appendf(nil, "bench = \"b\"\ndata = %q\nwatch = %q\n[expect]\nduration_s = 20\n[files]\nquiet_s = 0.3\n[checks]\noff = [\"background\"]\n[tags]\npaths = [\"{game}.csv\"]\n[page]\nlisten = %q\n",
		filepath.Join(dir, "data"), logs, address), 0o644))
	must(t, os.MkdirAll(logs, 0o755))
	write := func(name string, seconds float64) {
		t.Helper()
		s := testlab.Scene{Seed: uint64(seconds), FPS: 100, Seconds: seconds, Load: 1, Hitches: -1}
		must(t, os.WriteFile(filepath.Join(logs, name), testlab.Log(0, s.Frames(), nil), 0o644))
	}

	var out bytes.Buffer
	agent := start(t, capd, conf, &out)
	defer func() { agent.Process.Kill(); agent.Wait() }()
	up(t, address)
	if err := chromedp.Do(ctx, chromedp.Navigate("http://"+address)); err != nil {
		t.Fatal(err)
	}
	browser.Until(t, ctx, `document.getElementById('link').textContent === 'Kept up to date.' && document.querySelector('#last .huge').textContent === 'no pass yet'`)
	write("Copper Drift.csv", 8)
	browser.Until(t, ctx, `document.querySelector('#last .huge').textContent.trim() === 'bad' && document.querySelector('#last').innerText.includes('Copper Drift')`)
	browser.Until(t, ctx, `document.getElementById('cry').textContent.startsWith('bad: Copper Drift')`)
	must(t, agent.Process.Kill())
	agent.Wait()
	browser.Until(t, ctx, `document.getElementById('link').textContent.startsWith('No word from the agent since ')`)
	agent = start(t, capd, conf, &out)
	write("Salt Flats.csv", 20)
	browser.Until(t, ctx, `document.getElementById('link').textContent === 'Kept up to date.' && document.querySelector('#last').innerText.includes('Salt Flats')`)
}

// up waits until somebody listens.
func up(t *testing.T, address string) {
	t.Helper()
	tick := time.NewTicker(20 * time.Millisecond)
	defer tick.Stop()
	for end := time.Now().Add(time.Minute); time.Now().Before(end); <-tick.C {
		if c, err := net.DialTimeout("tcp", address, time.Second); err == nil {
			c.Close()
			return
		}
	}
	t.Fatalf("nobody listens at %s", address)
}
