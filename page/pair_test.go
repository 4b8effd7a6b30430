package page

import (
	"context"
	"errors"
	"io"
	"net"
	"net/http"
	"net/http/cookiejar"
	"net/http/httptest"
	"net/url"
	"strings"
	"testing"
	"time"

	"capd.example/control"
	"capd.example/openmetrics"
	"capd.example/page/pairing"
)

// paired is a page with devices, and orders that are noted.
func paired(t *testing.T) (*Server, *[]control.Order) {
	t.Helper()
	s := handled(bench(), "bench-1.lan")
	keeper, err := pairing.Open(t.TempDir())
	if err != nil {
		t.Fatal(err)
	}
	var given []control.Order
	s.o.Listen, s.o.Pairing = "0.0.0.0:8470", keeper
	s.o.Order = func(_ context.Context, o control.Order) (string, error) {
		given = append(given, o)
		if o.Why == "refuse" {
			return "", errors.New("the cell <b> is done")
		}
		return "Skipped <b>.", nil
	}
	return s, &given
}

// afar makes a request come from another machine.
func afar(r *http.Request) { r.Host, r.RemoteAddr = "192.0.2.7:8470", "192.0.2.9:4000" }

// own says that the page itself asks.
func own(r *http.Request) { r.Header.Set("Origin", "http://"+r.Host) }

// post sends a form without a network.
func post(s *Server, path string, form url.Values, change ...func(*http.Request)) *httptest.ResponseRecorder {
	r := httptest.NewRequest("POST", path, strings.NewReader(form.Encode()))
	r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	r.Host, r.RemoteAddr = "127.0.0.1:8470", "127.0.0.1:5000"
	for _, fn := range change {
		fn(r)
	}
	w := httptest.NewRecorder()
	s.handler().ServeHTTP(w, r)
	return w
}

// phone pairs a device and returns what its requests bear.
func phone(t *testing.T, s *Server) func(*http.Request) {
	t.Helper()
	code, _ := s.o.Pairing.Invite("phone")
	w := post(s, "/pair", url.Values{"code": {code}}, afar, own)
	if w.Code != http.StatusSeeOther || w.Header().Get("Location") != "/" || len(w.Result().Cookies()) != 1 {
		t.Fatalf("status %d, %v", w.Code, w.Header())
	}
	c := w.Result().Cookies()[0]
	if !c.HttpOnly || c.SameSite != http.SameSiteStrictMode || c.Domain != "" || c.MaxAge <= 0 || c.Name != "capd-page-8470" || len(c.Value) < 26 {
		t.Errorf("%+v", c)
	}
	return func(r *http.Request) { r.AddCookie(&http.Cookie{Name: c.Name, Value: c.Value}) }
}

// Another machine sees nothing before it is paired, whatever it sends, and everything after
// that; until it is taken back.
func TestOtherMachines(t *testing.T) {
	s, given := paired(t)
	places := []string{"/", "/events", "/pass/0a1b2c3d4e51", "/cell/2", "/map?game=x", "/metrics", "/x"}
	// as a proxy on this machine asks for others
	ways := map[string]func(*http.Request){
		"address":          afar,
		"name":             host("bench-1.lan:8470"),
		"address, here":    host("192.0.2.7:8470"),
		"forwarded":        header("X-Forwarded-For", "192.0.2.9"),
		"forwarded, newer": header("Forwarded", "for=192.0.2.9"),
		"no address":       func(r *http.Request) { r.RemoteAddr = "@" },
		"says it is here":  func(r *http.Request) { r.Host, r.RemoteAddr = "127.0.0.1:8470", "192.0.2.9:4000" },
		"guessed cookie": func(r *http.Request) {
			afar(r)
			r.AddCookie(&http.Cookie{Name: "capd-page-8470", Value: "A"})
		},
		"guessed token": func(r *http.Request) { afar(r); r.Header.Set("Authorization", "Bearer A") },
	}
	for how, way := range ways {
		for _, path := range places {
			if w := get(s, path, way); w.Code != 403 && !(path == "/" && w.Code == 303 && w.Header().Get("Location") == "/pair") || strings.Contains(w.Body.String(), "Copper Drift") {
				t.Errorf("%s, %s: status %d, %.100q", how, path, w.Code, w.Body)
			}
		}
		if w := post(s, "/order", url.Values{"verb": {"skip"}}, way, own); w.Code != 403 || len(*given) > 0 {
			t.Errorf("%s: an order got status %d, %v", how, w.Code, *given)
		}
	}
	if w := get(s, "/pair", afar); w.Code != 200 || !strings.Contains(w.Body.String(), `<form method="post" action="/pair">`) {
		t.Errorf("status %d, %.200q", w.Code, w.Body)
	}
	token := phone(t, s)
	for _, path := range places[2:5] {
		if w := get(s, path, afar, token); w.Code != 200 {
			t.Errorf("%s: status %d for a paired device", path, w.Code)
		}
	}
	w := get(s, "/", afar, token)
	contains(t, "the page", w.Body.String(), "Copper Drift", "Paired as phone.", `action="/order"`)
	if w := get(s, "/", token, host("evil.example")); w.Code != 403 {
		t.Errorf("a foreign name with a token: status %d", w.Code)
	}
	if err := s.o.Pairing.Revoke(s.o.Pairing.Devices()[0].ID); err != nil {
		t.Fatal(err)
	}
	if w := get(s, "/", afar, token); w.Code != 303 {
		t.Errorf("taken back: status %d", w.Code)
	}
}

