// Package webhook tells one HTTP server of events: a request each. It is the sink for whatever controller runs the house.
//
// A Hook's Dial gives a gateway.Session on the core's own sink machinery (gateway.SinkOptions.EventsOnly), so that the place in
// the queue, both lanes, the pauses between tries, and what is set aside are those of a broker. The core hands over one event of
// each lane at a time; each is one request, and only its answer moves the cursor:
//
//	2xx                          taken
//	408, 425, 429, 5xx, none     the session ends; the event goes again, with its age of then, in a new one. After 429 and
//	                             503 with Retry-After no session begins before that time, of 10 minutes at the most
//	307, 308 within the origin   the same request goes there, three times at the most; 301 and 302 only if the method is GET
//	any other                    the event is given up (gateway.PassedError), and the house hears the answer as a fault
//
// An event that is older than MaxAge, or of a kind or zone that is not asked for, makes no request and is passed over.
//
// # At least once
//
// The same event can come twice: an answer was lost, or the gateway died before its cursor was written. Every request of an
// event has the same id, as the header ce-id (CloudEvents, HTTP protocol binding 1.0) and in the event itself.
//
// # What the server can do to us
//
// It is trusted with nothing. A request has one time limit, from the connection to the end of what is read of the answer, which
// is 4 KiB; headers are bounded; no proxy of the environment is used, nothing is unpacked, no cookie is kept. A request follows
// no redirect to another scheme, host or port, so the token stays where it is meant for.
//
// # What is kept private
//
// No error, log line or metric holds the token, the URL's path or query, or a header: services put secrets into each of these.
// They name scheme and host. What the server says comes back in the fault, one line, with these taken out of it.
package webhook

import (
	"context"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/http"
	"net/url"
	"os"
	"slices"
	"sync"
	"sync/atomic"
	"time"

	"longlane/gateway"
	"longlane/gateway/webhook/body"
)

// Options describe one webhook. Name, URL, Method, Body, Kinds and Timeout are required.
type Options struct {
	Name        string
	URL         string // http or https
	Method      string // POST, PUT, PATCH or GET; GET has no body
	ContentType string
	Headers     map[string]string
	// Token gives the bearer token. It is asked for each request, so that a file that has been replaced counts at once. nil:
	// there is none.
	Token   func() (string, error)
	Body    *body.Template
	CAFile  string        // PEM certificates to trust; empty: those of the system
	Timeout time.Duration // of a request, all of it
	MaxAge  time.Duration // an older event is passed over; 0: none is too old
	Kinds   []string      // of body.Kinds
	Zones   []string      // empty: all; events without a zone always go
	Log     *slog.Logger
}

// Reason is why a session ended. The list is closed, so that it can label a counter; see Reasons.
type Reason string

const (
	ReasonSettings    Reason = "settings"     // the token's file cannot be used
	ReasonUnreachable Reason = "unreachable"  // no TCP connection
	ReasonTLS         Reason = "tls"          // no TLS, or a certificate that is not trusted
	ReasonSilent      Reason = "silent"       // no answer in time
	ReasonLost        Reason = "lost"         // the connection ended without an answer
	ReasonProtocol    Reason = "protocol"     // what came back is no answer of HTTP/1.1
	ReasonBusy        Reason = "busy"         // answered 408, 425, 429 or 503
	ReasonServer      Reason = "server-error" // answered another 5xx
	ReasonClosed      Reason = "closed"       // closed from this side
)

// Reasons lists every Reason.
func Reasons() []Reason {
	return []Reason{ReasonSettings, ReasonUnreachable, ReasonTLS, ReasonSilent, ReasonLost, ReasonProtocol, ReasonBusy, ReasonServer, ReasonClosed}
}

// EndError says why a session ended.
type EndError struct {
	Reason Reason
	Host   string // scheme and host, and port if the URL names one
	Err    error
}

func (e *EndError) Error() string { return fmt.Sprintf("%s: %v", e.Host, e.Err) }

// Unwrap gives gateway.ErrAway where it is nothing that the event could have brought about.
func (e *EndError) Unwrap() []error {
	switch e.Reason {
	case ReasonServer, ReasonSilent, ReasonLost, ReasonProtocol:
		return []error{e.Err}
	}
	return []error{e.Err, gateway.ErrAway}
}

