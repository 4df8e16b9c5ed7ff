package webhook

import (
	"bytes"
	"context"
	"encoding/json"
	"encoding/pem"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"longlane/gateway"
	"longlane/gateway/webhook/body"
)

// request is what a server saw.
type request struct {
	method, uri, text string
	header            http.Header
	from              string
}

// server is a real HTTP server that notes what it is sent and answers as told.
type server struct {
	*httptest.Server
	mu   sync.Mutex
	seen []request
}

func newServer(t *testing.T, answer http.HandlerFunc) *server {
	return startServer(t, answer, (*httptest.Server).Start)
}

func startServer(t *testing.T, answer http.HandlerFunc, start func(*httptest.Server)) *server {
	s := &server{}
	s.Server = httptest.NewUnstartedServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		text, _ := io.ReadAll(r.Body)
		s.mu.Lock()
		s.seen = append(s.seen, request{r.Method, r.RequestURI, string(text), r.Header.Clone(), r.RemoteAddr})
		s.mu.Unlock()
		answer(w, r)
	}))
	s.Config.ErrorLog = slog.NewLogLogger(slog.DiscardHandler, slog.LevelError)
	start(s.Server)
	t.Cleanup(func() {
		s.CloseClientConnections()
		s.Close()
	})
	return s
}

func (s *server) requests() []request {
	s.mu.Lock()
	defer s.mu.Unlock()
	return append([]request(nil), s.seen...)
}

func status(code int) http.HandlerFunc {
	return func(w http.ResponseWriter, _ *http.Request) { w.WriteHeader(code) }
}

// hook makes a webhook that sends every kind of event to a URL.
func hook(t *testing.T, url string, edit func(*Options)) *Hook {
	t.Helper()
	o := Options{Name: "lights", URL: url, Method: "POST", ContentType: body.Structured, Timeout: 10 * time.Second, Kinds: body.Kinds,
		Log: slog.New(slog.DiscardHandler)}
	o.Body, _ = body.Compile("", "")
	if edit != nil {
		edit(&o)
	}
	h, err := New(o)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { h.Close() })
	return h
}

func dial(t *testing.T, h *Hook) gateway.Session {
	t.Helper()
	s, err := h.Dial(context.Background(), false)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(s.Close)
	return s
}

// event is an event as the core hands it over.
func event(id string, age any, edit ...func(map[string]any)) []byte {
	data := map[string]any{"zone": "river-gate", "age_s": age, "delayed": false}
	ce := map[string]any{"specversion": "1.0", "id": id, "source": "/longlane/hill-orchard", "type": "longlane.trip.opened", "subject": "river-gate", "data": data}
	for _, f := range edit {
		f(ce)
	}
	text, _ := json.Marshal(ce)
	return text
}

// publish sends one event and waits for what comes back.
func publish(t *testing.T, s gateway.Session, payload []byte) error {
	t.Helper()
	done := make(chan error, 1)
	s.Publish("topic", 1, false, payload, func(err error) { done <- err })
	select {
	case err := <-done:
		return err
	case <-time.After(time.Minute):
		t.Fatal("no outcome after a minute")
		return nil
	}
}

