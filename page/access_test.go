package page

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"net/http/httptest"
	"os"
	"strings"
	"sync"
	"testing"

	"github.com/chromedp/chromedp"

	"capd.example/control"
	"capd.example/internal/testlab/browser"
	"capd.example/page/pairing"
	"capd.example/page/view"
	"capd.example/record"
)

// ordering serves a page that takes orders; the function returns those that came.
func ordering(t *testing.T, src *invented, names ...string) (*Server, func() []control.Order) {
	t.Helper()
	var mu sync.Mutex
	var given []control.Order
	s := serving(t, src, func(s *Server) {
		keeper, err := pairing.Open(t.TempDir())
		if err != nil {
			t.Fatal(err)
		}
		s.o.Pairing, s.o.Names = keeper, names
		s.o.Order = func(_ context.Context, o control.Order) (string, error) {
			mu.Lock()
			defer mu.Unlock()
			given = append(given, o)
			if o.Verb == control.VerbPause {
				return "", errors.New("the agent <b>stops</b>")
			}
			return "Did " + string(o.Verb) + " <b>at once</b>.", nil
		}
	})
	return s, func() []control.Order { mu.Lock(); defer mu.Unlock(); return given }
}

// A browser that opens the address of `capctl page` is paired and keeps no code; from then on it
// has buttons, with script and without.
func TestBrowserIsPairedAndOrders(t *testing.T) {
	ctx := browser.Start(t)
	src := bench()
	s, given := ordering(t, src)
	h := browser.Listen(t, ctx)
	code, _ := s.o.Pairing.Invite("phone")
	if err := chromedp.Do(ctx, chromedp.Navigate(s.Address()+"pair#"+code)); err != nil {
		t.Fatal(err)
	}
	browser.Until(t, ctx, `location.pathname === '/' && document.getElementById('link')?.textContent === 'Kept up to date.'`)
	if text := browser.Ask[string](t, ctx, `JSON.stringify([location.href, document.cookie, Object.keys(localStorage)])`); strings.Contains(text, code) || strings.Contains(text, "capd-page") {
		t.Errorf("the browser's scripts and history know %s", text)
	}
	if !browser.Ask[bool](t, ctx, `document.body?.innerText.includes('Paired as phone.')`) {
		t.Error("the page does not say that it is paired")
	}
	browser.Ask[bool](t, ctx, `document.querySelector('[value=skip] ~ button').click(), true`)
	browser.Until(t, ctx, `document.getElementById('answer').textContent.trim() === 'Did skip <b>at once</b>.'`)
	browser.Ask[bool](t, ctx, `document.querySelector('[value=pause] ~ button').click(), true`)
	browser.Until(t, ctx, `document.getElementById('answer').textContent.trim() === 'The agent <b>stops</b>.'`)
	said := h.Take()
	if len(said) != 1 || !strings.Contains(said[0], "409") { // which a browser says of every refusal
		t.Errorf("%q", said)
	}
	browser.Shot(t, ctx, "PAGE_OUT", "answer.png")
	// What happens is drawn with the buttons, and the focus stays.
	browser.Ask[bool](t, ctx, `document.querySelector('[value=skip] ~ button').focus(), true`)
	src.set(func(v *view.Bench) {
		p := *v.Plan // the page may still be drawing the one before
		p.Advice = "record pass 4"
		v.Plan = &p
	})
	s.o.Events.Publish(control.Event{Kind: control.KindState})
	browser.Until(t, ctx, `document.getElementById('next').innerText.includes('record pass 4') && document.activeElement === document.querySelector('[value=skip] ~ button')`)

	if err := chromedp.Do(ctx, browser.Script(false), chromedp.Navigate(s.Address()+"pass/0a1b2c3d4e51"), chromedp.WaitReady("[name=why]")); err != nil {
		t.Fatal(err)
	}
	browser.Ask[bool](t, ctx, `document.querySelector('[name=verdict]').value = 'doubtful', document.querySelector('[name=why]').value = 'a <b>reason</b>', document.querySelector('[name=verdict]').form.requestSubmit(), true`)
	browser.Until(t, ctx, `location.pathname === '/order' && document.body?.innerText.includes('Did overrule <b>at once</b>.')`)
	browser.Shot(t, ctx, "PAGE_OUT", "said.png")
	want := []control.Order{{Verb: "skip", Cell: 3, Key: "c3", Current: "c3", Who: "phone"}, {Verb: "pause", Who: "phone"}, {Verb: "overrule", Pass: "0a1b2c3d4e51", Seen: "sbad", Verdict: record.VerdictDoubtful, Why: "a <b>reason</b>", Who: "phone"}}
	if got := given(); len(got) != 3 || got[0] != want[0] || got[1] != want[1] || got[2] != want[2] {
		t.Errorf("%+v", got)
	}
	// The code again, typed and without script: it is used up.
	if err := chromedp.Do(ctx, chromedp.Navigate(s.Address()+"pair"), chromedp.WaitReady("[name=code]")); err != nil {
		t.Fatal(err)
	}
	browser.Ask[bool](t, ctx, `document.querySelector('[name=code]').value = '`+code+`', document.forms[0].requestSubmit(), true`)
	browser.Until(t, ctx, `document.querySelector('[role=alert]')?.textContent.startsWith('This code is not valid')`)
	browser.Shot(t, ctx, "PAGE_OUT", "pair.png")
}

