package board

import (
	"bytes"
	"context"
	"embed"
	"encoding/json"
	"errors"
	"fmt"
	"html/template"
	"io"
	"log/slog"
	"net"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"sync"
	"time"

	"longlane/queue/history/period"
)

//go:embed assets
var assets embed.FS

var templates = template.Must(template.New("").Funcs(functions).ParseFS(assets, "assets/*.html"))

// Options say what a Board works with.
type Options struct {
	Source Source
	// Listen is the host:port at which it is served. Anything but loopback needs a password.
	Listen string
	// Password is a bcrypt hash; see HashPassword. Empty: none is asked for.
	Password string
	// Hosts are names, without port, under which a loopback address may be asked for, for a proxy on this machine. They need a
	// password, since whoever reaches the proxy reaches the board.
	Hosts []string
	Log   *slog.Logger // nil: none
}

// Board serves the page and the API. It is safe for concurrent use.
type Board struct {
	o        Options
	loopback bool
	hub      *hub
	door     *door // nil without a password
	tokens   tokens
	handler  http.Handler
	reading  chan struct{} // one in it for each request that reads history now

	mu    sync.Mutex // guards what follows
	made  mainPage   // the newest, for all who ask within a moment
	until time.Time
}

// readers are how many requests may read history at once. A burst of them must not take the disk from the queue.
const readers = 4

// New makes a board. It refuses an address that others can reach if there is no password.
func New(o Options) (*Board, error) {
	if o.Log == nil {
		o.Log = slog.New(slog.DiscardHandler)
	}
	b := &Board{o: o, loopback: isLoopback(o.Listen), hub: newHub(), tokens: newTokens(), reading: make(chan struct{}, readers)}
	switch {
	case o.Password != "":
		if err := CheckHash(o.Password); err != nil {
			return nil, err
		}
		b.door = newDoor(o.Password)
	case !b.loopback:
		return nil, fmt.Errorf("the board at %q could be read by everyone on the network: give it a password, or a loopback address", o.Listen)
	case len(o.Hosts) > 0:
		return nil, fmt.Errorf("the board is to answer to %s as well, so others reach it: give it a password", strings.Join(o.Hosts, ", "))
	}
	b.handler = b.routes()
	return b, nil
}

// isLoopback reports whether an address can be reached from this machine alone. An empty host is every address.
func isLoopback(address string) bool {
	host, _, err := net.SplitHostPort(address)
	ip := net.ParseIP(host)
	return err == nil && (host == "localhost" || ip != nil && ip.IsLoopback())
}

// Tell hands an event to all who listen. It never blocks.
func (b *Board) Tell(e Event) {
	if err := b.hub.tell(e); err != nil {
		b.o.Log.Error("board: event not told", "err", err)
	}
}

// Stats count what became of the streams.
func (b *Board) Stats() Stats { return b.hub.statistics() }

// Close ends all streams, and no new one begins. Everything else is still answered.
func (b *Board) Close() { b.hub.close() }

// ServeHTTP answers.
func (b *Board) ServeHTTP(w http.ResponseWriter, r *http.Request) { b.handler.ServeHTTP(w, r) }

func (b *Board) routes() http.Handler {
	open := http.NewServeMux() // what is shown before one has logged in
	open.HandleFunc("GET /board.css", asset("assets/board.css", "text/css; charset=utf-8"))
	open.HandleFunc("GET /board.js", asset("assets/board.js", "text/javascript; charset=utf-8"))
	open.HandleFunc("GET /board.svg", asset("assets/board.svg", "image/svg+xml"))
	open.HandleFunc("GET /api/openapi.json", asset("assets/openapi.json", "application/json"))
	if b.door != nil {
		open.HandleFunc("GET /login", b.loginForm)
		open.HandleFunc("POST /login", b.login)
		open.HandleFunc("POST /logout", b.logout)
	}
	inside := http.NewServeMux()
	inside.HandleFunc("GET /{$}", b.main)
	inside.HandleFunc("GET /node/{node}", b.node)
	inside.HandleFunc("GET /trips", b.trips)
	b.api(inside)
	inside.HandleFunc("/", func(w http.ResponseWriter, r *http.Request) {
		b.fail(w, r, http.StatusNotFound, "There is no such page. The lane is at /.")
	})
	open.Handle("/", b.guard(inside))
	crossOrigin := http.NewCrossOriginProtection()
	crossOrigin.SetDenyHandler(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		b.fail(w, r, http.StatusForbidden, "This was sent from another site's page.")
	}))
	return b.protect(crossOrigin.Handler(open))
}