// Hook is one webhook. It is safe for concurrent use.
type Hook struct {
	o      Options
	target *url.URL
	way    *http.Transport // bare: a client would judge redirects before we do
	stats  [len(outcomes)]atomic.Uint64

	mu        sync.Mutex
	notBefore time.Time // the server has asked for so much patience
	skipping  int       // events passed over for their age since one was not
}

// outcome is what became of an event.
type outcome int

const (
	taken outcome = iota
	skipped
	givenUp
	notMeant
	retried
)

var outcomes = [...]string{"taken", "skipped", "given-up", "not-meant", "retried"}

// Outcomes is the closed list of what Stats counts.
func Outcomes() []string { return outcomes[:] }

// Stats counts events by outcome: taken by the server; skipped, since they were older than MaxAge; given-up after an answer that
// no other try would change; not-meant for it, by kind or zone; retried: each request whose event goes again.
func (h *Hook) Stats(outcome string) uint64 {
	if i := slices.Index(outcomes[:], outcome); i >= 0 {
		return h.stats[i].Load()
	}
	return 0
}

// Origin is a URL's scheme and host, and its port if it names one: all of it that may be shown.
func Origin(u *url.URL) string { return u.Scheme + "://" + u.Host }

// New checks what the options say and reads CAFile. It connects to nobody.
func New(o Options) (*Hook, error) {
	u, err := url.Parse(o.URL)
	if err != nil || u.Scheme != "http" && u.Scheme != "https" || u.Host == "" {
		return nil, fmt.Errorf("webhook %s: its URL is not of the form http://HOST/PATH or https://HOST/PATH", o.Name) // the URL may hold a secret
	}
	if u.User != nil {
		return nil, fmt.Errorf("webhook %s: its URL holds a user or password; a token goes into a file of its own", o.Name)
	}
	u.Fragment = ""
	trust, err := trusted(o.CAFile)
	if err != nil {
		return nil, fmt.Errorf("webhook %s: %w", o.Name, err)
	}
	h := &Hook{o: o, target: u}
	h.way = &http.Transport{
		Proxy:                  nil, // what the environment says is not the config's word
		DialContext:            (&net.Dialer{Timeout: o.Timeout, KeepAlive: 15 * time.Second}).DialContext,
		TLSClientConfig:        &tls.Config{MinVersion: tls.VersionTLS12, RootCAs: trust},
		TLSNextProto:           map[string]func(string, *tls.Conn) http.RoundTripper{}, // HTTP/1.1
		MaxIdleConnsPerHost:    2,                                                      // one a lane
		IdleConnTimeout:        90 * time.Second,
		DisableCompression:     true,
		MaxResponseHeaderBytes: 32 << 10,
	}
	return h, nil
}

func trusted(caFile string) (*x509.CertPool, error) {
	if caFile == "" {
		return nil, nil
	}
	pem, err := os.ReadFile(caFile)
	if err != nil {
		return nil, fmt.Errorf("read CA file: %w", err)
	}
	pool := x509.NewCertPool()
	if !pool.AppendCertsFromPEM(pem) {
		return nil, fmt.Errorf("CA file %s holds no certificate: expected PEM, beginning with -----BEGIN CERTIFICATE-----", caFile)
	}
	return pool, nil
}

// To is where the requests go, for logs.
func (h *Hook) To() string { return Origin(h.target) }

// Dial begins a session, once the server's Retry-After is over. It connects to nobody: that is for the first request.
func (h *Hook) Dial(ctx context.Context, _ bool) (gateway.Session, error) {
	h.mu.Lock()
	wait := time.Until(h.notBefore)
	h.mu.Unlock()
	if wait > 0 {
		t := time.NewTimer(wait)
		defer t.Stop()
		select {
		case <-ctx.Done():
			return nil, h.ended(ReasonClosed, context.Cause(ctx))
		case <-t.C:
		}
	}
	s := &session{h: h, closed: make(chan struct{})}
	s.ctx, s.cancel = context.WithCancel(context.Background())
	return s, nil
}

// Close gives connections back that wait for a next request.
func (h *Hook) Close() error {
	h.way.CloseIdleConnections()
	return nil
}

