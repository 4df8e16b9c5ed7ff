package board

import (
	"bufio"
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"io"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"time"

	"github.com/getkin/kin-openapi/openapi3"
	"github.com/getkin/kin-openapi/openapi3filter"
	"github.com/getkin/kin-openapi/routers"
	"github.com/getkin/kin-openapi/routers/legacy"

	"longlane/gateway/health"
)

// judgeAPI holds answers against the document that is served.
type judgeAPI struct {
	doc    *openapi3.T
	router routers.Router
}

func newJudge(t *testing.T) *judgeAPI {
	t.Helper()
	data, err := assets.ReadFile("assets/openapi.json")
	if err != nil {
		t.Fatal(err)
	}
	doc, err := openapi3.NewLoader().LoadFromData(data)
	if err != nil {
		t.Fatal(err)
	}
	if err := doc.Validate(context.Background()); err != nil {
		t.Fatalf("the document is no OpenAPI: %v", err)
	}
	doc.Servers = nil // it is wherever the test serves it
	router, err := legacy.NewRouter(doc)
	if err != nil {
		t.Fatal(err)
	}
	return &judgeAPI{doc, router}
}

// check says in what an answer is not as documented.
func (j *judgeAPI) check(r *http.Request, code int, h http.Header, body []byte) error {
	route, params, err := j.router.FindRoute(r)
	if err != nil {
		return err
	}
	in := &openapi3filter.RequestValidationInput{Request: r, PathParams: params, Route: route,
		Options: &openapi3filter.Options{AuthenticationFunc: openapi3filter.NoopAuthenticationFunc, IncludeResponseStatus: true}}
	out := &openapi3filter.ResponseValidationInput{RequestValidationInput: in, Status: code, Header: h, Options: in.Options}
	out.SetBodyBytes(body)
	if code < 400 {
		err = openapi3filter.ValidateRequest(context.Background(), in)
	}
	return errors.Join(err, openapi3filter.ValidateResponse(context.Background(), out))
}

// event holds what the stream said against the schema.
func (j *judgeAPI) event(data []byte) error {
	var v any
	if err := json.Unmarshal(data, &v); err != nil {
		return err
	}
	return j.doc.Components.Schemas["Event"].Value.VisitJSON(v, openapi3.EnableJSONSchema2020())
}

func get(b *Board, path string, change ...func(*http.Request)) *httptest.ResponseRecorder {
	return ask(b, http.MethodGet, path, change...)
}

func ask(b *Board, method, path string, change ...func(*http.Request)) *httptest.ResponseRecorder {
	r := httptest.NewRequest(method, path, nil)
	r.Host = "127.0.0.1:9465"
	for _, f := range change {
		f(r)
	}
	w := httptest.NewRecorder()
	b.ServeHTTP(w, r)
	return w
}

func newBoard(t *testing.T, s Source) *Board {
	t.Helper()
	b, err := New(Options{Source: s, Listen: "127.0.0.1:9465"})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(b.Close)
	return b
}