// Wrong codes are told, without a cookie, and after some not looked at; others still can pair.
func TestWrongCodes(t *testing.T) {
	s, _ := paired(t)
	code, _ := s.o.Pairing.Invite("phone")
	for i, status := range []int{403, 403, 403, 403, 403, 429, 429} {
		w := post(s, "/pair", url.Values{"code": {strings.Repeat("A", i)}}, afar, own)
		if w.Code != status || len(w.Result().Cookies()) > 0 || !strings.Contains(w.Body.String(), `role="alert"`) {
			t.Errorf("try %d: status %d, %v", i, w.Code, w.Result().Cookies())
		}
	}
	if w := post(s, "/pair", url.Values{"code": {code}}, afar, own); w.Code != 429 {
		t.Errorf("the right code after that: status %d", w.Code)
	}
	for what, change := range map[string]func(*http.Request){"no origin": afar, "foreign": func(r *http.Request) { afar(r); r.Header.Set("Origin", "http://evil.example") },
		"sandboxed": func(r *http.Request) { afar(r); r.Header.Set("Origin", "null") }} {
		if w := post(s, "/pair", url.Values{"code": {code}}, change, func(r *http.Request) { r.RemoteAddr = "192.0.2.10:4000" }); w.Code != 403 || len(w.Result().Cookies()) > 0 {
			t.Errorf("%s: status %d", what, w.Code)
		}
	}
	for _, w := range []*httptest.ResponseRecorder{get(s, "/pair?code="+code, afar, func(r *http.Request) { r.RemoteAddr = "192.0.2.10:1" }), post(s, "/pair?code="+code, nil, afar, own, func(r *http.Request) { r.RemoteAddr = "192.0.2.10:1" })} {
		if len(w.Result().Cookies()) > 0 {
			t.Error("a code in an address pairs")
		}
	}
	if w := post(s, "/pair", url.Values{"code": {code}, "x": {strings.Repeat("y", 1<<20)}}, afar, own, func(r *http.Request) { r.RemoteAddr = "192.0.2.11:1" }); w.Code != 413 {
		t.Errorf("a megabyte: status %d", w.Code)
	}
	if w := post(s, "/pair", url.Values{"code": {code}}, afar, own, func(r *http.Request) { r.RemoteAddr = "192.0.2.10:1" }); w.Code != 303 {
		t.Errorf("another device: status %d", w.Code)
	}
}