func (h *Hook) ended(r Reason, err error) *EndError { return &EndError{r, h.To(), err} }

func (h *Hook) count(o outcome) { h.stats[o].Add(1) }

// wants reports whether the receiver asked for such events.
func (h *Hook) wants(e *body.Event) bool {
	return slices.Contains(h.o.Kinds, e.Kind) && (len(h.o.Zones) == 0 || e.Zone == "" || slices.Contains(h.o.Zones, e.Zone))
}

// tooOld reports whether the receiver is not to hear of it any more. An unknown age is old.
func (h *Hook) tooOld(e *body.Event) bool {
	old := h.o.MaxAge > 0 && (e.Age == nil || *e.Age > h.o.MaxAge.Seconds())
	h.mu.Lock()
	defer h.mu.Unlock()
	switch {
	case old:
		if h.skipping++; h.skipping == 1 {
			h.o.Log.Warn("events are skipped: they are older than max_age, or nobody knows how old", "sink", h.o.Name, "first", e.ID, "max_age", h.o.MaxAge)
		}
	case h.skipping > 0:
		h.o.Log.Info("events go again", "sink", h.o.Name, "skipped", h.skipping)
		h.skipping = 0
	}
	return old
}

// session hands over events until one of them must go again.
type session struct {
	h      *Hook
	ctx    context.Context // of its requests
	cancel func()

	mu     sync.Mutex
	err    error         // why nothing is taken any more
	out    int           // requests under way
	closed chan struct{} // err is set, and out is 0
}

// Publish sends a request, from a goroutine that ends with its answer, within Timeout. Events alone are sent.
func (s *session) Publish(_ string, _ byte, _ bool, payload []byte, done func(error)) {
	s.mu.Lock()
	err := s.err
	if err == nil {
		s.out++
	}
	s.mu.Unlock()
	if err != nil {
		go done(err) // the caller may hold what done waits for
		return
	}
	go func() {
		err := s.h.tell(s.ctx, payload)
		var end *EndError
		if errors.As(err, &end) {
			s.end(end)
		}
		done(err)
		s.mu.Lock()
		defer s.mu.Unlock()
		s.out--
		s.settle()
	}()
}

// end has the session take nothing more. What is under way goes on.
func (s *session) end(err error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.err == nil {
		s.err = err
		s.settle()
	}
}

// settle closes closed when all is over; under mu.
func (s *session) settle() {
	if s.err == nil || s.out > 0 {
		return
	}
	select {
	case <-s.closed:
	default:
		close(s.closed)
		s.cancel()
	}
}

// Closed is closed when the session has ended and done has been called for all that was published.
func (s *session) Closed() <-chan struct{} { return s.closed }

// Err returns nil while the session lives, and then an *EndError.
func (s *session) Err() error {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.err
}

// Close ends the session. What is under way gets most of a second to be answered.
func (s *session) Close() {
	s.end(s.h.ended(ReasonClosed, errors.New("closed from this side")))
	t := time.NewTimer(800 * time.Millisecond)
	defer t.Stop()
	select {
	case <-s.closed:
		return
	case <-t.C:
	}
	s.cancel()
	t.Reset(200 * time.Millisecond)
	select {
	case <-s.closed:
	case <-t.C:
	}
}

// tell makes an event's request: nil, a *gateway.PassedError or an *EndError.
func (h *Hook) tell(ctx context.Context, payload []byte) error {
	e, err := body.Parse(payload)
	switch {
	case err != nil:
		h.count(givenUp)
		return &gateway.PassedError{Answer: err.Error()}
	case !h.wants(e):
		h.count(notMeant)
		return &gateway.PassedError{}
	case h.tooOld(e):
		h.count(skipped)
		return &gateway.PassedError{}
	}
	text, err := h.o.Body.Make(e)
	if err != nil {
		h.count(givenUp)
		return &gateway.PassedError{Answer: "its body cannot be made: " + gateway.Printable(err.Error(), mostText)}
	}
	err = h.request(ctx, e, text)
	switch err.(type) {
	case nil:
		h.count(taken)
	case *EndError:
		h.count(retried)
	default:
		h.count(givenUp)
	}
	return err
}