// TestAnswersAreAsDocumented: each answer, good or bad, is one that the document allows, with no field that it does not know.
func TestAnswersAreAsDocumented(t *testing.T) {
	j := newJudge(t)
	now := time.Date(2026, 3, 1, 7, 30, 0, 0, time.UTC)
	bare := &site{now: Situation{Site: "s", Gateway: "g", At: now, Clock: ClockUnset}, hours: weather(1)}
	broken := orchard(now)
	broken.fail = errors.New("the file is busy")
	for _, c := range []struct {
		name string
		s    *site
		path string
		code int
	}{
		{"a good day", orchard(now), "/api/now", 200},
		{"a bad day", orchard(now).trouble(), "/api/now", 200},
		{"nothing at all", bare, "/api/now", 200},
		{"many", village(now, 50, 2), "/api/now", 200},
		{"a day", orchard(now), "/api/trips", 200},
		{"a week", orchard(now), "/api/trips?from=2026-02-22T00:00:00Z&to=2026-03-01T00:00:00%2B01:00&limit=3", 200},
		{"no trip", bare, "/api/trips", 200},
		{"no time", orchard(now), "/api/trips?from=yesterday", 400},
		{"backwards", orchard(now), "/api/trips?from=2026-03-01T00:00:00Z&to=2026-02-01T00:00:00Z", 400},
		{"for ever", orchard(now), "/api/trips?from=1970-01-01T00:00:00Z", 400},
		{"too many", orchard(now), "/api/trips?limit=1001", 400},
		{"no history", broken, "/api/trips", 503},
		{"watched", orchard(now), "/api/watched?zone=cattle-grid", 200},
		{"no zone", orchard(now), "/api/watched?zone=moon", 404},
		{"no history", broken, "/api/watched?zone=cattle-grid", 503},
		{"curves", orchard(now), "/api/curves?node=river-gate&span=year", 200},
		{"a day of them", orchard(now), "/api/curves?node=river-gate", 200},
		{"no node", orchard(now), "/api/curves?node=moon", 404},
		{"no span", orchard(now), "/api/curves?node=river-gate&span=week", 400},
		{"itself", orchard(now), "/api/openapi.json", 200},
	} {
		w := get(newBoard(t, c.s), c.path)
		if w.Code != c.code {
			t.Errorf("%s: %s: %d %s, want %d", c.name, c.path, w.Code, w.Body, c.code)
		}
		r := httptest.NewRequest(http.MethodGet, c.path, nil)
		if err := j.check(r, w.Code, w.Header(), w.Body.Bytes()); err != nil {
			t.Errorf("%s: %s: %v\n%.500s", c.name, c.path, err, w.Body)
		}
	}
}

// TestTheJudgeJudges: the document is no use if it lets everything pass.
func TestTheJudgeJudges(t *testing.T) {
	j := newJudge(t)
	w := get(newBoard(t, orchard(time.Now())), "/api/now")
	for name, f := range map[string]func(string) string{
		"a field too many": func(s string) string { return strings.Replace(s, `"site":`, `"moon":1,"site":`, 1) },
		"a field missing":  func(s string) string { return strings.Replace(s, `"site":`, `"sight":`, 1) },
		"another type":     func(s string) string { return strings.Replace(s, `"waiting":0`, `"waiting":"0"`, 1) },
		"another word":     func(s string) string { return strings.Replace(s, `"clear"`, `"fine"`, 1) },
	} {
		changed := f(w.Body.String())
		if changed == w.Body.String() {
			t.Fatalf("%s: nothing was changed", name)
		}
		if err := j.check(httptest.NewRequest(http.MethodGet, "/api/now", nil), 200, w.Header(), []byte(changed)); err == nil {
			t.Errorf("%s: it passes", name)
		}
	}
}

func TestAcknowledge(t *testing.T) {
	j := newJudge(t)
	s := orchard(time.Now()).trouble()
	b := newBoard(t, s)
	token := get(b, "/api/now").Header().Get(tokenHeader)
	const path = "/api/faults/cattle-grid.overdue.1/seen"
	with := func(token string) func(*http.Request) {
		return func(r *http.Request) { r.Header.Set(tokenHeader, token) }
	}
	check := func(what, path string, w *httptest.ResponseRecorder, code int) {
		t.Helper()
		if w.Code != code {
			t.Errorf("%s: %d %s, want %d", what, w.Code, w.Body, code)
		}
		if err := j.check(httptest.NewRequest(http.MethodPost, path, nil), w.Code, w.Header(), w.Body.Bytes()); err != nil {
			t.Errorf("%s: %v", what, err)
		}
	}
	seen := func() bool { return s.Now().Faults[0].Seen != nil }
	check("without a token", path, ask(b, "POST", path), 403)
	check("with another's token", path, ask(b, "POST", path, with(newTokens().of(""))), 403)
	check("from another site", path, ask(b, "POST", path, with(token), func(r *http.Request) { r.Header.Set("Sec-Fetch-Site", "cross-site") }), 403)
	if seen() {
		t.Fatal("it was acknowledged by one who may not")
	}
	c, _ := b.hub.join("")
	check("as it should be", path, ask(b, "POST", path, with(token)), 204)
	check("again", path, ask(b, "POST", path, with(token)), 204)
	check("one that does not stand", "/api/faults/moon/seen", ask(b, "POST", "/api/faults/moon/seen", with(token)), 404)
	if !seen() {
		t.Error("it was not acknowledged")
	}
	if m := string(<-c.ch); !strings.Contains(m, "event: fault\n") || !strings.Contains(m, `"seen":{`) || !strings.Contains(m, `"ended":false`) {
		t.Errorf("those who listen are told %q", m)
	}
	form := ask(b, "POST", path, func(r *http.Request) {
		r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
		r.Body = io.NopCloser(strings.NewReader("token=" + token))
	})
	if form.Code != 303 || form.Header().Get("Location") != "/#faults" {
		t.Errorf("a form is answered with %d %v", form.Code, form.Header())
	}
}