// TestAnswers: the table of statuses. Only 2xx takes an event; which come again, and which are given up, with the answer told.
func TestAnswers(t *testing.T) {
	const takes, again, up = "taken", "again", "given up"
	want := map[int]string{}
	for code := 200; code <= 599; code++ {
		switch {
		case code < 300:
			want[code] = takes
		case code == 408, code == 425, code == 429, code >= 500:
			want[code] = again
		default:
			want[code] = up
		}
	}
	var code atomic.Int64
	s := newServer(t, func(w http.ResponseWriter, _ *http.Request) {
		w.WriteHeader(int(code.Load()))
		if c := code.Load(); c != 204 && c != 304 {
			fmt.Fprintf(w, "the first line of %d\nthe second", c)
		}
	})
	h := hook(t, s.URL+"/trip", nil)
	for c, outcome := range want {
		code.Store(int64(c))
		sess := dial(t, h)
		err := publish(t, sess, event("1.1.1", 0.2))
		var passed *gateway.PassedError
		got := again
		switch {
		case err == nil:
			got = takes
		case errors.As(err, &passed):
			got = up
		}
		if got != outcome {
			t.Errorf("%d: %s (%v), want %s", c, got, err, outcome)
			continue
		}
		if outcome == takes {
			continue
		}
		if text := err.Error(); !strings.Contains(text, fmt.Sprint("answered ", c)) || c != 304 && !strings.Contains(text, fmt.Sprintf(`says "the first line of %d"`, c)) || strings.Contains(text, "second") {
			t.Errorf("%d is told as %q", c, text)
		}
		ended := false
		select {
		case <-sess.Closed():
			ended = true
		case <-time.After(map[string]time.Duration{again: time.Minute}[outcome]):
		}
		if ended != (outcome == again) {
			t.Errorf("%d: the session has ended: %v", c, ended)
		}
		if away := errors.Is(sess.Err(), gateway.ErrAway); outcome == again && away != (c == 503 || c < 500) {
			t.Errorf("%d: is the receiver away, so that no event is to blame? %v", c, away)
		}
	}
	if h.Stats("taken") != 100 || h.Stats("given-up") != 197 || h.Stats("retried") != 103 {
		t.Errorf("counted: %d taken, %d given up, %d again", h.Stats("taken"), h.Stats("given-up"), h.Stats("retried"))
	}
}

// TestRequest: what a request is made of, and that a session's requests share a connection.
func TestRequest(t *testing.T) {
	s := newServer(t, status(204))
	sess := dial(t, hook(t, s.URL+"/trip?area=lane", func(o *Options) {
		o.Headers = map[string]string{"X-Area": "lane"}
		o.Token = func() (string, error) { return "open-sesame", nil }
	}))
	payload := event("1.1.42", 0.2, func(ce map[string]any) { ce["time"] = "2026-03-01T06:12:09.31Z" })
	for range 3 {
		if err := publish(t, sess, payload); err != nil {
			t.Fatal(err)
		}
	}
	all := s.requests()
	r := all[0]
	if r.method != "POST" || r.uri != "/trip?area=lane" || r.text != string(payload) {
		t.Errorf("the server got %s %s %s", r.method, r.uri, r.text)
	}
	for name, want := range map[string]string{"Content-Type": "application/cloudevents+json; charset=utf-8", "Authorization": "Bearer open-sesame",
		"X-Area": "lane", "Ce-Id": "1.1.42", "Ce-Source": "/longlane/hill-orchard", "Ce-Type": "longlane.trip.opened", "Ce-Specversion": "1.0",
		"Ce-Subject": "river-gate", "Ce-Time": "2026-03-01T06:12:09.31Z", "User-Agent": "longlane", "Idempotency-Key": "", "Accept-Encoding": ""} {
		if got := r.header.Get(name); got != want {
			t.Errorf("header %s: %q, want %q", name, got, want)
		}
	}
	if all[1].from != all[0].from || all[2].from != all[0].from {
		t.Errorf("connections from %s, %s, %s; want one", all[0].from, all[1].from, all[2].from)
	}
	get := dial(t, hook(t, s.URL+"/on", func(o *Options) { o.Method = "GET" }))
	if err := publish(t, get, payload); err != nil {
		t.Fatal(err)
	}
	if r := s.requests()[3]; r.method != "GET" || r.text != "" || r.header.Get("Content-Type") != "" || r.header.Get("Ce-Id") != "1.1.42" {
		t.Errorf("the server got %+v, want a GET without a body", r)
	}
}

