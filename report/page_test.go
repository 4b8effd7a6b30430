package report_test

import (
	"context"
	"encoding/json"
	"fmt"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/chromedp"

	"capd.example/internal/testlab/browser"
	"capd.example/record"
)

// started is a browser that may read the page from the disk.
func started(t *testing.T) context.Context {
	return browser.Start(t, chromedp.Flag("allow-file-access-from-files", true))
}

// The page in a browser: no console message, no request, no sideways scrolling of the page
// itself at 390 and 1920 pixels, in light and in dark, and no violation of WCAG 2 level A
// or AA that axe-core finds, where AXE_JS names its file (npm package axe-core).
func TestPageInBrowser(t *testing.T) {
	ctx := started(t)
	in := campaign(2, 3, 4, 2)
	f := files(t, in)
	dir := t.TempDir()
	for path, data := range f {
		to := filepath.Join(dir, path)
		if err := os.MkdirAll(filepath.Dir(to), 0o777); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(to, data, 0o666); err != nil {
			t.Fatal(err)
		}
	}
	page := (&url.URL{Scheme: "file", Path: filepath.ToSlash(filepath.Join(dir, "index.html"))}).String()
	h := browser.Listen(t, ctx, "file:", "data:")
	for _, width := range []int64{390, 1920} {
		for _, scheme := range []string{"light", "dark"} {
			name := fmt.Sprintf("%d %s", width, scheme)
			err := chromedp.Do(
				ctx,
				chromedp.EmulateViewport(width, 1100),
				browser.Scheme(scheme),
				chromedp.Navigate(page),
				chromedp.WaitReady("footer"),
			)
			if err != nil {
				t.Fatalf("%s: %v", name, err)
			}
			wide := browser.Ask[int](t, ctx, `document.documentElement.scrollWidth`)
			figures := browser.Ask[int](t, ctx, `document.querySelectorAll('figure svg').length`)
			small := browser.Ask[int](
				t,
				ctx,
				`[...document.querySelectorAll('figure svg text')].filter(e => e.checkVisibility() && e.getBoundingClientRect().height < 9).length`,
			)
			split := browser.Ask[int](
				t,
				ctx,
				`[...document.querySelectorAll('tbody th')].filter(e => e.checkVisibility() && e.getBoundingClientRect().width < 100).length`,
			)
			silent := browser.Ask[int](
				t,
				ctx,
				`[...document.querySelectorAll('.wide')].filter(e => e.checkVisibility() && e.scrollWidth > e.clientWidth && innerWidth <= 600 && !e.previousElementSibling.checkVisibility()).length`,
			)
			lost := browser.Ask[int](
				t,
				ctx,
				`[...document.querySelectorAll('.wide')].filter(e => { e.scrollLeft = 1e6; return e.checkVisibility() && e.querySelector('tbody th').getBoundingClientRect().left < 0 }).length`,
			)
			shot, err := chromedp.Run(ctx, chromedp.CaptureScreenshot())
			if err != nil {
				t.Fatalf("%s: %v", name, err)
			}
			if int64(wide) > width {
				t.Errorf("%s: the page is %d px wide", name, wide)
			}
			if figures < 8 {
				t.Errorf("%s: %d charts", name, figures)
			}
			if small > 0 {
				t.Errorf("%s: %d texts of charts are too small to read", name, small)
			}
			if split > 0 || silent > 0 || lost > 0 {
				t.Errorf(
					"%s: %d names of rows are less than 100 px wide, %d tables do not say that there is more, %d lose the names of rows",
					name,
					split,
					silent,
					lost,
				)
			}
			if out := os.Getenv("REPORT_OUT"); out != "" {
				os.WriteFile(filepath.Join(out, "page-"+strings.ReplaceAll(name, " ", "-")+".png"), shot, 0o666)
			}
			axe(t, ctx, name)
		}
	}
	opened(t, ctx, page, in.Passes[0].ID)
	printed(t, ctx, page)
	for _, x := range h.Take() {
		t.Error(x)
	}
	// The same ears hear what a page must not do.
	control := `console.log("x"); fetch("http://127.0.0.1:9/").catch(() => 0).then(() => 1)`
	if _, err := chromedp.Run(ctx, chromedp.Steps(chromedp.Navigate("about:blank"), chromedp.Evaluate[chromedp.Void](control, chromedp.EvalAwaitPromise))); err != nil {
		t.Fatal(err)
	}
	if got := strings.Join(h.Take(), "; "); !strings.Contains(got, "console log") ||
		!strings.Contains(got, "request of http://127.0.0.1:9/") {
		t.Errorf("a console message and a request were not heard: %s", got)
	}
}

// opened follows links into what is folded away: it is closed at first and opens, whether
// a link of the page leads there or an address.
func opened(t *testing.T, ctx context.Context, page, pass string) {
	t.Helper()
	for _, id := range []string{"pass-" + pass, "cell-2", "limit-cell-2"} {
		seen := fmt.Sprintf(`Number(document.getElementById(%q).checkVisibility({contentVisibilityAuto: true}))`, id)
		fold := `document.querySelectorAll('details').forEach(d => d.open = false), 0`
		visit := func(address string) {
			t.Helper()
			if err := chromedp.Do(ctx, chromedp.Navigate("about:blank"), chromedp.Navigate(address), chromedp.WaitReady("footer")); err != nil {
				t.Fatal(err)
			}
		}
		visit(page)
		if !strings.HasPrefix(id, "limit") && browser.Ask[int](t, ctx, seen) != 0 {
			t.Errorf("%s is not folded at first", id)
		}
		browser.Ask[int](t, ctx, fold)
		browser.Ask[int](t, ctx, fmt.Sprintf(`document.querySelector('a[href="#%s"]').click(), 0`, id))
		if browser.Ask[int](t, ctx, seen) != 1 {
			t.Errorf("a link to %s does not open what it is folded into", id)
		}
		visit(page + "#" + id)
		if browser.Ask[int](t, ctx, seen) != 1 {
			t.Errorf("the address of %s does not open what it is folded into", id)
		}
	}
}

