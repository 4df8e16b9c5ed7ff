package board

import (
	"context"
	"crypto/hmac"
	"crypto/rand"
	"crypto/sha256"
	"encoding/base64"
	"errors"
	"fmt"
	"net"
	"net/http"
	"net/netip"
	"strconv"
	"sync"
	"time"

	"golang.org/x/crypto/bcrypt"
)

const (
	cookieName   = "longlane_board"
	mostSessions = 64
	idle         = 36 * time.Hour // a session ends when nobody has looked for so long,
	absolute     = 30 * 24 * time.Hour
	leastRunes   = 8
	mostBytes    = 72 // of a password: bcrypt looks at no more
	hashCost     = 12
	leastCost    = 10
	mostCost     = 14 // more would take a small board many seconds
	triesAtOnce  = 5  // of one address, and then
	tryEvery     = 12 * time.Second
	mostAsking   = 256 // addresses whose tries are counted
)

// HashPassword is the bcrypt hash of a password, to be kept in a file. A password has 8 characters at least and 72 bytes at most.
func HashPassword(password string) (string, error) {
	if n := len([]rune(password)); n < leastRunes {
		return "", fmt.Errorf("found %d characters, expected %d or more", n, leastRunes)
	}
	if len(password) > mostBytes {
		return "", fmt.Errorf("found %d bytes, expected %d at the most", len(password), mostBytes)
	}
	hash, err := bcrypt.GenerateFromPassword([]byte(password), hashCost)
	return string(hash), err
}

// CheckHash says what is wrong with the hash of a password.
func CheckHash(hash string) error {
	cost, err := bcrypt.Cost([]byte(hash))
	switch {
	case err != nil:
		return errors.New("the board's password file does not hold a bcrypt hash; longlane check --board-password makes it")
	case cost < leastCost || cost > mostCost:
		return fmt.Errorf("the board's password is hashed at a cost of %d, expected %d to %d; longlane check --board-password makes it anew", cost, leastCost, mostCost)
	}
	return nil
}

// door lets in who knows the password. It is safe for concurrent use.
type door struct {
	hash    []byte
	trying  chan struct{} // one in it while a password is tried: that costs a core for a good part of a second
	mu      sync.Mutex    // guards what follows
	inside  map[[32]byte]*session
	callers map[netip.Prefix]*caller
}

// session is known by the hash of its id, so that the memory holds nothing that one could come in with.
type session struct {
	began, seen time.Time
}

// caller is an address that has tried; its tries come back with time.
type caller struct {
	left float64
	at   time.Time
}

func newDoor(hash string) *door {
	return &door{hash: []byte(hash), trying: make(chan struct{}, 1), inside: map[[32]byte]*session{}, callers: map[netip.Prefix]*caller{}}
}

// try compares a password, at the same cost whatever it is. wait is how long to wait first, if it was not compared.
func (d *door) try(ctx context.Context, from, password string, now time.Time) (good bool, wait time.Duration) {
	if wait := d.allow(from, now); wait > 0 {
		return false, wait
	}
	select {
	case d.trying <- struct{}{}:
		defer func() { <-d.trying }()
	case <-ctx.Done():
		return false, tryEvery
	case <-time.After(3 * time.Second):
		return false, tryEvery
	}
	// bcrypt itself refuses what is longer; it is compared all the same.
	tooLong := len(password) > mostBytes
	if tooLong {
		password = password[:mostBytes]
	}
	return bcrypt.CompareHashAndPassword(d.hash, []byte(password)) == nil && !tooLong, 0
}

// allow takes a try from an address; it returns how long to wait if none is left.
func (d *door) allow(from string, now time.Time) time.Duration {
	d.mu.Lock()
	defer d.mu.Unlock()
	key := network(from)
	c := d.callers[key]
	if c == nil {
		if len(d.callers) >= mostAsking {
			d.forget(now)
		}
		c = &caller{left: triesAtOnce, at: now}
		d.callers[key] = c
	}
	c.left = min(triesAtOnce, c.left+now.Sub(c.at).Seconds()/tryEvery.Seconds())
	c.at = now
	if c.left < 1 {
		return time.Duration((1 - c.left) * float64(tryEvery))
	}
	c.left--
	return 0
}

// forget makes room: who has all tries left goes, and if nobody has, who asked last, since he asks most.
func (d *door) forget(now time.Time) {
	var newest netip.Prefix
	var at time.Time
	for k, c := range d.callers {
		if c.left+now.Sub(c.at).Seconds()/tryEvery.Seconds() >= triesAtOnce {
			delete(d.callers, k)
		} else if !c.at.Before(at) {
			newest, at = k, c.at
		}
	}
	if len(d.callers) >= mostAsking {
		delete(d.callers, newest)
	}
}

// network is what counts as one caller: an address, or with IPv6 all that one household has.
func network(remote string) netip.Prefix {
	host, _, err := net.SplitHostPort(remote)
	if err != nil {
		host = remote
	}
	a, err := netip.ParseAddr(host)
	if err != nil {
		return netip.Prefix{}
	}
	bits := 32
	if a = a.Unmap().WithZone(""); a.Is6() {
		bits = 64
	}
	p, _ := a.Prefix(bits) // as many bits as there are
	return p
}