// TestConnectionClosedBehind: a server that closes each connection as soon as it has answered costs no event its first try.
func TestConnectionClosedBehind(t *testing.T) {
	s := newServer(t, func(w http.ResponseWriter, r *http.Request) {
		w.WriteHeader(200)
		w.(http.Flusher).Flush()
		c, _, err := w.(http.Hijacker).Hijack()
		if err == nil {
			c.Write([]byte("0\r\n\r\n"))
			c.Close()
		}
	})
	sess := dial(t, hook(t, s.URL, nil))
	for i := range 100 {
		if err := publish(t, sess, event(fmt.Sprint("1.1.", i), 0.2)); err != nil {
			t.Fatalf("event %d: %v", i, err)
		}
	}
}

// TestNotForIt: events of other kinds and zones, and old ones, make no request and are passed over without a word to the house.
func TestNotForIt(t *testing.T) {
	var log lockedBuffer
	s := newServer(t, status(200))
	h := hook(t, s.URL, func(o *Options) {
		o.Kinds, o.Zones, o.MaxAge, o.Log = []string{"opened", "fault"}, []string{"river-gate"}, time.Minute, slog.New(slog.NewTextHandler(&log, nil))
	})
	sess := dial(t, h)
	typ := func(typ string) func(map[string]any) { return func(ce map[string]any) { ce["type"] = typ } }
	data := func(key string, v any) func(map[string]any) {
		return func(ce map[string]any) { ce["data"].(map[string]any)[key] = v }
	}
	for _, c := range []struct {
		what    string
		payload []byte
		sent    bool
	}{
		{"a trip", event("1.1.1", 0.2), true},
		{"just young enough", event("1.1.2", 60), true},
		{"too old", event("1.1.3", 60.01), false},
		{"nobody knows how old", event("1.1.4", nil), false},
		{"a closing", event("1.1.5", 0.2, typ("longlane.trip.closed")), false},
		{"a correction", event("1.1.6", 0.2, typ("longlane.trip.time-corrected")), false},
		{"another zone", event("1.1.7", 0.2, data("zone", "ridge-gate")), false},
		{"a test", event("1.1.8", 0.2, data("test", true)), false},
		{"a fault of no zone", event("1.1.9", 0.2, typ("longlane.fault.began"), data("zone", "")), true},
		{"a fault of another zone", event("1.1.10", 0.2, typ("longlane.fault.began"), data("zone", "ridge-gate")), false},
	} {
		before := len(s.requests())
		err := publish(t, sess, c.payload)
		var passed *gateway.PassedError
		sent := len(s.requests()) > before
		if sent != c.sent || (err == nil) != c.sent || !c.sent && (!errors.As(err, &passed) || passed.Answer != "") {
			t.Errorf("%s: sent %v, %v; want sent %v", c.what, sent, err, c.sent)
		}
	}
	if h.Stats("taken") != 3 || h.Stats("skipped") != 2 || h.Stats("not-meant") != 5 {
		t.Errorf("counted: %d taken, %d skipped, %d not meant; want 3, 2, 5", h.Stats("taken"), h.Stats("skipped"), h.Stats("not-meant"))
	}
	if text := log.String(); strings.Count(text, "\n") != 2 || !strings.Contains(text, "first=1.1.3") || !strings.Contains(text, "skipped=2") {
		t.Errorf("the log says\n%s\nwant two lines: that events are skipped, and how many were", text)
	}
}

// lockedBuffer may be written to by several goroutines.
type lockedBuffer struct {
	mu sync.Mutex
	b  bytes.Buffer
}

func (b *lockedBuffer) Write(p []byte) (int, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.b.Write(p)
}

func (b *lockedBuffer) String() string {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.b.String()
}

