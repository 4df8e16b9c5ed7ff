package logbook

import (
	"bufio"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"log/slog"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"time"

	"longlane/gateway"
	"longlane/queue/history"
)

// Socket is the name, in the state directory, of the Unix socket at which a gateway that runs answers for its history: it holds the file,
// so nobody else can read it. Only the gateway's user may. An answer is lines of JSON, the last of which is {"end":true}, or
// {"error":"..."} where something went wrong on the way.
const Socket = "history.sock"

const (
	mostAsking   = 4               // requests at a time
	lineLimit    = 5 * time.Minute // for whoever reads to take in some lines more
	flushLimit   = 10 * time.Second
	flushNoSoon  = 5 * time.Second
	openPatience = 20 * time.Second
)

// Serve answers at the socket until ctx ends. A socket that an earlier gateway has left is replaced: who has the state directory's
// queue is the only gateway there.
func (r *Recorder) Serve(ctx context.Context) {
	path := filepath.Join(r.o.Dir, Socket)
	l, err := listen(path)
	if err != nil {
		r.o.Log.Error("the history cannot be read while the gateway runs", "err", err)
		return
	}
	h := &asked{r: r, slots: make(chan struct{}, mostAsking)}
	srv := &http.Server{Handler: h.handler(), ReadHeaderTimeout: 5 * time.Second, ReadTimeout: 10 * time.Second, IdleTimeout: time.Minute,
		MaxHeaderBytes: 16 << 10, ErrorLog: slog.NewLogLogger(r.o.Log.Handler(), slog.LevelDebug)}
	ended := make(chan struct{})
	go func() { // ends with ctx
		defer close(ended)
		<-ctx.Done()
		srv.Close() // whoever reads is told by the end that is missing
	}()
	if err := srv.Serve(l); !errors.Is(err, http.ErrServerClosed) && ctx.Err() == nil {
		r.o.Log.Error("the history cannot be read any more while the gateway runs", "err", err)
	}
	<-ended
}

func listen(path string) (net.Listener, error) {
	if info, err := os.Lstat(path); err == nil && info.Mode()&fs.ModeSocket != 0 {
		if err := os.Remove(path); err != nil {
			return nil, fmt.Errorf("replace the socket of an earlier gateway: %w", err)
		}
	}
	l, err := net.Listen("unix", path)
	if err != nil {
		return nil, err
	}
	if err := os.Chmod(path, 0o600); err != nil {
		l.Close()
		return nil, err
	}
	return l, nil
}

// asked answers requests.
type asked struct {
	r     *Recorder
	slots chan struct{}
}

func (a *asked) handler() http.Handler {
	mux := http.NewServeMux()
	mux.HandleFunc("GET /trips", a.answer(func(s Reader, q query, out func(any) error) error {
		return s.Trips(q.from, q.to, func(t *history.Trip) error { return out(NewTrip(t)) })
	}))
	mux.HandleFunc("GET /faults", a.answer(func(s Reader, q query, out func(any) error) error {
		return s.Faults(q.from, q.to, func(f *history.Fault) error { return out(NewFault(f)) })
	}))
	mux.HandleFunc("GET /hours", a.answer(func(s Reader, q query, out func(any) error) error {
		return s.Hours(q.from, q.to, func(h *history.Hour) error { return out(NewHour(h)) })
	}))
	mux.HandleFunc("GET /spans", a.answer(func(s Reader, q query, out func(any) error) error {
		return s.Spans(q.kind, q.subject, q.from, q.to, func(sp *history.Span) error { return out(NewSpan(sp)) })
	}))
	mux.HandleFunc("GET /subjects", a.answer(func(s Reader, q query, out func(any) error) error {
		list, err := s.Subjects(q.kind)
		for _, name := range list {
			if err == nil {
				err = out(name)
			}
		}
		return err
	}))
	mux.HandleFunc("GET /unplaced/trips", a.answer(func(s Reader, _ query, out func(any) error) error {
		return s.Unplaced(func(t *history.Trip) error { return out(NewTrip(t)) }, nil)
	}))
	mux.HandleFunc("GET /unplaced/faults", a.answer(func(s Reader, _ query, out func(any) error) error {
		return s.Unplaced(nil, func(f *history.Fault) error { return out(NewFault(f)) })
	}))
	mux.HandleFunc("GET /copy", a.copy)
	return mux
}