// enter begins a session and gives its id. With too many, the one that nobody has looked at for longest ends.
func (d *door) enter(now time.Time) string {
	d.mu.Lock()
	defer d.mu.Unlock()
	if len(d.inside) >= mostSessions {
		var oldest [32]byte
		var seen time.Time
		for k, s := range d.inside {
			if seen.IsZero() || s.seen.Before(seen) {
				oldest, seen = k, s.seen
			}
		}
		delete(d.inside, oldest)
	}
	id := rand.Text() // 130 bits
	d.inside[sha256.Sum256([]byte(id))] = &session{now, now}
	return id
}

// is reports whether a session is known and still good, and notes that somebody looked.
func (d *door) is(id string, now time.Time) bool {
	if id == "" {
		return false
	}
	d.mu.Lock()
	defer d.mu.Unlock()
	key := sha256.Sum256([]byte(id))
	s := d.inside[key]
	switch {
	case s == nil:
		return false
	case now.Sub(s.seen) > idle || now.Sub(s.began) > absolute:
		delete(d.inside, key)
		return false
	}
	s.seen = now
	return true
}

func (d *door) leave(id string) {
	d.mu.Lock()
	defer d.mu.Unlock()
	delete(d.inside, sha256.Sum256([]byte(id)))
}

// tokens prove that a request came from a page that was shown in the same session.
type tokens struct{ key []byte }

func newTokens() tokens {
	key := make([]byte, 32)
	rand.Read(key) // never fails
	return tokens{key}
}

func (t tokens) of(session string) string {
	m := hmac.New(sha256.New, t.key)
	m.Write([]byte(session))
	return base64.RawURLEncoding.EncodeToString(m.Sum(nil)[:18])
}

func (t tokens) good(session, token string) bool {
	return hmac.Equal([]byte(t.of(session)), []byte(token))
}

// tokenHeader is where a program sends the token, which it finds in the same header of an answer to GET /api/now.
const tokenHeader = "Longlane-Token"

func requestToken(r *http.Request) string {
	if t := r.Header.Get(tokenHeader); t != "" {
		return t
	}
	return r.PostFormValue("token")
}

// sessionOf is the id that r came with; empty on a board without a password.
func (b *Board) sessionOf(r *http.Request) string {
	if b.door == nil {
		return ""
	}
	c, err := r.Cookie(cookieName)
	if err != nil {
		return ""
	}
	return c.Value
}

func (b *Board) token(r *http.Request) string { return b.tokens.of(b.sessionOf(r)) }

// guard sends away who is not logged in.
func (b *Board) guard(next http.Handler) http.Handler {
	if b.door == nil {
		return next
	}
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		switch {
		case b.door.is(b.sessionOf(r), time.Now()):
			next.ServeHTTP(w, r)
		case isAPI(r):
			b.fail(w, r, http.StatusUnauthorized, "Log in first: POST /login with the form field password, and keep the cookie.")
		default:
			http.Redirect(w, r, "/login", http.StatusSeeOther)
		}
	})
}

type loginPage struct {
	page
	Wrong string
}

func (b *Board) loginForm(w http.ResponseWriter, r *http.Request) {
	b.render(w, http.StatusOK, "login.html", loginPage{page: page{Title: "The lane"}})
}

func (b *Board) login(w http.ResponseWriter, r *http.Request) {
	good, wait := b.door.try(r.Context(), r.RemoteAddr, r.PostFormValue("password"), time.Now())
	p := loginPage{page: page{Title: "The lane"}}
	switch {
	case wait > 0:
		seconds := int(wait.Seconds()) + 1
		w.Header().Set("Retry-After", strconv.Itoa(seconds))
		p.Wrong = fmt.Sprintf("Too many tries. Wait %d s, then try again.", seconds)
		b.render(w, http.StatusTooManyRequests, "login.html", p)
	case !good:
		b.o.Log.Warn("board: wrong password", "from", r.RemoteAddr)
		p.Wrong = "This is not the password."
		b.render(w, http.StatusUnauthorized, "login.html", p)
	default:
		// An id that somebody else may have planted goes; the new one is ours.
		b.door.leave(b.sessionOf(r))
		http.SetCookie(w, &http.Cookie{Name: cookieName, Value: b.door.enter(time.Now()), Path: "/", HttpOnly: true, Secure: r.TLS != nil,
			SameSite: http.SameSiteStrictMode, MaxAge: int(absolute.Seconds())})
		http.Redirect(w, r, local(r.PostFormValue("next")), http.StatusSeeOther)
	}
}

func (b *Board) logout(w http.ResponseWriter, r *http.Request) {
	if b.tokens.good(b.sessionOf(r), requestToken(r)) {
		b.door.leave(b.sessionOf(r))
	}
	http.SetCookie(w, &http.Cookie{Name: cookieName, Path: "/", MaxAge: -1, HttpOnly: true, SameSite: http.SameSiteStrictMode})
	http.Redirect(w, r, "/login", http.StatusSeeOther)
}