// TestTLS: a server is believed by its authority's certificate alone.
func TestTLS(t *testing.T) {
	s := startServer(t, status(200), (*httptest.Server).StartTLS)
	ca := filepath.Join(t.TempDir(), "ca.pem")
	if err := os.WriteFile(ca, pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: s.Certificate().Raw}), 0o600); err != nil {
		t.Fatal(err)
	}
	if err := publish(t, dial(t, hook(t, s.URL, func(o *Options) { o.CAFile = ca })), event("1.1.1", 0.2)); err != nil {
		t.Errorf("with its own authority: %v", err)
	}
	expectEnd(t, dial(t, hook(t, s.URL, nil)), ReasonTLS, "certificate")
	plain := newServer(t, status(200))
	expectEnd(t, dial(t, hook(t, strings.Replace(plain.URL, "http:", "https:", 1), nil)), ReasonTLS, "")
	if n := len(s.requests()); n != 1 {
		t.Errorf("%d requests came through, want 1", n)
	}
	if _, err := New(Options{Name: "lights", URL: s.URL, CAFile: filepath.Join(t.TempDir(), "none")}); err == nil {
		t.Error("a CA file that is not there is taken")
	}
}

// expectEnd publishes an event that ends the session for a reason.
func expectEnd(t *testing.T, s gateway.Session, want Reason, words string) {
	t.Helper()
	err := publish(t, s, event("1.1.1", 0.2))
	var end *EndError
	if !errors.As(err, &end) || end.Reason != want || !strings.Contains(err.Error(), words) {
		t.Errorf("outcome %v, want a session's end for %s with %q", err, want, words)
		return
	}
	select {
	case <-s.Closed():
	case <-time.After(time.Minute):
		t.Error("the session has not ended")
	}
	if s.Err() == nil || !errors.As(s.Err(), &end) || end.Reason != want {
		t.Errorf("Err = %v, want %s", s.Err(), want)
	}
	late := make(chan error, 1)
	s.Publish("topic", 1, false, event("1.1.2", 0.2), func(err error) { late <- err })
	if err := <-late; err == nil {
		t.Error("a session that has ended takes events")
	}
}

// raw answers every connection with f, which ends it.
func raw(t *testing.T, f func(net.Conn)) string {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	var all sync.WaitGroup
	t.Cleanup(func() {
		l.Close()
		all.Wait()
	})
	ctx, cancel := context.WithCancel(context.Background())
	t.Cleanup(cancel)
	all.Go(func() {
		for {
			c, err := l.Accept()
			if err != nil {
				return
			}
			all.Go(func() {
				defer c.Close()
				stop := context.AfterFunc(ctx, func() { c.Close() })
				defer stop()
				f(c)
			})
		}
	})
	return "http://" + l.Addr().String()
}

// readRequest reads what is asked, body included.
func readRequest(c net.Conn) {
	b := make([]byte, 4096)
	for text := ""; !strings.HasSuffix(text, "}"); {
		n, err := c.Read(b)
		if err != nil {
			return
		}
		text += string(b[:n])
	}
}

// endless writes without end, and counts what is taken.
func endless(c net.Conn, first, then string, n *atomic.Int64) {
	readRequest(c)
	io.WriteString(c, first)
	for {
		k, err := io.WriteString(c, then)
		n.Add(int64(k))
		if err != nil {
			return
		}
	}
}

