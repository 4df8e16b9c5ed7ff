package board

import (
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"net/url"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"golang.org/x/crypto/bcrypt"
)

const password = "apples and pears"

// hashed is quicker to check than what HashPassword makes, and still allowed.
var hashed = func() string {
	h, err := bcrypt.GenerateFromPassword([]byte(password), leastCost)
	if err != nil {
		panic(err)
	}
	return string(h)
}()

func locked(t *testing.T) *Board {
	t.Helper()
	b, err := New(Options{Source: orchard(time.Now()).trouble(), Listen: "0.0.0.0:9465", Password: hashed})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(b.Close)
	return b
}

func login(b *Board, password, from string, cookies ...*http.Cookie) *httptest.ResponseRecorder {
	return ask(b, "POST", "/login", func(r *http.Request) {
		r.Host, r.RemoteAddr = "house.lan:9465", from
		r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
		r.Body = io.NopCloser(strings.NewReader(url.Values{"password": {password}}.Encode()))
		for _, c := range cookies {
			r.AddCookie(c)
		}
	})
}

func cookie(t *testing.T, w *httptest.ResponseRecorder) *http.Cookie {
	t.Helper()
	for _, c := range w.Result().Cookies() {
		if c.Name == cookieName && c.Value != "" {
			return c
		}
	}
	t.Fatalf("no session: %d %v", w.Code, w.Header())
	return nil
}

// TestWhoMayListen: others reach a board only where it has a password.
func TestWhoMayListen(t *testing.T) {
	for _, c := range []struct {
		listen, password string
		hosts            []string
		ok               bool
	}{
		{"127.0.0.1:9465", "", nil, true}, {"[::1]:9465", "", nil, true}, {"localhost:9465", "", nil, true},
		{"0.0.0.0:9465", "", nil, false}, {":9465", "", nil, false}, {"192.168.1.5:9465", "", nil, false}, {"[::]:9465", "", nil, false}, {"house.lan:9465", "", nil, false}, {"127.0.0.1", "", nil, false},
		{"0.0.0.0:9465", hashed, nil, true}, {":9465", password, nil, false}, {":9465", strings.Replace(hashed, "$10$", "$04$", 1), nil, false}, {":9465", strings.Replace(hashed, "$10$", "$31$", 1), nil, false},
		{"127.0.0.1:9465", "", []string{"board.lan"}, false}, {"127.0.0.1:9465", hashed, []string{"board.lan"}, true},
	} {
		_, err := New(Options{Source: orchard(time.Now()), Listen: c.listen, Password: c.password, Hosts: c.hosts})
		if (err == nil) != c.ok {
			t.Errorf("%+v: %v", c, err)
		}
	}
}

// TestWithoutASession nothing of the site is told.
func TestWithoutASession(t *testing.T) {
	b := locked(t)
	for _, path := range []string{"/", "/trips", "/node/river-gate", "/moon"} {
		w := get(b, path)
		if w.Code != 303 || w.Header().Get("Location") != "/login" {
			t.Errorf("%s: %d %v", path, w.Code, w.Header())
		}
	}
	for _, path := range []string{"/api/now", "/api/trips", "/api/watched?zone=river-gate", "/api/curves?node=river-gate", "/api/events", "/api/moon"} {
		if w := get(b, path); w.Code != 401 {
			t.Errorf("%s: %d", path, w.Code)
		}
	}
	if w := ask(b, "POST", "/api/faults/cattle-grid.overdue.1/seen", func(r *http.Request) { r.Header.Set(tokenHeader, b.tokens.of("")) }); w.Code != 401 {
		t.Errorf("acknowledge: %d", w.Code)
	}
	for _, path := range []string{"/login", "/board.css", "/board.js", "/api/openapi.json"} {
		if w := get(b, path); w.Code != 200 || strings.Contains(w.Body.String(), "river") {
			t.Errorf("%s: %d", path, w.Code)
		}
	}
}

