package notify

import (
	"bytes"
	"context"
	"crypto/hmac"
	"crypto/sha256"
	"encoding/base64"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"strconv"
	"strings"
	"time"
)

// Hook posts alerts as JSON to an address.
//
// Headers follow the Standard Webhooks specification: webhook-id, the same for every
// attempt, by which the receiver drops repetitions; webhook-timestamp, the second of the
// attempt; and, with a secret, webhook-signature: "v1," and the base64 of the
// HMAC-SHA256 (RFC 2104) of id, time stamp and body joined by full stops.
type Hook struct {
	address *url.URL
	secret  []byte
	client  *http.Client
	now     func() time.Time
}

// NewHook checks address and secret. A secret that begins with "whsec_" is the base64
// of the key; any other is the key itself; "" does not sign.
func NewHook(address, secret string) (*Hook, error) {
	u, err := url.Parse(address)
	if err != nil {
		return nil, errors.New("web hook: not an address") // the parser's error would show all of it
	}
	if u.Scheme != "http" && u.Scheme != "https" || u.Host == "" {
		return nil, fmt.Errorf("web hook %s: want an address that begins with http:// or https://", Shown(address))
	}
	key, err := hookKey(secret)
	if err != nil {
		return nil, err
	}
	client := &http.Client{
		Transport: &http.Transport{
			Proxy: http.ProxyFromEnvironment, ForceAttemptHTTP2: true, MaxIdleConns: 1,
			IdleConnTimeout: 30 * time.Second, TLSHandshakeTimeout: 10 * time.Second, MaxResponseHeaderBytes: 64 << 10,
		},
		// A redirect could carry a signed pass to somebody else.
		CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse },
	}
	return &Hook{address: u, secret: key, client: client, now: time.Now}, nil
}

func hookKey(secret string) ([]byte, error) {
	coded, ok := strings.CutPrefix(secret, "whsec_")
	if !ok {
		return []byte(secret), nil
	}
	key, err := base64.StdEncoding.DecodeString(coded)
	if err != nil {
		return nil, errors.New("web hook secret: what follows whsec_ is not base64")
	}
	return key, nil
}

// Name implements [Channel].
func (*Hook) Name() string { return "web hook" }

// Send implements [Channel]. Any 2xx status is a delivery.
func (h *Hook) Send(ctx context.Context, a Alert) error {
	body, err := Payload(a)
	if err != nil {
		return &Refused{fmt.Errorf("write the alert: %w", err)}
	}
	req, err := http.NewRequestWithContext(ctx, http.MethodPost, h.address.String(), bytes.NewReader(body))
	if err != nil {
		return fmt.Errorf("web hook %s: %w", h.shown(), bare(err))
	}
	stamp := strconv.FormatInt(h.now().Unix(), 10)
	req.Header.Set("Content-Type", "application/json")
	req.Header.Set("User-Agent", "capd")
	req.Header.Set("Webhook-Id", a.ID)
	req.Header.Set("Webhook-Timestamp", stamp)
	if len(h.secret) > 0 {
		req.Header.Set("Webhook-Signature", signature(h.secret, a.ID, stamp, body))
	}
	resp, err := h.client.Do(req)
	if err != nil {
		return fmt.Errorf("web hook %s: %w", h.shown(), bare(err))
	}
	defer resp.Body.Close()
	_, _ = io.Copy(io.Discard, io.LimitReader(resp.Body, 64<<10)) // only to use the connection again
	return h.answer(resp)
}

func (h *Hook) answer(resp *http.Response) error {
	code := resp.StatusCode
	if code >= 200 && code < 300 {
		return nil
	}
	err := fmt.Errorf("web hook %s: answered %d %s", h.shown(), code, http.StatusText(code))
	switch {
	case code == http.StatusTooManyRequests || code == http.StatusServiceUnavailable:
		if s, bad := strconv.Atoi(resp.Header.Get("Retry-After")); bad == nil && s > 0 {
			return &Later{Err: err, After: time.Duration(min(s, 3600)) * time.Second}
		}
	case code == http.StatusBadRequest, code == http.StatusRequestEntityTooLarge, code == http.StatusUnprocessableEntity:
		return &Refused{err}
	}
	return err
}

func (h *Hook) shown() string { return Shown(h.address.String()) }

func signature(key []byte, id, stamp string, body []byte) string {
	mac := hmac.New(sha256.New, key)
	fmt.Fprintf(mac, "%s.%s.", id, stamp)
	mac.Write(body)
	return "v1," + base64.StdEncoding.EncodeToString(mac.Sum(nil))
}

// bare takes the address out of an error of the HTTP client.
func bare(err error) error {
	var e *url.Error
	if errors.As(err, &e) {
		return e.Err
	}
	return err
}

// Shown is as much of an address as may be shown: scheme and host.
func Shown(address string) string {
	u, err := url.Parse(address)
	if err != nil || u.Scheme == "" {
		return "(address)"
	}
	if u.Scheme == "http" || u.Scheme == "https" {
		return u.Scheme + "://" + u.Host
	}
	return u.Scheme + "://..." // the host of a service's address can be a token
}
