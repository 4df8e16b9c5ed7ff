package logbook

import (
	"bytes"
	"context"
	"errors"
	"io"
	"log/slog"
	"math"
	"net"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"testing"
	"time"

	"longlane/gateway"
	"longlane/queue/history"
)

// served is a recorder at its socket, in real time.
type served struct {
	r    *Recorder
	dir  string
	stop func()
}

func serve(t *testing.T, dir string) *served {
	t.Helper()
	began := time.Now()
	clock := gateway.Clock{Mono: func() time.Duration { return time.Hour + time.Since(began) }, Wall: func() time.Time { return start.Add(time.Since(began)) },
		Boot: [16]byte{1}, Set: func() bool { return true }}
	r := New(Options{Name: "history", Dir: dir, Clock: clock, CheckIn: time.Minute, MaxLag: 100, Log: slog.New(slog.DiscardHandler)})
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan struct{})
	go func() {
		defer close(done)
		answering := make(chan struct{})
		go func() { defer close(answering); r.Serve(ctx) }()
		r.Run(ctx)
		<-answering
	}()
	s := &served{r: r, dir: dir, stop: func() { cancel(); <-done }}
	t.Cleanup(s.stop)
	look, end := time.NewTicker(5*time.Millisecond), time.NewTimer(20*time.Second)
	defer look.Stop()
	defer end.Stop()
	for {
		c, err := net.Dial("unix", filepath.Join(dir, Socket))
		if err == nil {
			c.Close()
			return s
		}
		select {
		case <-look.C:
		case <-end.C:
			t.Fatal(err)
		}
	}
}