// Orders are given by paired devices, through the page and by POST alone; what comes of them is
// said, as text.
func TestOrders(t *testing.T) {
	s, given := paired(t)
	token := phone(t, s)
	skip := url.Values{"verb": {"skip"}, "cell": {"3"}, "key": {"c3"}, "current": {"c3"}, "who": {"somebody else"}}
	for what, w := range map[string]*httptest.ResponseRecorder{
		"here, not paired": post(s, "/order", skip, own),
		"no origin":        post(s, "/order", skip, afar, token),
		"foreign origin":   post(s, "/order", skip, afar, token, header("Origin", "http://evil.example")),
		"other port":       post(s, "/order", skip, afar, token, header("Origin", "http://192.0.2.7:80")),
		"same site":        post(s, "/order", skip, afar, own, token, header("Sec-Fetch-Site", "same-site")),
		"another site": post(s, "/order", skip, afar, own, token, header("Sec-Fetch-Site", "cross-site"), header("Sec-Fetch-Mode", "navigate"),
			header("Sec-Fetch-Dest", "document")),
		"GET":   get(s, "/order?"+skip.Encode(), afar, own, token),
		"HEAD":  get(s, "/order?"+skip.Encode(), afar, own, token, func(r *http.Request) { r.Method = "HEAD" }),
		"large": post(s, "/order", url.Values{"verb": {"skip"}, "why": {strings.Repeat("x", 1<<20)}}, afar, own, token),
	} {
		if w.Code < 400 || len(*given) > 0 {
			t.Errorf("%s: status %d, %v", what, w.Code, *given)
		}
	}
	w := post(s, "/order", skip, afar, own, token)
	if w.Code != 200 || len(*given) != 1 || (*given)[0] != (control.Order{Verb: "skip", Cell: 3, Key: "c3", Current: "c3", Who: "phone"}) {
		t.Errorf("status %d, %+v", w.Code, *given)
	}
	contains(t, "the answer", w.Body.String(), "<h1>Done</h1>", "Skipped &lt;b&gt;.")
	skip.Set("why", "refuse")
	w = post(s, "/order", skip, afar, own, token)
	if w.Code != http.StatusConflict {
		t.Errorf("status %d", w.Code)
	}
	contains(t, "the refusal", w.Body.String(), "<h1>That was not done</h1>", "The cell &lt;b&gt; is done.")
	w = post(s, "/order", skip, afar, own, token, header("Accept", "text/plain"))
	if w.Code != http.StatusConflict || w.Body.String() != "The cell <b> is done.\n" || !strings.HasPrefix(w.Header().Get("Content-Type"), "text/plain") {
		t.Errorf("status %d, %q", w.Code, w.Body)
	}
	for _, path := range []string{"/", "/pass/0a1b2c3d4e51", "/cell/2"} {
		contains(t, path, get(s, path, token).Body.String(), `action="/order"`)
		if strings.Contains(get(s, path).Body.String(), `action="/order"`) {
			t.Errorf("%s shows buttons to a browser that is not paired", path)
		}
	}
	contains(t, "the buttons of what is next", get(s, "/", token).Body.String(), `name="cell" value="3"><input type="hidden" name="key" value="c3"><input type="hidden" name="current" value="c3"><button>Skip`)
	contains(t, "the buttons of a cell", get(s, "/cell/2", token).Body.String(), `name="cell" value="2"><input type="hidden" name="key" value="c2"><button>Skip`)
	contains(t, "the page here", get(s, "/").Body.String(), "<code>capctl page</code>")
}

// What of a form cannot be understood is refused, and nothing is ordered by guess.
func TestOrdersThatAreNotUnderstood(t *testing.T) {
	s, given := paired(t)
	token := phone(t, s)
	for _, f := range []url.Values{{"verb": {"begin"}, "cell": {"x"}}, {"verb": {"begin"}, "cell": {""}}, {"verb": {"begin"}, "cell": {"0"}}, {"verb": {"begin"}, "cell": {"-1"}}, {"verb": {"begin"}, "cell": {"99999999999999999999"}},
		{"verb": {"overrule"}, "why": {strings.Repeat("x", mostWhy+1)}}, {"verb": {"take-back"}, "why": {strings.Repeat("é", 1200)}}} {
		w := post(s, "/order", f, afar, own, token)
		if w.Code != http.StatusBadRequest || len(*given) > 0 {
			t.Errorf("%.60s: status %d, %.200v", f.Encode(), w.Code, *given)
		}
		contains(t, "the refusal", w.Body.String(), "<h1>That was not done</h1>")
	}
	if w := post(s, "/order", url.Values{"verb": {"overrule"}, "why": {strings.Repeat("é", mostWhy)}}, afar, own, token); w.Code != 200 || len(*given) != 1 {
		t.Errorf("the longest reason: status %d", w.Code)
	}
	contains(t, "the form", get(s, "/pass/0a1b2c3d4e51", token).Body.String(), `name="why" required maxlength="500"`)
}

// revoking is the body of a form whose device is taken back while it comes.
type revoking struct {
	io.Reader
	revoke func()
}

func (r revoking) Read(p []byte) (int, error) { r.revoke(); return r.Reader.Read(p) }

func TestRevokedWhileAnOrderComes(t *testing.T) {
	s, given := paired(t)
	token := phone(t, s)
	w := post(s, "/order", nil, afar, own, token, func(r *http.Request) {
		r.Body = io.NopCloser(revoking{strings.NewReader("verb=pause"), func() {
			for _, d := range s.o.Pairing.Devices() {
				if err := s.o.Pairing.Revoke(d.ID); err != nil {
					t.Error(err)
				}
			}
		}})
	})
	if w.Code != http.StatusForbidden || len(*given) > 0 {
		t.Errorf("status %d, %+v", w.Code, *given)
	}
}