// printed looks at the page as it is printed: every cell's passes are there, what leads
// about in the page is not.
func printed(t *testing.T, ctx context.Context, page string) {
	media := chromedp.Func(func(ctx context.Context, target *chromedp.Target) error {
		_, err := cdp.Call(ctx, target, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{Media: "print"})
		return err
	})
	if err := chromedp.Do(ctx, chromedp.EmulateViewport(760, 1100), media, chromedp.Navigate(page), chromedp.WaitReady("footer")); err != nil {
		t.Fatal(err)
	}
	if n := browser.Ask[int](t, ctx, `[...document.querySelectorAll('details dd, details td, details li')].filter(e => !e.checkVisibility({contentVisibilityAuto: true})).length`); n > 0 {
		t.Errorf("printed: %d things that are folded on the screen are hidden", n)
	}
	if n := browser.Ask[int](t, ctx, `[...document.querySelectorAll('nav, .phone')].filter(e => e.checkVisibility()).length`); n > 0 {
		t.Errorf("printed: %d things are of no use on paper", n)
	}
	if wide := browser.Ask[int](t, ctx, `document.documentElement.scrollWidth`); wide > 760 {
		t.Errorf("printed: the page is %d px wide", wide)
	}
	if out := os.Getenv("REPORT_OUT"); out != "" {
		if shot, err := chromedp.Run(ctx, chromedp.FullScreenshot(80)); err != nil {
			t.Error(err)
		} else {
			os.WriteFile(filepath.Join(out, "printed.jpg"), shot, 0o666)
		}
	}
}

func axe(t *testing.T, ctx context.Context, name string) {
	file := os.Getenv("AXE_JS")
	if file == "" {
		return
	}
	script, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	// What is folded away counts too; on the shades at the edges of tables, which are
	// gradients, contrast cannot be measured.
	open := `document.querySelectorAll('details').forEach(d => d.open = true); document.querySelectorAll('.wide').forEach(d => d.style.background = 'none')`
	if err := chromedp.Do(ctx, chromedp.Evaluate[chromedp.Void](string(script)), chromedp.Evaluate[chromedp.Void](open)); err != nil {
		t.Fatalf("%s: axe-core: %v", name, err)
	}
	result, err := chromedp.Run(
		ctx,
		chromedp.Evaluate[string](
			`axe.run({runOnly: ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa"]}).then(r => JSON.stringify(r.violations.map(v => v.id + ": " + v.help + " " + v.nodes.length + " " + v.nodes[0].html.slice(0, 200))))`,
			chromedp.EvalAwaitPromise,
		),
	)
	if err != nil {
		t.Fatalf("%s: axe-core: %v", name, err)
	}
	var list []string
	if err := json.Unmarshal([]byte(result), &list); err != nil {
		t.Fatal(err)
	}
	for _, v := range list {
		t.Errorf("%s: axe-core: %s", name, v)
	}
}

// No name widens the page, however long and without a blank: at 500 pixels nothing but a
// table scrolls sideways.
func TestLongNamesDoNotWidenThePage(t *testing.T) {
	ctx := started(t)
	in := campaign(1, 2, 2, 1)
	long := strings.Repeat("Quillon", 43) // 301 characters
	in.Title = long
	for i := range in.Passes {
		p := &in.Passes[i]
		p.Tags["game"] = record.Tag{Value: long}
		p.Tags["gpu"] = record.Tag{Value: p.Tags.Value("gpu") + long}
		p.Log, p.Bench, p.Overruled = "/"+long+"/"+long, long, long
		p.Findings = append(
			p.Findings,
			record.Finding{Check: long, Outcome: record.Doubtful, Reason: long, Advice: long},
		)
	}
	in.Systems["system00"] = record.System{
		ID:     "system00",
		Fields: []record.Field{{Name: long, Value: long, Unit: long, Source: long}},
	}
	dir := t.TempDir()
	for path, data := range files(t, in) {
		to := filepath.Join(dir, path)
		if err := os.MkdirAll(filepath.Dir(to), 0o777); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(to, data, 0o666); err != nil {
			t.Fatal(err)
		}
	}
	page := (&url.URL{Scheme: "file", Path: filepath.ToSlash(filepath.Join(dir, "index.html"))}).String()
	for _, width := range []int64{390, 500} {
		if err := chromedp.Do(ctx, chromedp.EmulateViewport(width, 1100), chromedp.Navigate(page), chromedp.WaitReady("footer")); err != nil {
			t.Fatal(err)
		}
		browser.Ask[int](t, ctx, `document.querySelectorAll('details').forEach(e => e.open = true), 0`)
		if wide := browser.Ask[int](t, ctx, `document.documentElement.scrollWidth`); int64(wide) > width {
			t.Errorf("at %d px the page is %d px wide: %s", width, wide, page)
		}
	}
}