// TestHostile: whatever a server does, an event has an outcome within its time, and little of what it says is read.
func TestHostile(t *testing.T) {
	var said atomic.Int64
	long := strings.Repeat("all work and no play ", 50)
	closed, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	closed.Close()
	for _, c := range []struct {
		name   string
		url    string
		reason Reason // "": taken
	}{
		{"nobody listens", "http://" + closed.Addr().String(), ReasonUnreachable},
		{"never answers", raw(t, func(c net.Conn) { io.Copy(io.Discard, c) }), ReasonSilent},
		{"closes at once", raw(t, func(c net.Conn) {}), ReasonLost},
		{"closes after the request", raw(t, readRequest), ReasonLost},
		{"resets", raw(t, func(c net.Conn) {
			readRequest(c)
			c.(*net.TCPConn).SetLinger(0)
		}), ReasonLost},
		{"slow headers", raw(t, func(c net.Conn) {
			readRequest(c)
			io.WriteString(c, "HTTP/1.1 200 OK\r\n")
			for tick := time.NewTicker(10 * time.Millisecond); ; <-tick.C {
				if _, err := io.WriteString(c, "X-More: x\r\n"); err != nil {
					return
				}
			}
		}), ReasonSilent},
		{"headers without end", raw(t, func(c net.Conn) { endless(c, "HTTP/1.1 200 OK\r\n", "X-More: "+long+"\r\n", &said) }), ReasonProtocol},
		{"hints without end", raw(t, func(c net.Conn) {
			readRequest(c)
			for {
				if _, err := io.WriteString(c, "HTTP/1.1 103 Early Hints\r\nLink: x\r\n\r\n"); err != nil {
					return
				}
			}
		}), ReasonProtocol},
		{"garbage", raw(t, func(c net.Conn) { endless(c, "\x00\x01\x02 open-sesame ", long+"\n", &said) }), ReasonProtocol},
		{"a body without end", raw(t, func(c net.Conn) { endless(c, "HTTP/1.1 200 OK\r\n\r\n", long, &said) }), ""},
		{"a body that does not come", raw(t, func(c net.Conn) {
			readRequest(c)
			io.WriteString(c, "HTTP/1.1 200 OK\r\nContent-Length: 10\r\n\r\nshort")
			io.Copy(io.Discard, c)
		}), ""},
		{"5xx with a body without end", raw(t, func(c net.Conn) { endless(c, "HTTP/1.1 500 No\r\n\r\n", long, &said) }), ReasonServer},
		{"5xx with a body that does not come", raw(t, func(c net.Conn) {
			readRequest(c)
			io.WriteString(c, "HTTP/1.1 500 No\r\nContent-Length: 10\r\n\r\nshort")
			io.Copy(io.Discard, c)
		}), ReasonServer},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			timeout := 2 * time.Minute // in vain: nothing of this waits so long
			if c.reason == ReasonSilent {
				timeout = 200 * time.Millisecond
			}
			sess := dial(t, hook(t, c.url, func(o *Options) {
				o.Timeout = timeout
				o.Token = func() (string, error) { return "open-sesame", nil }
			}))
			began := time.Now()
			if c.reason == "" {
				if err := publish(t, sess, event("1.1.1", 0.2)); err != nil {
					t.Errorf("2xx, and yet %v", err)
				}
			} else {
				expectEnd(t, sess, c.reason, "")
				if text := sess.Err().Error(); strings.Contains(text, "open-sesame") || len(text) > 500 || strings.ContainsAny(text, "\x00\n") {
					t.Errorf("it is told as %q", text)
				}
			}
			if took := time.Since(began); took > 30*time.Second { // bounded at all; this machine may be slow
				t.Errorf("took %v", took)
			}
		})
	}
	t.Cleanup(func() {
		if n := said.Load(); n > 64<<20 {
			t.Errorf("%d bytes were taken from servers that speak without end", n)
		}
	})
}

// TestBoundedRead: of an answer no more is read than a few KiB, beyond what the sockets hold.
func TestBoundedRead(t *testing.T) {
	var before, after runtime.MemStats
	runtime.GC()
	runtime.ReadMemStats(&before)
	var said atomic.Int64
	url := raw(t, func(c net.Conn) { endless(c, "HTTP/1.1 400 No\r\n\r\n", strings.Repeat("x", 1<<20), &said) })
	sess := dial(t, hook(t, url, nil))
	err := publish(t, sess, event("1.1.1", 0.2))
	runtime.ReadMemStats(&after)
	if text := fmt.Sprint(err); !strings.Contains(text, "answered 400 Bad Request, and says \"xxxx") || len(text) > 400 {
		t.Errorf("it is told as %q", text)
	}
	if n := after.TotalAlloc - before.TotalAlloc; n > 8<<20 {
		t.Errorf("%d bytes were allocated for an answer without end", n)
	}
}