// TestReadOnly: nothing else can be changed.
func TestReadOnly(t *testing.T) {
	b := newBoard(t, orchard(time.Now()))
	for _, method := range []string{"POST", "PUT", "PATCH", "DELETE"} {
		for _, path := range []string{"/", "/trips", "/node/river-gate", "/api/now", "/api/trips", "/api/watched?zone=river-gate", "/api/curves?node=river-gate", "/api/events", "/board.css"} {
			w := ask(b, method, path, func(r *http.Request) { r.Header.Set(tokenHeader, b.tokens.of("")) })
			if w.Code != 405 && w.Code != 404 {
				t.Errorf("%s %s: %d", method, path, w.Code)
			}
		}
	}
}

// stream reads events from a board behind a real server.
type stream struct {
	t    *testing.T
	body io.ReadCloser
	r    *bufio.Reader
}

type told struct{ id, name, data string }

func listen(t *testing.T, url, lastID string) *stream {
	t.Helper()
	r, _ := http.NewRequest(http.MethodGet, url+"/api/events", nil)
	if lastID != "" {
		r.Header.Set("Last-Event-ID", lastID)
	}
	a, err := http.DefaultClient.Do(r)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { a.Body.Close() })
	if a.StatusCode != 200 || a.Header.Get("Content-Type") != "text/event-stream" {
		t.Fatalf("the stream is answered with %d %v", a.StatusCode, a.Header)
	}
	return &stream{t, a.Body, bufio.NewReader(a.Body)}
}

func (s *stream) next() (e told, ok bool) {
	for {
		line, err := s.r.ReadString('\n')
		if err != nil {
			return e, false
		}
		line = strings.TrimSuffix(line, "\n")
		name, value, _ := strings.Cut(line, ": ")
		switch {
		case line == "" && e != told{}:
			return e, true
		case name == "id":
			e.id = value
		case name == "event":
			e.name = value
		case name == "data":
			e.data = value
		}
	}
}

func (s *stream) want(name string) told {
	s.t.Helper()
	e, ok := s.next()
	if !ok || e.name != name {
		s.t.Fatalf("the stream says %+v %v, want %s", e, ok, name)
	}
	return e
}

// TestStream: what happens is told as documented, to all, and who comes back is told what was missed or that it is not known.
func TestStream(t *testing.T) {
	j := newJudge(t)
	s := orchard(time.Now()).trouble()
	b, url := serve(t, Options{Source: s})
	first := listen(t, url, "")
	welcome := first.want(onWelcome)
	events := []Event{{Kind: OnTrip, Trip: &s.trips[0]}, {Kind: OnFault, Fault: &FaultChange{Fault: s.now.Faults[0], Ended: true}}, {Kind: OnZone, Zone: &s.now.Zones[0]}, {Kind: OnChange}}
	var last told
	for _, e := range events {
		b.Tell(e)
		last = first.want(e.Kind)
		if err := j.event([]byte(last.data)); err != nil {
			t.Errorf("%s: %v\n%s", e.Kind, err, last.data)
		}
	}
	again := listen(t, url, welcome.id)
	for _, e := range events {
		if got := again.want(e.Kind); e.Kind == OnTrip && !strings.Contains(got.data, s.trips[0].ID) {
			t.Errorf("what was missed comes as %s", got.data)
		}
	}
	for _, id := range []string{"moon", "moon-1", b.hub.run + "-x", b.hub.run + "-99", strings.Repeat("9", 400)} {
		if got := listen(t, url, id).want(onReset); got.id != last.id {
			t.Errorf("after %q the stream goes on from %q, want %q", id, got.id, last.id)
		}
	}
	late := listen(t, url, last.id)
	for range replayed + 1 {
		b.Tell(Event{Kind: OnChange})
		late.want(OnChange) // they keep up, and are not cut off
	}
	listen(t, url, welcome.id).want(onReset)
	b.Close()
	if e, ok := late.next(); ok {
		t.Errorf("after the end the stream says %+v", e)
	}
	if w := get(b, "/api/events"); w.Code != 503 || w.Header().Get("Retry-After") == "" {
		t.Errorf("after the end: %d", w.Code)
	}
}