func TestSession(t *testing.T) {
	b := locked(t)
	if w := login(b, "apples and pear", "192.0.2.7:1"); w.Code != 401 || len(w.Result().Cookies()) != 0 {
		t.Errorf("a wrong password: %d %v", w.Code, w.Header())
	}
	if w := login(b, password+strings.Repeat("x", 80), "192.0.2.7:1"); w.Code != 401 {
		t.Errorf("a password that goes on: %d", w.Code)
	}
	planted := &http.Cookie{Name: cookieName, Value: "planted"}
	w := login(b, password, "192.0.2.7:1", planted)
	c := cookie(t, w)
	if w.Code != 303 || w.Header().Get("Location") != "/" {
		t.Errorf("the right one: %d %v", w.Code, w.Header())
	}
	if !c.HttpOnly || c.SameSite != http.SameSiteStrictMode || c.Secure || c.Value == "planted" || len(c.Value) < 26 {
		t.Errorf("the cookie is %+v", c)
	}
	mine := func(r *http.Request) { r.AddCookie(c) }
	if w := get(b, "/", mine); w.Code != 200 || !strings.Contains(w.Body.String(), "Log out") {
		t.Errorf("with it: %d", w.Code)
	}
	if w := get(b, "/", func(r *http.Request) { r.AddCookie(planted) }); w.Code != 303 {
		t.Errorf("with one that was planted: %d", w.Code)
	}
	second := cookie(t, login(b, password, "192.0.2.8:1"))
	token := get(b, "/api/now", mine).Header().Get(tokenHeader)
	const path = "/api/faults/cattle-grid.overdue.1/seen"
	if w := ask(b, "POST", path, func(r *http.Request) { r.AddCookie(second); r.Header.Set(tokenHeader, token) }); w.Code != 403 {
		t.Errorf("with another session's token: %d", w.Code)
	}
	if w := ask(b, "POST", path, func(r *http.Request) { r.AddCookie(c); r.Header.Set(tokenHeader, token) }); w.Code != 204 {
		t.Errorf("with its own token: %d %s", w.Code, w.Body)
	}
	ask(b, "POST", "/logout", mine) // without the token: nobody is logged out by another's page
	if w := get(b, "/", mine); w.Code != 200 {
		t.Errorf("logged out without the token: %d", w.Code)
	}
	ask(b, "POST", "/logout", mine, func(r *http.Request) { r.Header.Set(tokenHeader, token) })
	if w := get(b, "/", mine); w.Code != 303 {
		t.Errorf("after logging out: %d", w.Code)
	}
	if w := get(b, "/", func(r *http.Request) { r.AddCookie(second) }); w.Code != 200 {
		t.Errorf("the other session: %d", w.Code)
	}
}

// TestLongestPassword: bcrypt looks at 72 bytes; what begins with the password and goes on is another all the same.
func TestLongestPassword(t *testing.T) {
	long := strings.Repeat("orchard ", mostBytes/8)
	hash, err := bcrypt.GenerateFromPassword([]byte(long), leastCost)
	if err != nil {
		t.Fatal(err)
	}
	d := newDoor(string(hash))
	for word, want := range map[string]bool{long: true, long + "x": false, long[1:]: false} {
		if good, wait := d.try(t.Context(), "192.0.2.1:1", word, time.Now()); good != want || wait != 0 {
			t.Errorf("%d bytes: %v, %v; want %v", len(word), good, wait, want)
		}
	}
}

// TestSessionsEnd by themselves, and there are never too many.
func TestSessionsEnd(t *testing.T) {
	d := newDoor(hashed)
	now := time.Date(2026, 3, 1, 0, 0, 0, 0, time.UTC)
	left, used := d.enter(now), d.enter(now)
	for at := time.Duration(0); at <= absolute; at += idle {
		if !d.is(used, now.Add(at)) {
			t.Fatalf("a session in use ended after %v", at)
		}
	}
	if d.is(used, now.Add(absolute+time.Second)) {
		t.Error("a session outlived its time")
	}
	if d.is(left, now.Add(idle+time.Second)) {
		t.Error("a session that nobody looked at outlived its time")
	}
	first := d.enter(now)
	for i := range mostSessions {
		d.enter(now.Add(time.Duration(i+1) * time.Second))
	}
	if len(d.inside) != mostSessions || d.is(first, now) {
		t.Errorf("%d sessions, want %d, without the oldest", len(d.inside), mostSessions)
	}
	if d.is("", now) {
		t.Error("no id is a session")
	}
}