// TestRedirects: what is followed, and what is not; the token goes nowhere else.
func TestRedirects(t *testing.T) {
	other := newServer(t, status(200))
	var to string
	var code int
	s := newServer(t, func(w http.ResponseWriter, r *http.Request) {
		if r.URL.Path == "/end" {
			w.WriteHeader(200)
			return
		}
		if r.URL.Path == "/loop" {
			w.Header().Set("Location", "/loop")
		} else {
			w.Header().Set("Location", to)
		}
		w.WriteHeader(code)
	})
	_, portOf, _ := net.SplitHostPort(s.Listener.Addr().String())
	for _, c := range []struct {
		code       int
		method, to string
		requests   int    // at the server
		why        string // "": followed, and taken
	}{
		{307, "POST", "/end", 2, ""},
		{308, "PUT", s.URL + "/end", 2, ""},
		{308, "POST", strings.ToUpper(s.URL[:4]) + s.URL[4:] + "/end", 2, ""},
		{301, "GET", "/end", 2, ""},
		{302, "GET", "end", 2, ""},
		{301, "POST", "/end", 1, "not followed with POST"},
		{302, "PATCH", "/end", 1, "not followed with PATCH"},
		{303, "POST", "/end", 1, "answered 303 See Other"},
		{307, "POST", other.URL + "/end", 1, "a redirect to " + other.URL + ", which is not followed"},
		{301, "GET", other.URL + "/end", 1, "which is not followed"},
		{307, "POST", strings.Replace(s.URL, "http:", "https:", 1) + "/end", 1, "which is not followed"},
		{307, "POST", "http://localhost:" + portOf + "/end", 1, "which is not followed"},
		{307, "POST", "http://evil.example\\@127.0.0.1/end", 1, "leads nowhere"},
		{307, "POST", "http://u:p@" + s.Listener.Addr().String() + "/end", 1, "user or password"},
		{307, "POST", "", 1, "leads nowhere"},
		{307, "POST", "ftp://127.0.0.1/", 1, "which is not followed"},
		{308, "POST", "/loop", 4, "3 were followed"},
	} {
		to, code = c.to, c.code
		h := hook(t, s.URL+"/start", func(o *Options) {
			o.Method, o.Token = c.method, func() (string, error) { return "open-sesame", nil }
		})
		before := len(s.requests())
		err := publish(t, dial(t, h), event("1.1.1", 0.2))
		all := s.requests()[before:]
		var passed *gateway.PassedError
		if len(all) != c.requests || c.why == "" && err != nil || c.why != "" && (!errors.As(err, &passed) || !strings.Contains(passed.Answer, c.why)) {
			t.Errorf("%d to %q with %s: %d requests, %v; want %d and %q", c.code, c.to, c.method, len(all), err, c.requests, c.why)
		}
		for _, r := range all {
			if r.method != c.method || r.header.Get("Ce-Id") != "1.1.1" || (r.text == "") != (c.method == "GET") {
				t.Errorf("%d to %q: a request %s with %q", c.code, c.to, r.method, r.text)
			}
		}
	}
	if n := len(other.requests()); n != 0 {
		t.Errorf("another host got %d requests", n)
	}
}