// filled makes a history with all there is in it.
func filled(t *testing.T, dir string) {
	t.Helper()
	s, _, err := history.Open(filepath.Join(dir, history.File), history.Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	at := history.Moment{Wall: start.Add(123456789), Boot: [16]byte{9}, Mono: time.Hour}
	b := history.Batch{
		Trips: []history.Trip{
			{ID: history.TripID{Node: 3, Gen: 1, Counter: 70000}, At: at, Zone: "gate", Node: "river-gate", Class: "vehicle", Dwell: 1368 * time.Millisecond, Margin: 9.5, Opened: true,
				Closed: true, Supervised: true, Uncertain: true},
			{ID: history.TripID{Node: 3, Gen: 1, Counter: 70002}, At: history.Moment{Wall: start.Add(time.Second), Boot: [16]byte{9}, Mono: time.Hour, PutRight: true}, Zone: "gate", Node: "river-gate", Dwell: -1, Margin: math.NaN(), Opened: true, Test: true, Delayed: true, Unproven: true},
			{ID: history.TripID{Node: 4, Gen: 1, Counter: 1}, At: history.Moment{Boot: [16]byte{10}, Mono: 1500 * time.Millisecond}, Zone: "mill", Node: "mill", Dwell: 0, Closed: true, Margin: math.NaN()},
		},
		Faults: []history.Fault{{ID: "3.1.5", At: at, Code: "input wire", Zone: "gate", Node: "river-gate", Detail: "it \"says\" so"},
			{ID: "4.1.5", At: history.Moment{Boot: [16]byte{10}, Mono: time.Second}, Code: "tamper", Node: "mill", Ended: true}},
		Hours: []history.Hour{{Node: "river-gate", At: at, Count: 4, Lowest: 3.5, Battery: 3.6, Hops: []history.Hop{{From: "river-gate", To: "house", Margins: map[int8]int{-3: 1, 9: 3}}}}},
		Spans: []history.Span{{Kind: history.Watch, Subject: "gate", From: at, Length: time.Hour, Quality: history.EndToEnd},
			{Kind: history.Watch, Subject: "gate", From: history.Moment{Wall: start.Add(2 * time.Hour), Boot: [16]byte{9}, Mono: 3 * time.Hour}, Length: time.Minute, Cause: "ridge relay silent"},
			{Kind: history.Sound, Subject: "shop", From: at, Length: time.Hour, Quality: history.RadioOnly}},
	}
	if err := s.Write(b); err != nil {
		t.Fatal(err)
	}
}

// everything is all that a reader tells, with times in one zone and NaN as a number.
func everything(t *testing.T, r Reader) (all []any) {
	t.Helper()
	long := time.Unix(0, 0)
	trip := func(x *history.Trip) error {
		if math.IsNaN(x.Margin) {
			x.Margin = -999
		}
		x.At.Wall, x.Earliest, x.Latest = x.At.Wall.UTC(), x.Earliest.UTC(), x.Latest.UTC()
		all = append(all, *x)
		return nil
	}
	fault := func(x *history.Fault) error {
		x.At.Wall, x.Earliest, x.Latest = x.At.Wall.UTC(), x.Earliest.UTC(), x.Latest.UTC()
		all = append(all, *x)
		return nil
	}
	for _, err := range []error{r.Trips(long, farAhead, trip), r.Faults(long, farAhead, fault), r.Unplaced(trip, nil), r.Unplaced(nil, fault),
		r.Hours(long, farAhead, func(x *history.Hour) error { x.At.Wall = x.At.Wall.UTC(); all = append(all, *x); return nil })} {
		if err != nil {
			t.Fatal(err)
		}
	}
	for _, kind := range []history.Kind{history.Watch, history.Sound} {
		list, err := r.Subjects(kind)
		if err != nil {
			t.Fatal(err)
		}
		all = append(all, list)
		for _, subject := range list {
			if err := r.Spans(kind, subject, long, farAhead, func(x *history.Span) error {
				x.From = history.Moment{Wall: x.From.Wall.UTC()}
				all = append(all, *x)
				return nil
			}); err != nil {
				t.Fatal(err)
			}
		}
	}
	return all
}

// TestSameAnswers: the gateway at its socket tells what its file does, all of it; a socket that a killed one has left is in nobody's way.
func TestSameAnswers(t *testing.T) {
	dir := t.TempDir()
	filled(t, dir)
	old, err := net.Listen("unix", filepath.Join(dir, Socket))
	if err != nil {
		t.Fatal(err)
	}
	old.(*net.UnixListener).SetUnlinkOnClose(false)
	old.Close()
	r, done, err := OpenReader(context.Background(), dir)
	if err != nil {
		t.Fatal(err)
	}
	if _, ok := r.(*history.Store); !ok {
		t.Fatalf("with nobody behind the socket it reads from a %T", r)
	}
	fromFile := everything(t, r)
	if err := done(); err != nil {
		t.Fatal(err)
	}
	s := serve(t, dir)
	if r, done, err = OpenReader(context.Background(), dir); err != nil {
		t.Fatal(err)
	}
	if _, ok := r.(*client); !ok {
		t.Fatalf("of a gateway that runs it reads from a %T", r)
	}
	fromGateway := everything(t, r)
	done()
	if len(fromFile) != 11 || !reflect.DeepEqual(fromFile, fromGateway) {
		t.Errorf("the file tells\n%+v\nthe gateway\n%+v", fromFile, fromGateway)
	}
	if info, err := os.Stat(filepath.Join(dir, Socket)); err != nil || info.Mode().Perm() != 0o600 {
		t.Errorf("the socket: %v, %v", info.Mode(), err)
	}
	s.stop()
	if r, done, err = OpenReader(context.Background(), dir); err != nil {
		t.Fatal(err)
	}
	if _, ok := r.(*history.Store); !ok {
		t.Errorf("after the gateway's end it reads from a %T", r)
	}
	done()
}

// TestBadQuestions: what nobody can mean is refused, and too many at a time are.
func TestBadQuestions(t *testing.T) {
	dir := t.TempDir()
	filled(t, dir)
	s := serve(t, dir)
	c := newClient(context.Background(), filepath.Join(dir, Socket))
	defer c.close()
	get := func(path string) (int, string) {
		t.Helper()
		resp, err := c.c.Get("http://gateway" + path)
		if err != nil {
			t.Fatal(err)
		}
		defer resp.Body.Close()
		text, _ := io.ReadAll(resp.Body)
		return resp.StatusCode, string(text)
	}
	for path, want := range map[string]int{"/trips?from=yesterday": 400, "/spans?kind=x": 400, "/nothing": 404, "/trips": 200} {
		if code, text := get(path); code != want {
			t.Errorf("%s: %d, %s; want %d", path, code, text, want)
		}
	}
	if resp, err := c.c.Post("http://gateway/trips", "", strings.NewReader("x")); err != nil || resp.StatusCode != http.StatusMethodNotAllowed {
		t.Errorf("a POST: %v, %v", resp, err)
	} else {
		resp.Body.Close()
	}
	slots := make(chan struct{}, mostAsking)
	h := (&asked{r: s.r, slots: slots}).answer(func(Reader, query, func(any) error) error { return errors.New("it breaks") })
	for range mostAsking {
		slots <- struct{}{}
	}
	w := &answerNoter{header: http.Header{}}
	req, _ := http.NewRequest(http.MethodGet, "/trips", nil)
	h(w, req)
	if w.code != http.StatusServiceUnavailable {
		t.Errorf("one more than there is room for: %d", w.code)
	}
	<-slots
	w = &answerNoter{header: http.Header{}}
	if h(w, req); !strings.Contains(w.text.String(), `{"error":"it breaks"}`) || len(slots) != mostAsking-1 {
		t.Errorf("what goes wrong on the way: %s, %d slots taken", w.text.String(), len(slots))
	}
}

type answerNoter struct {
	header http.Header
	code   int
	text   strings.Builder
}

func (w *answerNoter) Header() http.Header         { return w.header }
func (w *answerNoter) WriteHeader(code int)        { w.code = code }
func (w *answerNoter) Write(b []byte) (int, error) { return w.text.Write(b) }

// TestCutAnswer: an answer that lacks its end is none, and one that tells of trouble is told on.
func TestCutAnswer(t *testing.T) {
	for text, want := range map[string]string{
		"{\"record\":\"gate\"}\n":                          errCut.Error(),
		"{\"record\":\"gate\"}\n{\"error\":\"no disk\"}\n": "no disk",
		"{\"record\":": "cannot be read",
		"":             errCut.Error(),
	} {
		path := filepath.Join(t.TempDir(), "s")
		l, err := net.Listen("unix", path)
		if err != nil {
			t.Fatal(err)
		}
		srv := &http.Server{Handler: http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) { io.WriteString(w, text) })}
		go srv.Serve(l) // ends with Close
		c := newClient(context.Background(), path)
		if _, err := c.Subjects(history.Watch); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%q: %v, want %q", text, err, want)
		}
		c.close()
		srv.Close()
	}
}

