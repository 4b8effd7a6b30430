// Package browser is for tests that look at pages with a headless Chromium, which Debian has
// as the package chromium.
package browser

import (
	"context"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/emulation"
	cdplog "github.com/chromedp/cdproto/log"
	"github.com/chromedp/cdproto/network"
	cdpruntime "github.com/chromedp/cdproto/runtime"
	"github.com/chromedp/chromedp"
)

// Start starts a browser for one test, with further flags, and skips the test where there is none.
func Start(t *testing.T, flags ...chromedp.ExecAllocatorOption) context.Context {
	t.Helper()
	path := ""
	for _, name := range []string{"chromium", "chromium-browser", "google-chrome", "chrome"} {
		if p, err := exec.LookPath(name); err == nil {
			path = p
			break
		}
	}
	if path == "" {
		t.Skip("no Chromium on this machine, which the page is looked at with")
	}
	opts := append(chromedp.DefaultExecAllocatorOptions[:], chromedp.ExecPath(path), chromedp.NoSandbox)
	ctx, stop := chromedp.NewExecAllocator(context.Background(), append(opts, flags...)...)
	t.Cleanup(stop)
	ctx, stop = chromedp.NewContext(ctx)
	t.Cleanup(stop)
	if err := chromedp.Do(ctx, chromedp.Navigate("about:blank")); err != nil {
		t.Fatalf("start %s: %v", path, err)
	}
	ctx, stop = context.WithTimeout(ctx, 8*time.Minute) // the machine may be at work
	t.Cleanup(stop)
	return ctx
}

// Heard is what pages wrote to the console, threw, or asked for elsewhere.
type Heard struct {
	mu   sync.Mutex
	list []string
}

// Listen hears what the page of ctx says from now on; where homes are given, beginnings of
// addresses, also what it asks for elsewhere.
func Listen(t *testing.T, ctx context.Context, homes ...string) *Heard {
	t.Helper()
	h := &Heard{}
	err := chromedp.Listen(ctx, func(ev any) {
		h.mu.Lock()
		defer h.mu.Unlock()
		switch e := ev.(type) {
		case *network.EventRequestWillBeSent:
			at := func(home string) bool { return strings.HasPrefix(e.Request.URL, home) }
			if len(homes) > 0 && !slices.ContainsFunc(homes, at) {
				h.list = append(h.list, "request of "+e.Request.URL)
			}
		case *cdpruntime.EventExceptionThrown:
			h.list = append(h.list, "exception: "+e.ExceptionDetails.Text)
		case *cdpruntime.EventConsoleAPICalled:
			h.list = append(h.list, fmt.Sprintf("console %s", e.Type))
		case *cdplog.EventEntryAdded:
			h.list = append(h.list, "log: "+e.Entry.Text)
		}
	})
	if err != nil {
		t.Fatal(err)
	}
	return h
}

// Take returns what was heard since the last time.
func (h *Heard) Take() []string {
	h.mu.Lock()
	defer h.mu.Unlock()
	list := h.list
	h.list = nil
	return list
}

// Scheme asks for a page in "light" or "dark".
func Scheme(scheme string) chromedp.Action[chromedp.Void] {
	return chromedp.Func(func(ctx context.Context, target *chromedp.Target) error {
		_, err := cdp.Call(ctx, target, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{
			Features: []*emulation.MediaFeature{{Name: "prefers-color-scheme", Value: scheme}}})
		return err
	})
}

// Script switches script on or off.
func Script(on bool) chromedp.Action[chromedp.Void] {
	return chromedp.Func(func(ctx context.Context, target *chromedp.Target) error {
		_, err := cdp.Call(ctx, target, emulation.SetScriptExecutionDisabled,
			emulation.SetScriptExecutionDisabledParams{Value: !on})
		return err
	})
}

// Ask returns what a script says.
func Ask[T any](t *testing.T, ctx context.Context, script string) T {
	t.Helper()
	v, err := chromedp.Run(ctx, chromedp.Evaluate[T](script))
	if err != nil {
		t.Fatalf("%s: %v", script, err)
	}
	return v
}

// Until waits until a script says something that counts as true.
func Until(t *testing.T, ctx context.Context, script string) {
	t.Helper()
	tick := time.NewTicker(20 * time.Millisecond)
	defer tick.Stop()
	for end := time.Now().Add(time.Minute); time.Now().Before(end); <-tick.C {
		if Ask[bool](t, ctx, "!!("+script+")") {
			return
		}
	}
	t.Fatalf("never came: %s; the page says %s", script, Ask[string](t, ctx, "document.body.innerText"))
}

// Shot keeps a picture of the whole page for people in the folder that the variable names, if it does.
func Shot(t *testing.T, ctx context.Context, variable, name string) {
	t.Helper()
	out := os.Getenv(variable)
	if out == "" {
		return
	}
	shot, err := chromedp.Run(ctx, chromedp.FullScreenshot(100))
	if err == nil {
		err = os.WriteFile(filepath.Join(out, name), shot, 0o644)
	}
	if err != nil {
		t.Error(err)
	}
}
