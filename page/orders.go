package page

import (
	"errors"
	"fmt"
	"net/http"
	"net/netip"
	"net/url"
	"strconv"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"capd.example/control"
	"capd.example/page/pairing"
	"capd.example/record"
)

const pairTitle = "Pair this device"

// form is the page on which a device is paired.
type form struct{ Error string }

// said is the answer to an order.
type said struct {
	Text   string
	Failed bool
}

func (s *Server) pairForm(w http.ResponseWriter, r *http.Request) {
	s.send(w, r, http.StatusOK, "pair", pairTitle, form{})
}

// pair exchanges a code for a cookie.
func (s *Server) pair(w http.ResponseWriter, r *http.Request) {
	if s.o.Pairing == nil {
		refuse(w, http.StatusForbidden, "No device can be paired here.")
		return
	}
	source := "?"
	if at, err := netip.ParseAddrPort(r.RemoteAddr); err == nil {
		source = at.Addr().Unmap().WithZone("").String()
	}
	if s.o.Pairing.Guessed(source) { // before anything of it is read
		s.send(w, r, http.StatusTooManyRequests, "pair", pairTitle, form{Error: sentence(pairing.ErrGuessing)})
		return
	}
	if !read(w, r, s.pairings) {
		s.o.Pairing.Missed(source) // who only holds others up is not read for long
		return
	}
	token, err := s.o.Pairing.Redeem(r.PostForm.Get("code"), source)
	if err != nil {
		s.send(w, r, http.StatusForbidden, "pair", pairTitle, form{Error: sentence(err)})
		return
	}
	const year = 365 * 24 * time.Hour // browsers keep none for much longer
	http.SetCookie(w, &http.Cookie{Name: s.cookie(), Value: token, Path: "/", MaxAge: int(year.Seconds()),
		HttpOnly: true, Secure: r.Header.Get("Origin") == "https://"+r.Host, SameSite: http.SameSiteStrictMode})
	http.Redirect(w, r, "/", http.StatusSeeOther)
}

// order has an order carried out. Who may give one was asked before.
func (s *Server) order(w http.ResponseWriter, r *http.Request) {
	if s.o.Order == nil {
		refuse(w, http.StatusForbidden, "No orders can be given here.")
		return
	}
	if !read(w, r, s.orders) {
		return
	}
	by := callerIn(r).device
	if !s.o.Pairing.Valid(by.ID) { // its right was taken back while the form came
		refuse(w, http.StatusForbidden, unpaired)
		return
	}
	o, err := ordered(r.PostForm)
	if err != nil {
		s.told(w, r, http.StatusBadRequest, said{Text: sentence(err), Failed: true})
		return
	}
	o.Who = by.Name
	text, err := s.o.Order(r.Context(), o)
	answer, status := said{Text: text}, http.StatusOK
	if err != nil {
		answer, status = said{Text: sentence(err), Failed: true}, http.StatusConflict
	}
	s.told(w, r, status, answer)
}

// told says what came of an order.
func (s *Server) told(w http.ResponseWriter, r *http.Request, status int, answer said) {
	if strings.Contains(r.Header.Get("Accept"), "text/plain") { // the page's script asks
		plainly(w, status, answer.Text)
		return
	}
	s.send(w, r, status, "said", "Order", answer)
}

// mostWhy is how many signs a reason has; the form says so, too.
const mostWhy = 500

// ordered is the order of a form. What cannot be understood is refused, since nothing is to be ordered
// by guess.
func ordered(f url.Values) (o control.Order, err error) {
	o = control.Order{Verb: control.Verb(f.Get("verb")), Key: f.Get("key"), Current: f.Get("current"), Pass: f.Get("pass"),
		Seen: f.Get("seen"), Alert: f.Get("alert"), Verdict: record.Verdict(f.Get("verdict")), Why: f.Get("why")}
	if f.Has("cell") {
		if o.Cell, err = strconv.Atoi(f.Get("cell")); err != nil || o.Cell < 1 {
			return o, errors.New("the number of the cell was not understood: load the page anew")
		}
	}
	if n := utf8.RuneCountInString(o.Why); n > mostWhy {
		return o, fmt.Errorf("the reason has %d signs: give it in %d at most", n, mostWhy)
	}
	return o, nil
}

// sentence begins an error with a capital and ends it.
func sentence(err error) string {
	text := err.Error()
	first, size := utf8.DecodeRuneInString(text)
	text = string(unicode.ToUpper(first)) + text[size:]
	if !strings.HasSuffix(text, ".") {
		text += "."
	}
	return text
}

// read reads the fields of a form, unless too many of its kind are being read: one that sends
// slowly holds up no other request.
func read(w http.ResponseWriter, r *http.Request, slots chan struct{}) bool {
	select {
	case slots <- struct{}{}:
		defer func() { <-slots }()
	default:
		w.Header().Set("Retry-After", "10")
		refuse(w, http.StatusServiceUnavailable, "Too much is being sent here at once. Try again in ten seconds.")
		return false
	}
	r.Body = http.MaxBytesReader(w, r.Body, mostBody)
	err := r.ParseForm()
	var large *http.MaxBytesError
	switch {
	case errors.As(err, &large):
		refuse(w, http.StatusRequestEntityTooLarge, "This is too long.")
	case err != nil:
		refuse(w, http.StatusBadRequest, "This was not understood: "+err.Error())
	}
	return err == nil
}
