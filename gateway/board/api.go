package board

import (
	"cmp"
	"fmt"
	"net/http"
	"slices"
	"strconv"
	"time"
)

// api adds the routes of the API; assets/openapi.json describes them.
func (b *Board) api(mux *http.ServeMux) {
	mux.HandleFunc("GET /api/now", b.apiNow)
	mux.HandleFunc("GET /api/trips", b.apiTrips)
	mux.HandleFunc("GET /api/watched", b.apiWatched)
	mux.HandleFunc("GET /api/curves", b.apiCurves)
	mux.HandleFunc("GET /api/events", b.events)
	mux.HandleFunc("POST /api/faults/{id}/seen", b.acknowledge)
}

func (b *Board) apiNow(w http.ResponseWriter, r *http.Request) {
	w.Header().Set(tokenHeader, b.token(r))
	s := b.o.Source.Now()
	s.full()
	answer(w, http.StatusOK, s)
}

// full makes lists that are nil empty, so that a client always finds a list.
func (s *Situation) full() {
	s.Zones, s.Nodes, s.Faults = list(s.Zones), list(s.Nodes), list(s.Faults)
	s.Bearers, s.Sinks, s.Annunciators = list(s.Bearers), list(s.Sinks), list(s.Annunciators)
	s.Nodes = slices.Clone(s.Nodes)
	for i := range s.Nodes {
		s.Nodes[i].Hops = list(s.Nodes[i].Hops)
	}
	s.Faults = slices.Clone(s.Faults)
	for i := range s.Faults {
		s.Faults[i].Evidence = list(s.Faults[i].Evidence)
	}
	if s.Plan != nil {
		p := *s.Plan
		p.Places, p.Course = list(p.Places), list(p.Course)
		s.Plan = &p
	}
}

func list[T any](l []T) []T {
	if l == nil {
		return []T{}
	}
	return l
}

const (
	tripsLimit  = 1000
	tripsWanted = 100
	mostRange   = 3 * 366 * day
)

func (b *Board) apiTrips(w http.ResponseWriter, r *http.Request) {
	from, to, err := b.period(r)
	limit := tripsWanted
	if v := r.URL.Query().Get("limit"); v != "" && err == nil {
		if limit, err = strconv.Atoi(v); err != nil || limit < 1 || limit > tripsLimit {
			err = fmt.Errorf("limit: found %q, expected a whole number from 1 to %d", v, tripsLimit)
		}
	}
	if err != nil {
		b.fail(w, r, http.StatusBadRequest, err.Error())
		return
	}
	respond(b, w, r, func() ([]Trip, error) {
		trips, err := b.o.Source.Trips(r.Context(), from, to, limit)
		return list(trips), err
	})
}

func (b *Board) apiWatched(w http.ResponseWriter, r *http.Request) {
	zone := r.URL.Query().Get("zone")
	from, to, err := b.period(r)
	switch {
	case err != nil:
		b.fail(w, r, http.StatusBadRequest, err.Error())
	case !slices.ContainsFunc(b.o.Source.Now().Zones, func(z Zone) bool { return z.Name == zone }):
		b.fail(w, r, http.StatusNotFound, fmt.Sprintf("zone: found %q, expected one of those in /api/now", zone))
	default:
		respond(b, w, r, func() (Watched, error) {
			watched, err := b.o.Source.Watched(r.Context(), zone, from, to)
			watched.Spans = list(watched.Spans)
			return watched, err
		})
	}
}

func (b *Board) apiCurves(w http.ResponseWriter, r *http.Request) {
	node, span := r.URL.Query().Get("node"), cmp.Or(r.URL.Query().Get("span"), "day")
	s := b.o.Source.Now()
	if !slices.ContainsFunc(s.Nodes, func(n Node) bool { return n.Name == node }) {
		b.fail(w, r, http.StatusNotFound, fmt.Sprintf("node: found %q, expected one of those in /api/now", node))
		return
	}
	for _, sp := range spans {
		if sp.Name == span {
			respond(b, w, r, func() ([]Hour, error) {
				hours, err := b.o.Source.Curves(r.Context(), node, s.At.Add(-sp.Long), s.At)
				hours = slices.Clone(list(hours))
				for i := range hours {
					hours[i].Hops = list(hours[i].Hops)
				}
				return hours, err
			})
			return
		}
	}
	b.fail(w, r, http.StatusBadRequest, fmt.Sprintf("span: found %q, expected day, month or year", span))
}

// respond reads history in its turn and answers with what it found.
func respond[T any](b *Board, w http.ResponseWriter, r *http.Request, read func() (T, error)) {
	done, ok := b.read(r.Context())
	if !ok {
		return
	}
	v, err := read()
	done()
	if err != nil {
		b.fail(w, r, http.StatusServiceUnavailable, "history cannot tell now: "+err.Error())
		return
	}
	answer(w, http.StatusOK, v)
}

// period reads from and to; without them it is the last day.
func (b *Board) period(r *http.Request) (from, to time.Time, err error) {
	to = b.o.Source.Now().At
	from = to.Add(-day)
	for name, t := range map[string]*time.Time{"from": &from, "to": &to} {
		v := r.URL.Query().Get(name)
		if v == "" {
			continue
		}
		if *t, err = time.Parse(time.RFC3339, v); err != nil {
			return from, to, fmt.Errorf("%s: found %q, expected a time such as 2026-03-01T18:00:00Z", name, v)
		}
	}
	if !from.Before(to) || to.Sub(from) > mostRange {
		return from, to, fmt.Errorf("from and to: found %s and %s, expected from before to, and no more than three years between them",
			from.Format(time.RFC3339), to.Format(time.RFC3339))
	}
	return from, to, nil
}

const (
	keepAlive  = 15 * time.Second // between signs of life, which also find out that a client has gone
	writeLimit = 10 * time.Second // for a client to take what is sent
)

// events streams what happens until the client goes, does not read, is no longer logged in, or the board is closed.
func (b *Board) events(w http.ResponseWriter, r *http.Request) {
	c, first := b.hub.join(cmp.Or(r.Header.Get("Last-Event-ID"), r.URL.Query().Get("after")))
	if c == nil {
		w.Header().Set("Retry-After", "30")
		b.fail(w, r, http.StatusServiceUnavailable, fmt.Sprintf("%d listen already, or the gateway is stopping; try again later", mostClients))
		return
	}
	defer b.hub.leave(c)
	rc := http.NewResponseController(w)
	send := func(parts ...[]byte) bool {
		// The server bounds whole answers; this one lasts, and each write of it is bounded instead.
		rc.SetWriteDeadline(time.Now().Add(writeLimit))
		for _, p := range parts {
			if _, err := w.Write(p); err != nil {
				return false
			}
		}
		return rc.Flush() == nil
	}
	w.Header().Set("Content-Type", "text/event-stream")
	w.Header().Set("X-Accel-Buffering", "no") // or a proxy would keep events until it has enough of them
	w.WriteHeader(http.StatusOK)
	if !send(append([][]byte{[]byte("retry: 2000\n\n")}, first...)...) {
		return
	}
	alive := time.NewTicker(keepAlive)
	defer alive.Stop()
	for {
		select {
		case m, ok := <-c.ch:
			if !ok || !send(m) {
				return
			}
		case <-alive.C:
			if b.door != nil && !b.door.is(b.sessionOf(r), time.Now()) || !send([]byte(": alive\n\n")) {
				return
			}
		case <-r.Context().Done():
			return
		}
	}
}