// TestRetryAfter: a server's patience is kept, in seconds or by its own clock, and is bounded.
func TestRetryAfter(t *testing.T) {
	now := time.Date(1970, 1, 1, 0, 1, 0, 0, time.UTC) // a gateway whose clock is not set
	for _, c := range []struct {
		after, date string
		want        time.Duration
	}{
		{"120", "", 2 * time.Minute},
		{" 7 ", "", 7 * time.Second},
		{"0", "", 0},
		{"-3", "", 0},
		{"1.5", "", 0},
		{"soon", "", 0},
		{"", "", 0},
		{"999999", "", maxPatience},
		{"99999999999999999999999", "", maxPatience},
		{"Wed, 21 Oct 2026 07:28:00 GMT", "Wed, 21 Oct 2026 07:27:00 GMT", time.Minute}, // RFC 9110, section 10.2.3's form
		{"Wed, 21 Oct 2026 07:27:00 GMT", "Wed, 21 Oct 2026 07:28:00 GMT", -time.Minute},
		{"Thu, 01 Jan 1970 00:01:30 GMT", "", 30 * time.Second},
	} {
		h := http.Header{}
		h.Set("Retry-After", c.after)
		if c.date != "" {
			h.Set("Date", c.date)
		}
		if got := retryAfter(h, now); got != c.want {
			t.Errorf("Retry-After %q at %q: %v, want %v", c.after, c.date, got, c.want)
		}
	}
	h := hook(t, "http://lights.lan/", nil)
	for header, want := range map[string]time.Duration{"3": 3 * time.Second, "999999": maxPatience, "Wed, 21 Oct 2999 07:28:00 GMT": maxPatience} {
		h.notBefore = time.Time{}
		began := time.Now()
		h.patience(http.Header{"Retry-After": {header}}, began)
		if wait := h.notBefore.Sub(began); wait < want || wait > want+time.Second {
			t.Errorf("Retry-After %s has it wait %v, want %v and up to a second", header, wait, want)
		}
	}
}

// TestPatience: after 429 no session begins before its time; one that is told to stop waits for nothing.
func TestPatience(t *testing.T) {
	var busy atomic.Bool
	busy.Store(true)
	s := newServer(t, func(w http.ResponseWriter, _ *http.Request) {
		if busy.Load() {
			w.Header().Set("Retry-After", "1")
			w.WriteHeader(429)
		}
	})
	h := hook(t, s.URL, nil)
	began := time.Now()
	expectEnd(t, dial(t, h), ReasonBusy, "answered 429 Too Many Requests")
	busy.Store(false)
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	if _, err := h.Dial(ctx, false); err == nil {
		t.Error("a dial that is cancelled begins a session")
	}
	if err := publish(t, dial(t, h), event("1.1.1", 0.2)); err != nil {
		t.Fatal(err)
	}
	if took := time.Since(began); took < time.Second {
		t.Errorf("the next request came after %v, want a second at the least", took)
	}
}

// TestPrivate: neither errors nor log tell a token, a query, a header or a long part of the path, even if the server repeats them.
func TestPrivate(t *testing.T) {
	var log lockedBuffer
	s := newServer(t, func(w http.ResponseWriter, r *http.Request) {
		http.Error(w, "no \x1b[31m "+r.Header.Get("Authorization")+" "+r.RequestURI+" "+r.Header.Get("X-Key"), http.StatusForbidden)
	})
	secrets := []string{"open-sesame", "T0PSECRETPART", "quer-y-secret", "head-er-secret"}
	edit := func(o *Options) {
		o.Token = func() (string, error) { return secrets[0], nil }
		o.Headers = map[string]string{"X-Key": secrets[3]}
		o.Log = slog.New(slog.NewTextHandler(&log, nil))
	}
	path := "/" + secrets[1] + "/trip?key=" + secrets[2]
	texts := []string{}
	for _, base := range []string{s.URL, "http://127.0.0.1:1", raw(t, func(c net.Conn) {})} {
		h := hook(t, base+path, edit)
		sess := dial(t, h)
		texts = append(texts, publish(t, sess, event("1.1.1", 0.2)).Error(), fmt.Sprint(sess.Err()), h.To(), log.String())
	}
	_, err := New(Options{Name: "lights", URL: "http://u:" + secrets[0] + "@lights.lan" + path})
	texts = append(texts, fmt.Sprint(err))
	_, err = New(Options{Name: "lights", URL: "http://%zz" + path})
	texts = append(texts, fmt.Sprint(err))
	for _, text := range texts {
		for _, secret := range secrets {
			if strings.Contains(text, secret) {
				t.Errorf("%q tells %q", text, secret)
			}
		}
		if strings.Contains(text, "\x1b") {
			t.Errorf("%q has a control character", text)
		}
	}
	if !strings.Contains(texts[0], "answered 403 Forbidden, and says") || !strings.Contains(texts[0], s.URL) {
		t.Errorf("the answer is told as %q", texts[0])
	}
}

