package webhook

import (
	"bytes"
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"net"
	"net/http"
	"net/url"
	"strconv"
	"strings"
	"syscall"
	"time"

	"longlane/gateway"
	"longlane/gateway/webhook/body"
)

const (
	maxRead      = 4 << 10                // bytes read of an answer's body
	drainFor     = 250 * time.Millisecond // how long a 2xx may take to end, so that its connection serves again; it counts at once
	readFor      = 2 * time.Second        // how long the words of another answer are waited for
	maxRedirects = 3
	maxPatience  = 10 * time.Minute // the longest Retry-After that is kept
)

// request sends an event, follows what may be followed, and judges the answer: nil, a *gateway.PassedError or an *EndError.
func (h *Hook) request(ctx context.Context, e *body.Event, text []byte) error {
	token := ""
	if h.o.Token != nil {
		var err error
		if token, err = h.o.Token(); err != nil {
			return h.ended(ReasonSettings, err)
		}
	}
	ctx, cancel := context.WithTimeout(ctx, h.o.Timeout)
	defer cancel()
	for at, hops := h.target, 0; ; hops++ {
		resp, err := h.way.RoundTrip(h.make(ctx, at, e, text, token))
		if err != nil {
			return h.failed(err, token)
		}
		next, why := h.follow(resp, at, hops)
		if next == nil {
			return h.judge(resp, why, token, cancel)
		}
		_, _ = h.words(resp, drainFor, cancel, "")
		if ctx.Err() != nil { // the redirect's body did not end, and took the request's context along
			return h.ended(ReasonSilent, errors.New("the body of a redirect did not end"))
		}
		at = next
	}
}

// make makes a request of what has been checked: it cannot fail.
func (h *Hook) make(ctx context.Context, at *url.URL, e *body.Event, text []byte, token string) *http.Request {
	var content io.Reader
	if h.o.Method != http.MethodGet {
		content = bytes.NewReader(text)
	}
	r, err := http.NewRequestWithContext(ctx, h.o.Method, at.String(), content)
	if err != nil {
		panic("webhook: " + err.Error())
	}
	for k, v := range h.o.Headers {
		r.Header.Set(k, v)
	}
	if content != nil {
		r.Header.Set("Content-Type", h.o.ContentType)
	}
	if r.Header.Get("User-Agent") == "" {
		r.Header.Set("User-Agent", "longlane")
	}
	if token != "" {
		r.Header.Set("Authorization", "Bearer "+token)
	}
	for k, v := range map[string]string{"ce-specversion": "1.0", "ce-id": e.ID, "ce-source": e.Source, "ce-type": e.Type,
		"ce-subject": e.Subject, "ce-time": e.Time} {
		if v != "" {
			r.Header.Set(k, v)
		}
	}
	// Not sent, being empty; it tells the library that this may go again at once if the server has just closed a connection that
	// was kept. The receiver tells repeats by ce-id.
	r.Header["Idempotency-Key"] = []string{}
	return r
}

// follow tells where a redirect leads, if it may be followed; otherwise why not, if the answer is one.
func (h *Hook) follow(resp *http.Response, at *url.URL, hops int) (next *url.URL, why string) {
	switch resp.StatusCode {
	case http.StatusTemporaryRedirect, http.StatusPermanentRedirect:
	case http.StatusMovedPermanently, http.StatusFound:
		if h.o.Method != http.MethodGet { // RFC 9110, sections 15.4.2 and 15.4.3: the method may change on the way
			return nil, "a redirect that is not followed with " + h.o.Method + ": give the webhook the URL that it leads to"
		}
	default:
		return nil, ""
	}
	next, err := resp.Location()
	switch {
	case err != nil:
		return nil, "a redirect that leads nowhere"
	case !sameOrigin(next, h.target):
		return nil, fmt.Sprintf("a redirect to %s, which is not followed: it is another place than %s", gateway.Printable(Origin(next), mostText), h.To())
	case hops == maxRedirects:
		return nil, fmt.Sprintf("one redirect after another; %d were followed", maxRedirects)
	case next.User != nil:
		return nil, "a redirect with a user or password, which is not followed"
	}
	next.Fragment = ""
	return next, ""
}

func sameOrigin(a, b *url.URL) bool {
	return a.Scheme == b.Scheme && strings.EqualFold(a.Hostname(), b.Hostname()) && port(a) == port(b)
}

func port(u *url.URL) string {
	if p := u.Port(); p != "" {
		return p
	}
	return map[string]string{"http": "80", "https": "443"}[u.Scheme]
}