// A browser whose right was taken back loses its buttons at once; one of another machine is led to
// where it can be paired again.
func TestBrowserIsNoLongerPaired(t *testing.T) {
	ctx := browser.Start(t, chromedp.Flag("host-resolver-rules", "MAP bench-1.lan 127.0.0.1"))
	s, _ := ordering(t, bench(), "bench-1.lan")
	for name, then := range map[string]string{"127.0.0.1": `document.getElementById('link')?.textContent === 'Kept up to date.' && !document.querySelector('form') && !document.body.innerText.includes('Paired as')`,
		"bench-1.lan": `location.pathname === '/pair'`} {
		code, _ := s.o.Pairing.Invite("phone")
		if err := chromedp.Do(ctx, chromedp.Navigate(strings.Replace(s.Address(), "127.0.0.1", name, 1)+"pair#"+code)); err != nil {
			t.Fatal(err)
		}
		browser.Until(t, ctx, `document.getElementById('link')?.textContent === 'Kept up to date.' && document.body.innerText.includes('Paired as')`)
		if err := s.o.Pairing.Revoke(s.o.Pairing.Devices()[0].ID); err != nil {
			t.Fatal(err)
		}
		s.o.Events.Publish(control.Event{Kind: control.KindState})
		browser.Until(t, ctx, then)
	}
}

// Another site in the same browser can have no order given, although that is paired.
func TestForeignSiteOrders(t *testing.T) {
	ctx := browser.Start(t, chromedp.Flag("host-resolver-rules", "MAP evil.example 127.0.0.1"))
	s, given := ordering(t, bench())
	other := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) { // any other site
		fmt.Fprintf(w, "<!doctype html><title>x</title><form method=post action=%sorder><input name=verb value=skip></form>", s.Address())
	}))
	t.Cleanup(other.Close)
	code, _ := s.o.Pairing.Invite("phone")
	if err := chromedp.Do(ctx, chromedp.Navigate(s.Address()+"pair#"+code)); err != nil {
		t.Fatal(err)
	}
	browser.Until(t, ctx, `document.body?.innerText.includes('Paired as phone.')`)
	for _, from := range []string{other.URL, strings.Replace(other.URL, "127.0.0.1", "evil.example", 1), "data:text/html,<form method=post action=" + s.Address() + "order><input name=verb value=skip></form>"} {
		if err := chromedp.Do(ctx, chromedp.Navigate(from), chromedp.WaitReady("form")); err != nil {
			t.Fatal(err)
		}
		browser.Ask[bool](t, ctx, `document.forms[0].submit(), true`)
		browser.Until(t, ctx, `location.pathname === '/order' && document.body?.innerText.includes('Another page asked for this')`)
	}
	if got := given(); len(got) > 0 {
		t.Errorf("%+v", got)
	}
}