// TestTokenFile: the token is asked for each request; one that cannot be read ends the session and blames no event.
func TestTokenFile(t *testing.T) {
	s := newServer(t, status(200))
	token, fail := "first", error(nil)
	sess := dial(t, hook(t, s.URL, func(o *Options) { o.Token = func() (string, error) { return token, fail } }))
	publish(t, sess, event("1.1.1", 0.2))
	token = "second"
	publish(t, sess, event("1.1.2", 0.2))
	if a, b := s.requests()[0].header.Get("Authorization"), s.requests()[1].header.Get("Authorization"); a != "Bearer first" || b != "Bearer second" {
		t.Errorf("tokens %q and %q", a, b)
	}
	fail = errors.New("mode 0644, open to others")
	expectEnd(t, sess, ReasonSettings, "open to others")
	if !errors.Is(sess.Err(), gateway.ErrAway) {
		t.Error("an event is blamed for a token's file")
	}
	if n := len(s.requests()); n != 2 {
		t.Errorf("%d requests, want 2", n)
	}
}

// TestClose: a session that is closed lets what is under way be answered, but not for long; every event has its outcome.
func TestClose(t *testing.T) {
	for _, answers := range []bool{true, false} {
		release, arrived := make(chan struct{}), make(chan struct{}, 2)
		s := newServer(t, func(_ http.ResponseWriter, r *http.Request) {
			arrived <- struct{}{}
			select {
			case <-release:
			case <-r.Context().Done():
			}
		})
		sess := dial(t, hook(t, s.URL, func(o *Options) { o.Timeout = 5 * time.Minute }))
		outcome := make(chan error, 2)
		for i := range 2 {
			sess.Publish("topic", 1, false, event(fmt.Sprint("1.1.", i), 0.2), func(err error) { outcome <- err })
			<-arrived
		}
		if answers {
			time.AfterFunc(50*time.Millisecond, func() { close(release) })
		}
		sess.Close()
		for range 2 {
			select {
			case err := <-outcome:
				if (err == nil) != answers {
					t.Errorf("answers %v: outcome %v", answers, err)
				}
			case <-time.After(time.Minute):
				t.Fatalf("answers %v: an event has no outcome though its session was closed", answers)
			}
		}
		select {
		case <-sess.Closed():
		case <-time.After(time.Minute):
			t.Error("Close has not ended the session")
		}
	}
}

// TestBodyFails: a template that fails on some event after all is an answer to give up on, not an end.
func TestBodyFails(t *testing.T) {
	s := newServer(t, status(200))
	sess := dial(t, hook(t, s.URL, func(o *Options) {
		o.Body, _ = body.Compile(`{{if eq .Zone "mill"}}{{index .Hops 3}}{{end}}{}`, "application/json")
	}))
	err := publish(t, sess, event("1.1.1", 0.2, func(ce map[string]any) { ce["data"].(map[string]any)["zone"] = "mill" }))
	var passed *gateway.PassedError
	if !errors.As(err, &passed) || !strings.Contains(passed.Answer, "its body cannot be made") {
		t.Errorf("outcome %v, want the event given up", err)
	}
	if err := publish(t, sess, event("1.1.2", 0.2)); err != nil || s.requests()[0].text != "{}" {
		t.Errorf("the next event: %v", err)
	}
}
