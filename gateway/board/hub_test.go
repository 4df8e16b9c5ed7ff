package board

import (
	"context"
	"net/http"
	"net/http/httptest"
	"runtime"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"
)

// TestSlowClientIsCutOff: whoever does not read is never waited for, and the others miss nothing.
func TestSlowClientIsCutOff(t *testing.T) {
	h := newHub()
	slow, _ := h.join("")
	quick, _ := h.join("")
	const events = ahead + 5
	for range events {
		if err := h.tell(Event{Kind: OnChange}); err != nil {
			t.Fatal(err)
		}
		<-quick.ch
	}
	n, cut := 0, false
	for !cut && n <= events {
		select {
		case _, open := <-slow.ch:
			if cut = !open; open {
				n++
			}
		default:
			t.Fatalf("the slow client was handed %d events and goes on listening", n)
		}
	}
	if n != ahead {
		t.Errorf("the slow client was handed %d events and then cut off, want %d", n, ahead)
	}
	if s := h.statistics(); s != (Stats{Clients: 1, Told: events, Slow: 1}) {
		t.Errorf("counted %+v", s)
	}
	h.leave(slow) // again changes nothing
	h.leave(quick)
	if s := h.statistics(); s.Clients != 0 {
		t.Errorf("%d listen, want none", s.Clients)
	}
}

// TestEveryEventOnce: whatever moment a client joins at, comes back at or is cut off at, it is told every event once and in order.
func TestEveryEventOnce(t *testing.T) {
	h := newHub()
	var writers, readers sync.WaitGroup
	for range 8 {
		readers.Go(func() {
			last := ""
			next := uint64(0)
			for next < 400 {
				c, first := h.join(last)
				take := func(m []byte) bool {
					id, rest, _ := strings.Cut(strings.TrimPrefix(string(m), "id: "), "\n")
					kind, _, _ := strings.Cut(strings.TrimPrefix(rest, "event: "), "\n")
					n := h.number(id)
					switch {
					case kind == onWelcome || kind == onReset:
						next = n + 1
					case n != next && next != 0:
						t.Errorf("event %d came when %d was next", n, next)
						return false
					default:
						next = n + 1
					}
					last = id
					return true
				}
				for _, m := range first {
					if !take(m) {
						return
					}
				}
				for i := 0; i < 7 && next < 400; i++ { // and then it goes away, and comes back
					m, ok := <-c.ch
					if !ok || !take(m) {
						break
					}
				}
				h.leave(c)
			}
		})
	}
	writers.Go(func() {
		for range 400 {
			h.tell(Event{Kind: OnChange})
			runtime.Gosched()
		}
	})
	writers.Wait()
	readers.Wait()
}

// number is the event's behind an id.
func (h *hub) number(id string) (n uint64) {
	for _, c := range strings.TrimPrefix(id, h.run+"-") {
		n = n*10 + uint64(c-'0')
	}
	return n
}

// TestTwoHundredListen: so many, and no more, are served at once; each hears an event; their memory is bounded.
func TestTwoHundredListen(t *testing.T) {
	s := orchard(time.Now())
	b, url := serve(t, Options{Source: s})
	var before, after runtime.MemStats
	runtime.GC()
	runtime.ReadMemStats(&before)
	var all []*stream
	for range mostClients {
		c := listen(t, url, "")
		c.want(onWelcome)
		all = append(all, c)
	}
	ctx, stop := context.WithTimeout(t.Context(), time.Second) // or one more that is let in would stay
	defer stop()
	if w := get(b, "/api/events", func(r *http.Request) { *r = *r.WithContext(ctx) }); w.Code != http.StatusServiceUnavailable || w.Header().Get("Retry-After") == "" {
		t.Errorf("one more is answered with %d, want 503 and when to try again", w.Code)
	}
	began := time.Now()
	for range 100 {
		b.Tell(Event{Kind: OnTrip, Trip: &s.trips[0]})
		for _, c := range all {
			c.want(OnTrip)
		}
	}
	t.Logf("100 trips to %d clients, each read by each, in %v", mostClients, time.Since(began).Round(time.Millisecond))
	runtime.GC()
	runtime.ReadMemStats(&after)
	used := int64(after.HeapAlloc) - int64(before.HeapAlloc) + int64(after.StackInuse) - int64(before.StackInuse)
	t.Logf("memory for %d clients, the testing side with it: %d KiB", mostClients, used>>10)
	if used > 24<<20 {
		t.Errorf("%d clients hold %d KiB, want 24 MiB at the most, with the testing side's own connections", mostClients, used>>10)
	}
	if s := b.Stats(); s.Clients != mostClients || s.Refused != 1 || s.Slow != 0 {
		t.Errorf("counted %+v", s)
	}
}

// deafWriter is a client whose connection takes nothing.
type deafWriter struct {
	*httptest.ResponseRecorder
	until time.Time
}

func (d *deafWriter) SetWriteDeadline(t time.Time) error { d.until = t; return nil }
func (d *deafWriter) Flush()                             {}
func (d *deafWriter) Write([]byte) (int, error) {
	ctx, stop := context.WithDeadline(context.Background(), d.until)
	defer stop()
	<-ctx.Done()
	return 0, http.ErrHandlerTimeout
}

// TestDeafConnectionEnds: a connection that takes nothing holds its place for the time of one write.
func TestDeafConnectionEnds(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b, err := New(Options{Source: orchard(time.Now()), Listen: "127.0.0.1:1"})
		if err != nil {
			t.Fatal(err)
		}
		began := time.Now()
		r := httptest.NewRequest(http.MethodGet, "/api/events", nil)
		r.Host = "localhost"
		b.ServeHTTP(&deafWriter{ResponseRecorder: httptest.NewRecorder()}, r)
		if d := time.Since(began); d != writeLimit {
			t.Errorf("it ended after %v, want %v", d, writeLimit)
		}
		if n := b.Stats().Clients; n != 0 {
			t.Errorf("%d listen, want none", n)
		}
	})
}