// TestTriesAreFew: who guesses waits, whatever address he takes, and who lives elsewhere does not wait with him.
func TestTriesAreFew(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		d := newDoor(hashed)
		now := time.Now()
		try := func(from, word string) (bool, time.Duration) { return d.try(t.Context(), from, word, now) }
		for i := range triesAtOnce {
			if good, wait := try("192.0.2.1:99", "moon"); good || wait > 0 {
				t.Fatalf("try %d: %v %v", i, good, wait)
			}
		}
		if good, wait := try("192.0.2.1:1", password); good || wait <= 0 || wait > tryEvery {
			t.Errorf("one try too many, with the right password: %v %v", good, wait)
		}
		if good, _ := try("192.0.2.2:1", password); !good {
			t.Error("another address waits as well")
		}
		for i := range triesAtOnce {
			try(fmt.Sprintf("[2001:db8::%d]:1", i+1), "moon")
		}
		if _, wait := try("[2001:db8::99]:1", "moon"); wait == 0 {
			t.Error("another address of the same network does not wait")
		}
		now = now.Add(tryEvery)
		if good, wait := try("192.0.2.1:1", password); !good || wait != 0 {
			t.Errorf("later: %v %v", good, wait)
		}
		for i := range 4 * mostAsking {
			now = now.Add(time.Microsecond)
			d.allow(fmt.Sprintf("198.51.%d.%d:1", i/256, i%256), now)
		}
		if n := len(d.callers); n > mostAsking {
			t.Errorf("%d addresses are kept, want %d at the most", n, mostAsking)
		}
		if _, wait := try("192.0.2.1:1", "moon"); wait == 0 {
			t.Error("a flood from elsewhere made his tries forgotten")
		}
	})
}

func TestTooManyTriesAreToldWhen(t *testing.T) {
	b := locked(t)
	var w *httptest.ResponseRecorder
	for range triesAtOnce + 1 {
		w = login(b, "moon", "192.0.2.9:1")
	}
	if w.Code != 429 || w.Header().Get("Retry-After") == "" || !strings.Contains(w.Body.String(), "Too many tries") {
		t.Errorf("%d %v %s", w.Code, w.Header(), w.Body)
	}
}

// TestEveryAnswerIsGuarded: none may be framed, cached, or run what is not the board's own.
func TestEveryAnswerIsGuarded(t *testing.T) {
	b := locked(t)
	for _, path := range []string{"/", "/login", "/board.js", "/api/now", "/moon"} {
		h := get(b, path).Header()
		csp := h.Get("Content-Security-Policy")
		for _, part := range []string{"default-src 'none'", "script-src 'self'", "style-src 'self'", "frame-ancestors 'none'", "form-action 'self'", "base-uri 'none'"} {
			if !strings.Contains(csp, part) {
				t.Errorf("%s: the policy lacks %s: %s", path, part, csp)
			}
		}
		if strings.Contains(csp, "unsafe") || strings.Contains(csp, "http") || h.Get("Cache-Control") != "no-store" || h.Get("X-Content-Type-Options") != "nosniff" {
			t.Errorf("%s: %v", path, h)
		}
	}
}

// TestNamesThatPointHere: a name from elsewhere that points to loopback gets nothing.
func TestNamesThatPointHere(t *testing.T) {
	open := newBoard(t, orchard(time.Now()))
	proxied, err := New(Options{Source: orchard(time.Now()), Listen: "127.0.0.1:9465", Password: hashed, Hosts: []string{"board.lan"}})
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		b    *Board
		host string
		code int
	}{
		{open, "127.0.0.1:9465", 200}, {open, "localhost", 200}, {open, "[::1]:9465", 200}, {open, "LOCALHOST:1", 200}, {open, "127.9.9.9", 200},
		{open, "evil.example:9465", 421}, {open, "127.0.0.1.evil.example", 421}, {open, "", 421}, {open, "192.168.1.5", 421}, {open, "board.lan", 421},
		{proxied, "board.lan", 401}, {proxied, "Board.Lan:443", 401}, {proxied, "evil.example", 421},
	} {
		if w := get(c.b, "/api/now", func(r *http.Request) { r.Host = c.host }); w.Code != c.code {
			t.Errorf("asked for as %q: %d, want %d", c.host, w.Code, c.code)
		}
	}
}

func TestHashPassword(t *testing.T) {
	for _, bad := range []string{"", "apples", "äpfel!!", strings.Repeat("a", 73), strings.Repeat("ä", 37)} {
		if h, err := HashPassword(bad); err == nil {
			t.Errorf("HashPassword(%q) = %q", bad, h)
		}
	}
	h, err := HashPassword(password)
	if err != nil || CheckHash(h) != nil || bcrypt.CompareHashAndPassword([]byte(h), []byte(password)) != nil {
		t.Errorf("HashPassword = %q, %v", h, err)
	}
}

func TestLocal(t *testing.T) {
	for path, want := range map[string]string{"/trips?when=today": "/trips?when=today", "": "/", "//evil.example": "/", "https://evil.example/": "/", `/\evil.example`: "/", "trips": "/", "javascript:alert(1)": "/"} {
		if got := local(path); got != want {
			t.Errorf("local(%q) = %q, want %q", path, got, want)
		}
	}
}