// protect is what every answer has, and no request goes round.
func (b *Board) protect(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		h := w.Header()
		h.Set("Content-Security-Policy", "default-src 'none'; style-src 'self'; script-src 'self'; img-src 'self'; connect-src 'self'; "+
			"form-action 'self'; base-uri 'none'; frame-ancestors 'none'")
		h.Set("X-Content-Type-Options", "nosniff")
		h.Set("X-Frame-Options", "DENY")
		h.Set("Referrer-Policy", "same-origin")
		h.Set("Cross-Origin-Opener-Policy", "same-origin")
		h.Set("Cross-Origin-Resource-Policy", "same-origin")
		h.Set("Cache-Control", "no-store")
		if b.loopback && !b.knows(r.Host) {
			b.fail(w, r, http.StatusMisdirectedRequest, "This board answers on loopback only. If a proxy of yours asks, name its host in [board] hosts.")
			return
		}
		r.Body = http.MaxBytesReader(w, r.Body, 4<<10)
		next.ServeHTTP(w, r)
	})
}

// knows reports whether a request that reached a loopback address may have meant it. A web page from elsewhere can have its own
// name point to 127.0.0.1, and would then be of the same origin; but it cannot change the name that it asks for.
func (b *Board) knows(host string) bool {
	if h, _, err := net.SplitHostPort(host); err == nil {
		host = h
	}
	ip := net.ParseIP(strings.Trim(host, "[]"))
	return strings.EqualFold(host, "localhost") || ip != nil && ip.IsLoopback() || slices.ContainsFunc(b.o.Hosts, func(h string) bool { return strings.EqualFold(h, host) })
}

func asset(name, kind string) http.HandlerFunc {
	data, err := assets.ReadFile(name)
	if err != nil {
		panic(err) // the program was built without it
	}
	return func(w http.ResponseWriter, _ *http.Request) {
		w.Header().Set("Content-Type", kind)
		w.Write(data)
	}
}

// isAPI tells what answers with JSON.
func isAPI(r *http.Request) bool { return strings.HasPrefix(r.URL.Path, "/api/") }

// fail answers with an error, in the form in which r asked.
func (b *Board) fail(w http.ResponseWriter, r *http.Request, code int, what string) {
	if isAPI(r) {
		answer(w, code, map[string]string{"error": what})
		return
	}
	b.render(w, code, "message.html", struct {
		page
		What string
	}{page{Title: http.StatusText(code)}, what})
}

func answer(w http.ResponseWriter, code int, v any) {
	data, err := json.Marshal(v)
	if err != nil {
		http.Error(w, "the answer cannot be written", http.StatusInternalServerError)
		return
	}
	w.Header().Set("Content-Type", "application/json")
	w.WriteHeader(code)
	w.Write(append(data, '\n'))
}

// render writes a page whole or, if its template fails, an error instead.
func (b *Board) render(w http.ResponseWriter, code int, name string, data any) {
	var out bytes.Buffer
	if err := templates.ExecuteTemplate(&out, name, data); err != nil {
		b.o.Log.Error("board: page not made", "page", name, "err", err)
		http.Error(w, "This page could not be made; the gateway's log says why.", http.StatusInternalServerError)
		return
	}
	w.Header().Set("Content-Type", "text/html; charset=utf-8")
	w.WriteHeader(code)
	io.Copy(w, &out)
}

// read waits for its turn to read history; done gives it back. It is false when the client has gone meanwhile.
func (b *Board) read(ctx context.Context) (done func(), ok bool) {
	select {
	case b.reading <- struct{}{}:
		return func() { <-b.reading }, true
	case <-ctx.Done():
		return nil, false
	}
}

// fresh is for how long the lane's page serves others who ask, unless something happens.
const fresh = time.Second

// lanePage is the lane's page without what differs between those who look. With many screens in the house each event has all
// of them ask at once.
func (b *Board) lanePage(ctx context.Context) (mainPage, bool) {
	done, ok := b.read(ctx)
	if !ok {
		return mainPage{}, false
	}
	defer done()
	b.mu.Lock()
	defer b.mu.Unlock()
	if time.Now().After(b.until) || b.made.Newest != b.hub.newest() {
		// Not the client's context: who asks next is not to get what was cut short since the first had gone.
		ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), 10*time.Second)
		defer cancel()
		b.made = b.buildMain(ctx)
		b.until = time.Now().Add(fresh)
	}
	return b.made, true
}

func (b *Board) main(w http.ResponseWriter, r *http.Request) {
	p, ok := b.lanePage(r.Context())
	if !ok {
		return
	}
	p.Token, p.Password = b.token(r), b.door != nil
	b.render(w, http.StatusOK, "lane.html", p)
}

type nodePage struct {
	page
	Node   Node
	Zones  []Zone
	Span   string
	Spans  []string
	Curves []drawnCurve
	Err    string
}

type drawnCurve struct {
	*curve
	Wide, Narrow template.HTML
}