// TestDwellAsJSON: what the broker is told of a dwell, in three digits behind the point, is what the history tells.
func TestDwellAsJSON(t *testing.T) {
	for ms := range 70_000 {
		w := NewTrip(&history.Trip{Dwell: time.Duration(ms) * time.Millisecond, Closed: true, Margin: math.NaN()})
		if want := math.Round(float64(ms)) / 1000; *w.Dwell != want {
			t.Fatalf("%d ms are told as %v", ms, *w.Dwell)
		}
	}
}

// TestCopy: a copy through the gateway restores to what the gateway tells, and is the same as one of the file; a gateway that stops, or
// cannot go on, gives none.
func TestCopy(t *testing.T) {
	dir := t.TempDir()
	filled(t, dir)
	var cold bytes.Buffer
	if err := Copy(t.Context(), dir, &cold); err != nil {
		t.Fatal(err)
	}
	s := serve(t, dir)
	var warm bytes.Buffer
	if err := Copy(t.Context(), dir, &warm); err != nil {
		t.Fatal(err)
	}
	s.stop()
	from := func(stream *bytes.Buffer) []any {
		other := t.TempDir()
		if _, err := history.Restore(filepath.Join(other, history.File), bytes.NewReader(stream.Bytes()), nil); err != nil {
			t.Fatal(err)
		}
		r, done, err := OpenReader(t.Context(), other)
		if err != nil {
			t.Fatal(err)
		}
		defer done()
		return everything(t, r)
	}
	r, done, err := OpenReader(t.Context(), dir)
	if err != nil {
		t.Fatal(err)
	}
	defer done()
	want := everything(t, r)
	for what, stream := range map[string]*bytes.Buffer{"of the file": &cold, "through the gateway": &warm} {
		if got := from(stream); !reflect.DeepEqual(got, want) {
			t.Errorf("a copy %s tells\n%+v\nwant\n%+v", what, got, want)
		}
	}
	if err := Copy(t.Context(), t.TempDir(), io.Discard); !errors.Is(err, history.ErrNone) {
		t.Errorf("without a history: %v, want ErrNone", err)
	}
	for what, c := range map[string]struct {
		answer func(w http.ResponseWriter)
		want   string
	}{
		"stopped": {func(w http.ResponseWriter) { w.Write(cold.Bytes()[:cold.Len()/2]) }, history.ErrCopy.Error()},
		"broken off": {func(w http.ResponseWriter) {
			w.Header().Set("Trailer", copyTrailer)
			w.Write(cold.Bytes()[:cold.Len()/2])
			w.Header().Set(copyTrailer, "the disk")
		}, "cannot copy its history: the disk"},
		"busy": {func(w http.ResponseWriter) { http.Error(w, "4 others are reading", http.StatusServiceUnavailable) }, "4 others are reading"},
	} {
		dir := t.TempDir()
		l, err := listen(filepath.Join(dir, Socket))
		if err != nil {
			t.Fatal(err)
		}
		srv := &http.Server{Handler: http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) { c.answer(w) })}
		go srv.Serve(l) // ends with Close
		if err := Copy(t.Context(), dir, io.Discard); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: %v, want %q", what, err, c.want)
		}
		srv.Close()
	}
}