// judge says what an answer means. why is what is known of it already.
func (h *Hook) judge(resp *http.Response, why, token string, cancel func()) error {
	code := resp.StatusCode
	if code/100 == 2 {
		_, _ = h.words(resp, drainFor, cancel, "")
		return nil
	}
	line, _ := h.words(resp, readFor, cancel, token)
	answer := "answered " + strconv.Itoa(code)
	if name := http.StatusText(code); name != "" {
		answer += " " + name
	}
	if why != "" {
		answer += ", " + why
	}
	if line != "" {
		answer += fmt.Sprintf(", and says %q", line)
	}
	switch {
	case code == http.StatusTooManyRequests || code == http.StatusServiceUnavailable:
		h.patience(resp.Header, time.Now())
		return h.ended(ReasonBusy, errors.New(answer))
	case code == http.StatusRequestTimeout || code == http.StatusTooEarly:
		return h.ended(ReasonBusy, errors.New(answer))
	case code/100 == 5:
		return h.ended(ReasonServer, errors.New(answer))
	}
	return &gateway.PassedError{Answer: h.To() + " " + answer}
}

// words reads the first line of an answer, with nothing private in it, and closes the answer. One that is too long, or takes
// too long, costs its connection.
func (h *Hook) words(resp *http.Response, limit time.Duration, cancel func(), token string) (string, error) {
	late := time.AfterFunc(limit, cancel)
	defer late.Stop()
	defer resp.Body.Close()
	text, err := io.ReadAll(io.LimitReader(resp.Body, maxRead))
	line, _, _ := strings.Cut(strings.TrimSpace(string(text)), "\n")
	return h.private(line, token), err
}

// longPart is how long a part of a URL's path is that may be a secret.
const longPart = 12

// private takes out of what the server says all that is not for others, and makes it fit for a log.
func (h *Hook) private(text, token string) string {
	secrets := []string{token}
	for _, values := range h.target.Query() {
		secrets = append(secrets, values...)
	}
	secrets = append(secrets, h.target.RawQuery)
	for part := range strings.SplitSeq(h.target.Path, "/") {
		if len(part) >= longPart {
			secrets = append(secrets, part)
		}
	}
	for _, v := range h.o.Headers {
		secrets = append(secrets, v)
	}
	for _, s := range secrets {
		if len(s) > 3 {
			text = strings.ReplaceAll(text, s, "[private]")
		}
	}
	return gateway.Printable(text, mostText)
}

// mostText is how much of somebody else's words is told, in characters.
const mostText = 200

// patience keeps to the Retry-After of an answer (RFC 9110, section 10.2.3): seconds, or a date, which is reckoned from the
// server's own, since our clock may not be set.
func (h *Hook) patience(header http.Header, now time.Time) {
	wait := retryAfter(header, now)
	if wait <= 0 {
		return
	}
	wait = min(wait, maxPatience) + rand.N(time.Second)
	h.mu.Lock()
	defer h.mu.Unlock()
	if until := now.Add(wait); until.After(h.notBefore) {
		h.notBefore = until
	}
}

func retryAfter(header http.Header, now time.Time) time.Duration {
	text := strings.TrimSpace(header.Get("Retry-After"))
	if n, err := strconv.ParseUint(text, 10, 64); err == nil {
		return time.Duration(min(n, uint64(maxPatience/time.Second))) * time.Second
	} else if errors.Is(err, strconv.ErrRange) {
		return maxPatience
	}
	until, err := http.ParseTime(text)
	if err != nil {
		return 0
	}
	if date, err := http.ParseTime(header.Get("Date")); err == nil {
		now = date
	}
	return until.Sub(now)
}

// failed says why there was no answer.
func (h *Hook) failed(err error, token string) *EndError {
	reason := reasonOf(err)
	if reason == ReasonSilent {
		err = fmt.Errorf("did not answer within %v", h.o.Timeout)
	}
	return h.ended(reason, errors.New(h.private(err.Error(), token)))
}

func reasonOf(err error) Reason {
	var op *net.OpError
	var cert *tls.CertificateVerificationError
	var record tls.RecordHeaderError
	var alert tls.AlertError
	switch {
	case errors.As(err, &op) && op.Op == "dial":
		return ReasonUnreachable
	case errors.Is(err, context.DeadlineExceeded):
		return ReasonSilent
	case errors.Is(err, context.Canceled):
		return ReasonClosed
	case errors.As(err, &cert), errors.As(err, &record), errors.As(err, &alert):
		return ReasonTLS
	case errors.Is(err, io.EOF), errors.Is(err, io.ErrUnexpectedEOF), errors.Is(err, syscall.ECONNRESET), errors.Is(err, syscall.EPIPE):
		return ReasonLost
	case strings.HasPrefix(err.Error(), "tls: "), strings.Contains(err.Error(), "HTTP response to HTTPS client"), strings.Contains(err.Error(), "TLS handshake timeout"):
		return ReasonTLS
	case strings.Contains(err.Error(), "server closed idle connection"):
		return ReasonLost
	}
	var late interface{ Timeout() bool }
	if errors.As(err, &late) && late.Timeout() {
		return ReasonSilent
	}
	return ReasonProtocol
}