func (b *Board) node(w http.ResponseWriter, r *http.Request) {
	s := b.o.Source.Now()
	i := slices.IndexFunc(s.Nodes, func(n Node) bool { return n.Name == r.PathValue("node") })
	if i < 0 {
		b.fail(w, r, http.StatusNotFound, "There is no node of that name.")
		return
	}
	p := nodePage{page: page{Title: words(s.Nodes[i].Name), S: s, Token: b.token(r), Password: b.door != nil, Newest: b.hub.newest()}, Node: s.Nodes[i], Span: "day"}
	at := 0
	for j, sp := range spans {
		p.Spans = append(p.Spans, sp.Name)
		if sp.Name == r.URL.Query().Get("span") {
			p.Span, at = sp.Name, j
		}
	}
	for _, z := range s.Zones {
		if z.Node == p.Node.Name {
			p.Zones = append(p.Zones, z)
		}
	}
	done, ok := b.read(r.Context())
	if !ok {
		return
	}
	defer done()
	sp := spans[at]
	from := s.At.Add(-sp.Long)
	hours, err := b.o.Source.Curves(r.Context(), p.Node.Name, from, s.At)
	if err != nil {
		p.Err = err.Error()
	}
	list := curvesOf(hours, p.Node.Low, from, s.At, sp.step, sp.tick)
	for i := range list {
		c := &list[i]
		p.Curves = append(p.Curves, drawnCurve{c, c.SVG(760, 12.5, fmt.Sprintf("w%d", i)), c.SVG(340, 11.5, fmt.Sprintf("n%d", i))})
	}
	b.render(w, http.StatusOK, "node.html", p)
}

// mostShown is how many trips a page shows.
const mostShown = 300

type tripsPage struct {
	page
	When     string
	Whens    []string
	From, To time.Time
	Trips    []Trip
	More     bool
	Watched  []zoneWatched
	Err      string
}

type zoneWatched struct {
	Title string
	watchedView
	Spans []Span
}

func (b *Board) trips(w http.ResponseWriter, r *http.Request) {
	s := b.o.Source.Now()
	p := tripsPage{page: page{S: s, Title: "Who came", Token: b.token(r), Password: b.door != nil, Newest: b.hub.newest()},
		When: r.URL.Query().Get("when"), Whens: []string{"today", "last night", "yesterday"}}
	if p.When == "" {
		p.When = "today"
	}
	var err error
	if p.From, p.To, err = period.Parse(p.When, s.At); err != nil {
		p.Err = err.Error()
		b.render(w, http.StatusBadRequest, "trips.html", p)
		return
	}
	done, ok := b.read(r.Context())
	if !ok {
		return
	}
	defer done()
	if p.Trips, err = b.o.Source.Trips(r.Context(), p.From, p.To, mostShown+1); err != nil {
		p.Err = err.Error()
	}
	if len(p.Trips) > mostShown {
		p.Trips, p.More = p.Trips[:mostShown], true
	}
	for _, z := range s.Zones {
		watched, err := b.o.Source.Watched(r.Context(), z.Name, p.From, p.To)
		if err != nil {
			p.Err = err.Error()
			break
		}
		p.Watched = append(p.Watched, zoneWatched{z.Title, viewPeriod(&watched), gaps(&watched)})
	}
	b.render(w, http.StatusOK, "trips.html", p)
}

// viewPeriod is viewWatched for any time, whose gaps are listed beside it.
func viewPeriod(w *Watched) watchedView {
	whole := w.To.Sub(w.From).Seconds()
	if whole <= 0 {
		return watchedView{}
	}
	text := fmt.Sprintf("Watched %s of %s", long(w.EndToEnd+w.RadioOnly), long(whole)) + byRadio(w) + "."
	return watchedView{text, watchedBar(w, text)}
}

func gaps(w *Watched) (list []Span) {
	for _, s := range w.Spans {
		if s.Quality == Gap && len(list) < 20 {
			list = append(list, s)
		}
	}
	return list
}

// acknowledge notes that a fault has been seen, and tells all who listen.
func (b *Board) acknowledge(w http.ResponseWriter, r *http.Request) {
	id := r.PathValue("id")
	if !b.tokens.good(b.sessionOf(r), requestToken(r)) {
		b.fail(w, r, http.StatusForbidden, "This was not sent from the page itself, or the page is older than the gateway's last start. Load it again.")
		return
	}
	err := b.o.Source.Acknowledge(r.Context(), id)
	switch {
	case errors.Is(err, ErrNoFault):
		b.fail(w, r, http.StatusNotFound, "This fault does not stand any more.")
		return
	case err != nil:
		b.o.Log.Error("board: fault not acknowledged", "fault", id, "err", err)
		b.fail(w, r, http.StatusInternalServerError, "It could not be noted: "+err.Error())
		return
	}
	for _, f := range b.o.Source.Now().Faults {
		if f.ID == id {
			b.Tell(Event{Kind: OnFault, Fault: &FaultChange{Fault: f}})
		}
	}
	if isForm(r) {
		http.Redirect(w, r, "/#faults", http.StatusSeeOther)
		return
	}
	w.WriteHeader(http.StatusNoContent)
}

func isForm(r *http.Request) bool {
	return strings.HasPrefix(r.Header.Get("Content-Type"), "application/x-www-form-urlencoded")
}

// local keeps a way back within this board.
func local(path string) string {
	u, err := url.Parse(path)
	if err != nil || u.Host != "" || u.Scheme != "" || !strings.HasPrefix(path, "/") || strings.HasPrefix(path, "//") || strings.Contains(path, `\`) {
		return "/"
	}
	return path
}
