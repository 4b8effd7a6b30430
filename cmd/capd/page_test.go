package main_test

import (
	"bytes"
	"fmt"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/chromedp"

	"capd.example/control"
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
	must(t, os.WriteFile(conf, fmt.Appendf(nil, "bench = \"b\"\ndata = %q\nwatch = %q\n[expect]\nduration_s = 20\n[files]\nquiet_s = 0.3\n[checks]\noff = [\"background\"]\n[tags]\npaths = [\"{game}-{pass}.csv\"]\n[page]\nlisten = %q\n",
		filepath.Join(dir, "data"), logs, address), 0o644))
	must(t, os.MkdirAll(logs, 0o755))
	seed := uint64(0)
	write := func(name string, seconds, fps float64) {
		t.Helper()
		seed++
		s := testlab.Scene{Seed: seed, FPS: fps, Seconds: seconds, Load: 1, Hitches: -1}
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
	write("Copper Drift-1.csv", 8, 100)
	browser.Until(t, ctx, `document.querySelector('#last .huge').textContent.trim() === 'bad' && document.querySelector('#last').innerText.includes('Copper Drift')`)
	browser.Until(t, ctx, `document.getElementById('cry').textContent.startsWith('bad: pass 1 of Copper Drift')`)
	must(t, agent.Process.Kill())
	agent.Wait()
	browser.Until(t, ctx, `document.getElementById('link').textContent.startsWith('No word from the agent since ')`)
	agent = start(t, capd, conf, &out)
	write("Salt Flats-1.csv", 20, 100)
	browser.Until(t, ctx, `document.getElementById('link').textContent === 'Kept up to date.' && document.querySelector('#last').innerText.includes('Salt Flats')`)

	// A browser is paired, sees two passes that do not agree, and takes one out: the other is clean
	// again. Then the browser is no longer paired.
	write("Salt Flats-2.csv", 20, 80)
	data := filepath.Join(dir, "data")
	verdicts := func() string {
		var out []string
		for _, p := range awaitTold(t, data, 3) {
			out = append(out, p.Tags.Value("game")+" "+p.Tags.Value("pass")+" "+string(p.Verdict))
		}
		slices.Sort(out)
		return strings.Join(out[1:], ", ")
	}
	before := verdicts()
	c, err := control.Dial(t.Context(), data)
	must(t, err)
	defer c.Close()
	i, err := c.Invite(t.Context(), "phone")
	must(t, err)
	if !i.Local || i.Addresses[0] != "http://"+address {
		t.Errorf("%+v", i)
	}
	if err := chromedp.Do(ctx, chromedp.Navigate(i.Open())); err != nil {
		t.Fatal(err)
	}
	browser.Until(t, ctx, `document.body?.innerText.includes('Paired as phone.') && document.getElementById('link')?.textContent === 'Kept up to date.'`)
	browser.Ask[bool](t, ctx, `document.querySelector('[value=pause] ~ button').click(), true`)
	browser.Until(t, ctx, `document.getElementById('paused')?.innerText.includes('by phone (page)')`)
	browser.Ask[bool](t, ctx, `document.querySelector('[value=resume] ~ button').click(), true`)
	browser.Until(t, ctx, `!document.getElementById('paused')`)
	browser.Ask[bool](t, ctx, `[...document.querySelectorAll('#passes a')].find(a => a.innerText.includes('pass 2 of Salt Flats')).click(), true`)
	browser.Until(t, ctx, `document.querySelector('[name=why]')`)
	browser.Ask[bool](t, ctx, `document.querySelector('[name=verdict]').value = 'bad', document.querySelector('[name=why]').value = 'the wrong scene', document.querySelector('[name=verdict]').form.requestSubmit(), true`)
	browser.Until(t, ctx, `document.body?.innerText.includes('is now bad by hand.')`)
	const want = "Salt Flats 1 clean, Salt Flats 2 bad"
	for end := time.Now().Add(time.Minute); verdicts() != want && time.Now().Before(end); {
	}
	if after := verdicts(); after != want || strings.Contains(before, "1 clean") {
		t.Errorf("before: %s; after: %s", before, after)
	}
	list, err := c.Devices(t.Context())
	must(t, err)
	if len(list) != 1 || list[0].Name != "phone" {
		t.Fatalf("%+v", list)
	}
	must(t, c.Revoke(t.Context(), list[0].ID))
	if err := chromedp.Do(ctx, chromedp.Navigate("http://"+address)); err != nil {
		t.Fatal(err)
	}
	browser.Until(t, ctx, `document.getElementById('link')?.textContent === 'Kept up to date.' && !document.querySelector('form')`)
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