// TestStreamOutlivesTheServersLimits: a server bounds whole requests; a stream goes on.
func TestStreamOutlivesTheServersLimits(t *testing.T) {
	b := newBoard(t, orchard(time.Now()))
	srv := httptest.NewUnstartedServer(b)
	const limit = 50 * time.Millisecond
	srv.Config.ReadTimeout, srv.Config.WriteTimeout = limit, limit
	srv.Start()
	t.Cleanup(srv.Close)
	t.Cleanup(b.Close)
	s := listen(t, srv.URL, "")
	s.want(onWelcome)
	for began := time.Now(); time.Since(began) < 5*limit; {
		b.Tell(Event{Kind: OnChange})
		s.want(OnChange)
	}
	if n := b.Stats().Clients; n != 1 {
		t.Errorf("%d listen, want 1", n)
	}
}

func TestErrorsSayWhatToDo(t *testing.T) {
	b := newBoard(t, orchard(time.Now()))
	for path, want := range map[string]string{"/moon": "The lane is at /", "/node/moon": "no node of that name", "/trips?when=moonrise": "moonrise"} {
		w := get(b, path)
		if w.Code < 400 || !strings.Contains(w.Body.String(), want) || !strings.HasPrefix(w.Header().Get("Content-Type"), "text/html") {
			t.Errorf("%s: %d %s", path, w.Code, w.Body)
		}
	}
}

// TestNothingIsTakenForMarkup: what others have written stays text.
func TestNothingIsTakenForMarkup(t *testing.T) {
	const evil = `"><script>alert(1)</script><x y='`
	s := orchard(time.Now()).trouble()
	s.change(func(n *Situation) {
		n.Site, n.Gateway = evil, evil
		n.Plan.Places[0].Name, n.Plan.Places[1].Name = evil, evil
		for i := range n.Zones {
			n.Zones[i].Title, n.Zones[i].Why = evil, evil
		}
		for i := range n.Nodes {
			n.Nodes[i].Reason, n.Nodes[i].Severity = evil, health.Trouble
			n.Nodes[i].Hops[0].To = evil
		}
		n.Faults[0].Reason, n.Faults[0].Remedy, n.Faults[0].Evidence[0].Name = evil, evil, evil
		n.Bearers[0].Name, n.Bearers[0].Rule, n.Sinks[0].To, n.Annunciators[0].Name = evil, evil, evil, evil
	})
	s.trips[0].Title, s.trips[0].ID = evil, evil
	s.gaps["river-gate"] = []Span{{s.now.At.Add(-time.Hour), s.now.At, Gap, evil}}
	s.hours = func(string, time.Time, time.Time) []Hour {
		return []Hour{{At: s.now.At, Hops: []HopMargin{{evil, evil, 1, 2}}}}
	}
	b := newBoard(t, s)
	for _, path := range []string{"/", "/node/river-gate", "/trips?when=today", "/trips?when=" + "%22%3E%3Cscript%3Ealert(1)"} {
		body := get(b, path).Body.Bytes()
		body = bytes.ReplaceAll(body, []byte(`<script src="/board.js" defer>`), nil)
		if bytes.Contains(body, []byte("<script")) || bytes.Contains(body, []byte("<x y")) {
			t.Errorf("%s: markup got in", path)
		}
		if !bytes.Contains(body, []byte("script&gt;")) && path != "/node/river-gate" {
			t.Errorf("%s: it is not there at all", path)
		}
	}
}