// A program with a token reads the figures, and nothing else.
func TestMonitoringFromElsewhere(t *testing.T) {
	s, given := paired(t)
	s.metrics = openmetrics.New("v1", time.Now())
	token, err := s.o.Pairing.Program("lab")
	if err != nil {
		t.Fatal(err)
	}
	bearer := header("Authorization", "Bearer "+token)
	if w := get(s, "/metrics", afar, bearer); w.Code != 200 || !strings.Contains(w.Body.String(), "capd_build_info") {
		t.Errorf("status %d", w.Code)
	}
	if w := get(s, "/metrics", afar); w.Code != 403 {
		t.Errorf("without it: status %d", w.Code)
	}
	if w := get(s, "/", afar, bearer); w.Code != 303 {
		t.Errorf("the page: status %d", w.Code)
	}
	if w := post(s, "/order", url.Values{"verb": {"skip"}}, afar, own, bearer); w.Code != 403 || len(*given) > 0 {
		t.Errorf("an order: status %d", w.Code)
	}
	if w := get(s, "/", afar, func(r *http.Request) { r.AddCookie(&http.Cookie{Name: "capd-page-8470", Value: token}) }); w.Code != 303 {
		t.Errorf("as a cookie: status %d", w.Code)
	}
}

// A client with a jar, over a real connection, does what a browser does; its stream ends when
// it is taken back.
func TestPairedStream(t *testing.T) {
	s := serving(t, bench(), func(s *Server) {
		keeper, err := pairing.Open(t.TempDir())
		if err != nil {
			t.Fatal(err)
		}
		s.o.Pairing, s.o.Names = keeper, []string{"bench-1.lan"}
		s.o.Order = func(context.Context, control.Order) (string, error) { return "done", nil }
	})
	jar, err := cookiejar.New(nil)
	if err != nil {
		t.Fatal(err)
	}
	to := &http.Transport{DialContext: func(ctx context.Context, _, _ string) (net.Conn, error) {
		return new(net.Dialer).DialContext(ctx, "tcp", s.listener.Addr().String())
	}}
	defer to.CloseIdleConnections()
	c := &http.Client{Jar: jar, Transport: to}
	base := "http://bench-1.lan:8470"
	ask := func(method, path string, form url.Values) *http.Response {
		t.Helper()
		r, err := http.NewRequestWithContext(t.Context(), method, base+path, strings.NewReader(form.Encode()))
		if err != nil {
			t.Fatal(err)
		}
		if method == "POST" {
			r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
			r.Header.Set("Origin", base)
		}
		resp, err := c.Do(r)
		if err != nil {
			t.Fatal(err)
		}
		return resp
	}
	if r := ask("GET", "/", nil); r.Request.URL.Path != "/pair" || r.Body.Close() != nil {
		t.Errorf("it is led to %s", r.Request.URL)
	}
	if r := ask("GET", "/events", nil); r.StatusCode != 403 || r.Body.Close() != nil {
		t.Errorf("a stream before it is paired: status %d", r.StatusCode)
	}
	code, _ := s.o.Pairing.Invite("phone")
	if r := ask("POST", "/pair", url.Values{"code": {code}}); r.StatusCode != 200 || r.Request.URL.Path != "/" || r.Body.Close() != nil {
		t.Errorf("status %d at %s", r.StatusCode, r.Request.URL)
	}
	r := ask("GET", "/events", nil)
	defer r.Body.Close()
	lines := linesOf(r.Body)
	expect(t, lines, "event: page", `action="/order"`)
	if err := s.o.Pairing.Revoke(s.o.Pairing.Devices()[0].ID); err != nil {
		t.Fatal(err)
	}
	s.o.Events.Publish(control.Event{Kind: control.KindAlert, Text: "secret"})
	for l := range lines {
		if strings.Contains(l, "secret") {
			t.Error("a device that was taken back is told more")
		}
	}
}

// Forms that come slowly hold up no other request, and not for ever those of their kind.
func TestSlowForms(t *testing.T) {
	s, given := paired(t)
	token := phone(t, s)
	for range mostForms {
		s.pairings <- struct{}{}
	}
	if w := post(s, "/pair", url.Values{"code": {"A"}}, afar, own); w.Code != 503 || w.Header().Get("Retry-After") == "" {
		t.Errorf("status %d", w.Code)
	}
	if w := post(s, "/order", url.Values{"verb": {"skip"}}, afar, own, token); w.Code != 200 || len(*given) != 1 {
		t.Errorf("an order meanwhile: status %d", w.Code)
	}
	<-s.pairings
	if w := post(s, "/pair", url.Values{"code": {"A"}}, afar, own); w.Code != 403 || len(s.pairings) != mostForms-1 {
		t.Errorf("status %d, %d are being read", w.Code, len(s.pairings))
	}
}
