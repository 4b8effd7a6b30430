package page

import (
	"context"
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/chromedp"

	"capd.example/config"
	"capd.example/control"
	"capd.example/internal/testlab/browser"
	"capd.example/page/view"
	"capd.example/record"
)

// The page in a browser, from a phone to a wall, in light and in dark: no message, nothing
// that is wider than the screen, nothing too small. PAGE_OUT keeps pictures.
func TestOnEveryScreen(t *testing.T) {
	ctx := browser.Start(t)
	src := bench()
	src.set(func(v *view.Bench) { v.Passes = v.Passes[1:] }) // the last one is bad
	src.v.Passes[1].Name = hostile
	s := serving(t, src)
	h := browser.Listen(t, ctx)
	for _, screen := range []struct {
		wide, high int64
		scheme     string
	}{{320, 640, "light"}, {390, 844, "dark"}, {1280, 800, "light"}, {1920, 1080, "dark"}, {3840, 2160, "light"}} {
		for path, name := range map[string]string{"": "now", "pass/0a1b2c3d4e51": "pass", "cell/2": "cell", "map?game=x": "map"} {
			name = fmt.Sprintf("%s-%d-%s", name, screen.wide, screen.scheme)
			if err := chromedp.Do(ctx, chromedp.EmulateViewport(screen.wide, screen.high), browser.Scheme(screen.scheme), chromedp.Navigate(s.Address()+path), chromedp.WaitReady("footer")); err != nil {
				t.Fatalf("%s: %v", name, err)
			}
			if path == "" {
				browser.Until(t, ctx, `document.getElementById('link').textContent === 'Kept up to date.'`)
			}
			if wide := browser.Ask[int64](t, ctx, `document.documentElement.scrollWidth`); wide > screen.wide {
				t.Errorf("%s: the page is %d px wide", name, wide)
			}
			if small := browser.Ask[int](t, ctx, `[...document.querySelectorAll('p, td, th, li, dd')].filter(e => e.checkVisibility() && parseFloat(getComputedStyle(e).fontSize) < 12).length`); small > 0 {
				t.Errorf("%s: %d texts are too small", name, small)
			}
			browser.Shot(t, ctx, "PAGE_OUT", name+".png")
			if said := h.Take(); len(said) > 0 {
				t.Errorf("%s: %q", name, said)
			}
		}
	}
	// Readable from 3 m: the letters of the verdict are at least 6 % of the screen's width high.
	chromedp.Do(ctx, chromedp.EmulateViewport(390, 844), chromedp.Navigate(s.Address()), chromedp.WaitReady("footer"))
	if size := browser.Ask[float64](t, ctx, `parseFloat(getComputedStyle(document.querySelector('.huge')).fontSize) / innerWidth`); size < 0.08 {
		t.Errorf("the verdict is %.3f of the width", size)
	}
}

// What happens appears without a reload, a bad pass is told at once to who cannot see it, and
// a name is never more than a text.
func TestBadPassAppears(t *testing.T) {
	ctx := browser.Start(t)
	src := bench()
	s := serving(t, src)
	h := browser.Listen(t, ctx)
	if err := chromedp.Do(ctx, chromedp.Navigate(s.Address())); err != nil {
		t.Fatal(err)
	}
	browser.Until(t, ctx, `document.getElementById('link').textContent === 'Kept up to date.'`)
	browser.Ask[bool](t, ctx, `window.here = true`)
	src.set(func(v *view.Bench) {
		v.Passes = append([]view.Pass{{ID: "ffff00001111", Name: hostile, Verdict: record.VerdictBad, Why: "it stopped early", At: noon}}, v.Passes...)
		v.Recording = nil
	})
	s.o.Events.Publish(control.Event{Kind: control.KindAlert, Text: "BAD " + hostile})
	browser.Until(t, ctx, `document.querySelector('#last .huge').textContent.trim() === 'bad'`)
	browser.Until(t, ctx, `document.getElementById('cry').textContent.startsWith('BAD ')`)
	if !browser.Ask[bool](t, ctx, `window.here && !document.getElementById('elapsed') && document.title.startsWith('bad') && !document.querySelector('img')`) {
		t.Error("the page was loaded anew, still counts, keeps its title or took a name for more than text")
	}
	if said := h.Take(); len(said) > 0 {
		t.Errorf("%q", said)
	}
}