// copy answers with a copy of the history. One that lacks its end is no copy, and whoever reads it knows that.
func (a *asked) copy(w http.ResponseWriter, req *http.Request) {
	if !a.take(w) {
		return
	}
	defer a.leave()
	s, err := a.r.openStore(req.Context())
	if err != nil {
		http.Error(w, err.Error(), http.StatusServiceUnavailable)
		return
	}
	w.Header().Set("Content-Type", "application/octet-stream")
	w.Header().Set("Trailer", copyTrailer)
	rc := http.NewResponseController(w)
	_, err = s.Copy(writerFunc(func(b []byte) (int, error) {
		if err := rc.SetWriteDeadline(time.Now().Add(lineLimit)); err != nil {
			return 0, err
		}
		return w.Write(b)
	}))
	if err != nil {
		w.Header().Set(copyTrailer, gateway.Printable(err.Error(), 500))
	}
}

// copyTrailer says, behind a copy that was broken off, why.
const copyTrailer = "Longlane-Broken-Off"

type writerFunc func([]byte) (int, error)

func (f writerFunc) Write(b []byte) (int, error) { return f(b) }

// take is a place among those who read, if there is one.
func (a *asked) take(w http.ResponseWriter) bool {
	select {
	case a.slots <- struct{}{}:
		return true
	default:
		http.Error(w, fmt.Sprintf("%d others are reading the history; try again", mostAsking), http.StatusServiceUnavailable)
		return false
	}
}

func (a *asked) leave() { <-a.slots }

// query is what a request asks for.
type query struct {
	from, to time.Time
	kind     history.Kind
	subject  string
}

func parseQuery(r *http.Request) (q query, err error) {
	v := r.URL.Query()
	for name, p := range map[string]*time.Time{"from": &q.from, "to": &q.to} {
		if text := v.Get(name); text != "" {
			if *p, err = time.Parse(time.RFC3339Nano, text); err != nil {
				return q, fmt.Errorf("%s: found %q, expected an RFC 3339 time", name, text)
			}
		}
	}
	switch kind := v.Get("kind"); kind {
	case "", "zone":
		q.kind = history.Watch
	case "annunciator":
		q.kind = history.Sound
	default:
		return q, fmt.Errorf("kind: found %q, expected zone or annunciator", kind)
	}
	q.subject = v.Get("subject")
	return q, nil
}

// end is the last line of an answer.
type end struct {
	End   bool   `json:"end,omitempty"`
	Error string `json:"error,omitempty"`
}

// line is a line of an answer: a record, or its end.
type line[W any] struct {
	Record W `json:"record"`
	end
}

// answer bounds what a request may take: the time, and how many there are.
func (a *asked) answer(walk func(Reader, query, func(any) error) error) http.HandlerFunc {
	return func(w http.ResponseWriter, req *http.Request) {
		if !a.take(w) {
			return
		}
		defer a.leave()
		q, err := parseQuery(req)
		if err != nil {
			http.Error(w, err.Error(), http.StatusBadRequest)
			return
		}
		s, err := a.r.Reader(req.Context())
		if err != nil {
			http.Error(w, err.Error(), http.StatusServiceUnavailable)
			return
		}
		w.Header().Set("Content-Type", "application/jsonl")
		rc := http.NewResponseController(w)
		out, n := bufio.NewWriterSize(w, 64<<10), 0
		e := json.NewEncoder(out)
		err = walk(s, q, func(v any) error {
			if n++; n%256 == 1 {
				if err := rc.SetWriteDeadline(time.Now().Add(lineLimit)); err != nil {
					return err
				}
			}
			return e.Encode(struct {
				Record any `json:"record"`
			}{v})
		})
		last := end{End: true}
		if err != nil {
			last = end{Error: err.Error()}
		}
		e.Encode(last)
		out.Flush() // who is gone is not told
	}
}

// Reader is the open store, with all that is in memory written to it. While the file is being opened it waits for a while.
func (r *Recorder) Reader(ctx context.Context) (Reader, error) {
	s, err := r.openStore(ctx)
	if err != nil {
		return nil, err
	}
	return s, nil
}

func (r *Recorder) openStore(ctx context.Context) (store, error) {
	wait := time.NewTimer(openPatience)
	defer wait.Stop()
	select {
	case <-r.settled:
	case <-ctx.Done():
		return nil, ctx.Err()
	case <-wait.C:
		return nil, errors.New("the history's file is still being opened; try again in a minute")
	}
	r.flushForReader(ctx)
	r.mu.Lock()
	defer r.mu.Unlock()
	if r.store == nil {
		return nil, fmt.Errorf("the gateway keeps no history now: %w", r.trouble)
	}
	return r.store, nil
}

// flushForReader has what is in memory written, unless that was done just now. A disk that hangs is not waited for.
func (r *Recorder) flushForReader(ctx context.Context) {
	r.mu.Lock()
	soon := time.Since(r.flushed) < flushNoSoon
	if !soon {
		r.flushed = time.Now()
	}
	r.mu.Unlock()
	if soon {
		return
	}
	ctx, cancel := context.WithTimeout(ctx, flushLimit)
	defer cancel()
	r.Flush(ctx)
}