// TestCopyStopped: whoever stops a copy of the file is heeded before more of it is written.
func TestCopyStopped(t *testing.T) {
	dir := t.TempDir()
	filled(t, dir)
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	s, err := history.OpenRead(filepath.Join(dir, history.File))
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	written := 0
	if err := copyTo(ctx, s, writerFunc(func(b []byte) (int, error) { written += len(b); return len(b), nil })); !errors.Is(err, context.Canceled) || written > 0 {
		t.Errorf("%v after %d bytes, want it stopped before the first", err, written)
	}
}

// TestCopyMoved: a clock that is set while the history is copied is told behind the answer, where Copy reads it.
func TestCopyMoved(t *testing.T) {
	dir := t.TempDir()
	filled(t, dir)
	s := serve(t, dir)
	store, err := s.r.openStore(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	many := history.Batch{} // more than is sent in one piece
	for i := range uint32(3000) {
		many.Trips = append(many.Trips, history.Trip{ID: history.TripID{Node: 7, Gen: 1, Counter: i}, Zone: "mill", Node: "mill", At: history.Moment{Wall: start}, Dwell: -1})
	}
	if err := store.Write(many); err != nil {
		t.Fatal(err)
	}
	w := &settingWriter{ResponseRecorder: httptest.NewRecorder(), set: func() error { return store.ClockSet([16]byte{10}, start, 0) }}
	req := httptest.NewRequestWithContext(t.Context(), http.MethodGet, "/copy", nil)
	(&asked{r: s.r, slots: make(chan struct{}, 1)}).handler().ServeHTTP(w, req)
	if got := w.Header().Get(copyTrailer); w.Header().Get("Trailer") != copyTrailer || !strings.Contains(got, "do it again") {
		t.Errorf("behind the answer stands %q", got)
	}
}

// settingWriter takes an answer in, and meanwhile a clock is set.
type settingWriter struct {
	*httptest.ResponseRecorder
	set func() error
}

func (w *settingWriter) SetWriteDeadline(time.Time) error { return nil }

func (w *settingWriter) Write(b []byte) (int, error) { return len(b), w.set() }