// While the agent is away the page says so, and comes back by itself.
func TestAgentStartsAgain(t *testing.T) {
	ctx := browser.Start(t)
	src := bench()
	run := func(at string) (string, func()) {
		s, err := Listen(t.Context(), Options{Page: config.Page{Listen: at}, Source: src, Events: &control.Hub{}})
		if err != nil {
			t.Fatal(err)
		}
		life, stop := context.WithCancel(context.Background())
		ended := make(chan error, 1)
		go func() { ended <- s.Run(life) }()
		return s.listener.Addr().String(), func() { stop(); <-ended }
	}
	at, stop := run("127.0.0.1:0")
	if err := chromedp.Do(ctx, chromedp.Navigate("http://"+at)); err != nil {
		t.Fatal(err)
	}
	browser.Until(t, ctx, `document.getElementById('link').textContent === 'Kept up to date.'`)
	stop()
	browser.Until(t, ctx, `document.getElementById('link').textContent.startsWith('No word from the agent since ')`)
	browser.Shot(t, ctx, "PAGE_OUT", "lost.png")
	src.set(func(v *view.Bench) { v.Passes = v.Passes[1:] })
	_, stop = run(at)
	defer stop()
	browser.Until(t, ctx, `document.getElementById('link').textContent === 'Kept up to date.' && document.querySelector('#last .huge').textContent.trim() === 'bad'`)
}

// Without script the page is complete and asks to be loaded anew.
func TestWithoutScript(t *testing.T) {
	ctx := browser.Start(t)
	src := bench()
	s := serving(t, src)
	if err := chromedp.Do(ctx, browser.Script(false), chromedp.EmulateViewport(390, 844), chromedp.Navigate(s.Address())); err != nil {
		t.Fatal(err)
	}
	// the refresh stands in a noscript of the head, which is markup only where script is off
	if !browser.Ask[bool](t, ctx, `!!document.querySelector('head meta[http-equiv=refresh]') && document.querySelectorAll('#map, .map td').length > 40 && document.getElementById('elapsed').textContent.startsWith('since ')`) {
		t.Error("the page is not complete")
	}
	browser.Shot(t, ctx, "PAGE_OUT", "no-script.png")
}

// Tabs that nobody sees hold no stream, so that a seventh can be opened: browsers keep six
// connections to a place.
func TestSevenTabs(t *testing.T) {
	ctx := browser.Start(t)
	s := serving(t, bench())
	for i := range 7 {
		tab, stop := chromedp.NewContext(ctx)
		defer stop()
		tab, end := context.WithTimeout(tab, time.Minute)
		defer end()
		if err := chromedp.Do(tab, chromedp.Navigate(s.Address())); err != nil {
			t.Fatalf("tab %d: %v", i, err)
		}
		if i == 0 {
			continue
		}
		browser.Until(t, tab, `document.getElementById('link').textContent === 'Kept up to date.'`)
		browser.Ask[bool](t, tab, `Object.defineProperty(document, 'hidden', {value: true, configurable: true}); document.dispatchEvent(new Event('visibilitychange'))`)
	}
	for s.views.count() > 1 { // that of the first tab, which can be seen
		waitABit(t)
	}
}

// A name that leads to this machine (DNS rebinding) gets a real browser nothing.
func TestRebinding(t *testing.T) {
	ctx := browser.Start(t, chromedp.Flag("host-resolver-rules", "MAP evil.example 127.0.0.1"))
	s := serving(t, bench())
	at := strings.Replace(s.Address(), "127.0.0.1", "evil.example", 1)
	if err := chromedp.Do(ctx, chromedp.Navigate(at)); err != nil {
		t.Fatal(err)
	}
	if text := browser.Ask[string](t, ctx, `document.body.innerText`); strings.Contains(text, "Copper Drift") || !strings.Contains(text, `names = ["evil.example"]`) {
		t.Errorf("%.300q", text)
	}
	for _, path := range []string{"events", "metrics", "pass/0a1b2c3d4e51"} {
		if status := browser.Ask[int](t, ctx, `(() => { const x = new XMLHttpRequest(); x.open('GET', '/`+path+`', false); x.send(); return x.status })()`); status != 403 {
			t.Errorf("%s: status %d", path, status)
		}
	}
}

// What happened shows quickly: from the event in the agent to the browser's next picture.
func TestFromVerdictToPixel(t *testing.T) {
	ctx := browser.Start(t)
	src := bench()
	s := serving(t, src)
	if err := chromedp.Do(ctx, chromedp.Navigate(s.Address())); err != nil {
		t.Fatal(err)
	}
	browser.Until(t, ctx, `document.getElementById('link').textContent === 'Kept up to date.'`)
	browser.Ask[bool](t, ctx, `new MutationObserver(() => requestAnimationFrame(() => { window.shown = Date.now() })).observe(document.getElementById('main'), {childList: true}), true`)
	src.set(func(v *view.Bench) { v.Passes = v.Passes[1:] })
	told := time.Now()
	s.o.Events.Publish(control.Event{Kind: control.KindState})
	browser.Until(t, ctx, `window.shown > 0`)
	t.Logf("%d ms", browser.Ask[int64](t, ctx, `window.shown`)-told.UnixMilli()) // no limit: other programs run here, too
}