// Sound is off until somebody switches it on, which the browser remembers; bad sounds low, "the
// next may begin" high, and a phone shakes in two ways.
func TestSound(t *testing.T) {
	ctx := browser.Start(t)
	s := serving(t, bench())
	watch := func() {
		t.Helper()
		browser.Until(t, ctx, `document.getElementById('link')?.textContent === 'Kept up to date.'`)
		browser.Ask[bool](t, ctx, `window.heard = [], window.shaken = [], navigator.vibrate = x => shaken.push(JSON.stringify(x)), OscillatorNode.prototype.start = function() { heard.push(this.frequency.value) }, OscillatorNode.prototype.stop = () => {}, true`)
	}
	if err := chromedp.Do(ctx, chromedp.Navigate(s.Address())); err != nil {
		t.Fatal(err)
	}
	watch()
	tell := func(verdict record.Verdict) {
		s.o.Events.Publish(control.Event{Kind: control.KindPass, Text: string(verdict), Pass: &record.Pass{Verdict: verdict}})
		where := map[bool]string{true: "cry", false: "say"}[verdict == record.VerdictBad]
		browser.Until(t, ctx, fmt.Sprintf(`document.getElementById('%s').textContent.startsWith('%s')`, where, verdict))
	}
	tell(record.VerdictBad)
	if browser.Ask[int](t, ctx, `heard.length + shaken.length`) > 0 {
		t.Error("it sounds although nobody switched that on")
	}
	if err := chromedp.Do(ctx, chromedp.Click("#sound")); err != nil { // a touch, as browsers ask for
		t.Fatal(err)
	}
	browser.Until(t, ctx, `heard.join() === '880' && document.getElementById('touch').hidden`)
	tell(record.Clean)
	browser.Until(t, ctx, `heard.join() === '880,880' && shaken.join() === '80'`)
	browser.Ask[bool](t, ctx, `document.getElementById('cry').textContent = '', true`)
	tell(record.VerdictBad)
	browser.Until(t, ctx, `heard.join() === '880,880,330,220' && shaken.join() === '80,[300,150,300]'`)

	if err := chromedp.Do(ctx, chromedp.Navigate(s.Address()), chromedp.WaitReady("footer")); err != nil {
		t.Fatal(err)
	}
	watch()
	if !browser.Ask[bool](t, ctx, `document.getElementById('sound').checked && !document.getElementById('touch').hidden`) {
		t.Error("the browser forgot the switch, or does not say that it is to be touched")
	}
	if err := chromedp.Do(ctx, chromedp.Click("#bench")); err != nil {
		t.Fatal(err)
	}
	browser.Until(t, ctx, `document.getElementById('touch').hidden`)
	tell(record.Clean)
	browser.Until(t, ctx, `heard.join() === '880'`)
}

// No rule of axe-core is broken (WCAG 2.2 and good practice), on any page, in light and dark, on a
// phone and a screen. The rules are Deque's, testdata/axe.
func TestAccessible(t *testing.T) {
	rules, err := os.ReadFile("testdata/axe/axe.min.js")
	if err != nil {
		t.Fatal(err)
	}
	ctx := browser.Start(t)
	src := bench()
	src.set(func(v *view.Bench) {
		v.Troubles = []view.Trouble{{Text: "the lab is away", Advice: "wait", Since: noon}}
		v.Paused, v.Watch, v.Problem, v.MoreAlerts = "lunch", "/logs", "the store is busy", 3
	})
	s, _ := ordering(t, src)
	code, _ := s.o.Pairing.Invite("phone")
	if err := chromedp.Do(ctx, chromedp.Navigate(s.Address()+"pair#"+code)); err != nil {
		t.Fatal(err)
	}
	browser.Until(t, ctx, `location.pathname === '/'`)
	for i, verdict := range []record.Verdict{record.VerdictBad, record.Clean, record.VerdictDoubtful, record.Unverified} {
		src.set(func(v *view.Bench) { v.Passes[0].Verdict, v.Passes[0].ByHand = verdict, true })
		for _, path := range []string{"", "pass/0a1b2c3d4e50", "cell/2", "map?game=x", "pair"} {
			if i > 1 && path != "" {
				continue
			}
			wide, scheme := []int64{320, 1280}[i%2], []string{"light", "dark"}[i%2]
			if i > 1 {
				wide, scheme = 1280, []string{"dark", "light"}[i%2]
			}
			if err := chromedp.Do(ctx, chromedp.EmulateViewport(wide, 900), browser.Scheme(scheme), chromedp.Navigate(s.Address()+path), chromedp.WaitReady("footer")); err != nil {
				t.Fatal(err)
			}
			browser.Ask[bool](t, ctx, string(rules)+"\n;true")
			browser.Ask[bool](t, ctx, `window.found = '', axe.run(document).then(r => { found = r.passes.length + ' rules hold\n' + r.violations.map(v => v.id + ': ' + v.help + ': ' + v.nodes.map(n => n.html).join(' | ')).join('\n') }), true`)
			browser.Until(t, ctx, `found !== ''`)
			head, broken, _ := strings.Cut(browser.Ask[string](t, ctx, `found`), "\n")
			if broken != "" || strings.HasPrefix(head, "0 ") {
				t.Errorf("/%s, %s, %d px, %s: %s", path, verdict, wide, scheme, broken)
			}
			browser.Shot(t, ctx, "PAGE_OUT", fmt.Sprintf("axe-%d-%s.png", i, strings.NewReplacer("/", "-", "?", "-").Replace(path)))
		}
	}
}
