package logbook

import (
	"context"
	"errors"
	"fmt"
	"sync"
	"time"

	"longlane/gateway"
	"longlane/queue/history"
)

// SinkOptions are the history as a receiver of events: not required, so that a history which cannot be written costs the queue no more
// than MaxLag events, and the fault "missed" tells of it.
func (r *Recorder) SinkOptions() gateway.SinkOptions {
	return gateway.SinkOptions{Name: r.o.Name, To: history.File, MaxLag: r.o.MaxLag, FromStart: true, Window: most, Dial: r.dial,
		MaxBackoff: time.Minute, Reason: func(error) string { return ReasonStore }}
}

// ReasonStore is why a session ends: the store's trouble, or the end of all.
const ReasonStore = "store"

// errSecond refuses a second session: it would write to the same disk.
var errSecond = errors.New("the history has one session")

// endError is why a session ended. No event is to blame.
type endError struct{ err error }

func (e *endError) Error() string   { return e.err.Error() }
func (e *endError) Unwrap() []error { return []error{e.err, gateway.ErrAway} }

// dial waits until the file is open, or cannot be opened.
func (r *Recorder) dial(ctx context.Context, second bool) (gateway.Session, error) {
	if second {
		return nil, errSecond
	}
	select {
	case <-r.settled:
	case <-ctx.Done():
		return nil, fmt.Errorf("wait for the history: %w", context.Cause(ctx))
	}
	r.mu.Lock()
	defer r.mu.Unlock()
	if r.trouble != nil {
		return nil, r.trouble
	}
	r.current = &session{r: r, closed: make(chan struct{})}
	return r.current, nil
}

// session hands entries to the writer until a write fails.
type session struct {
	r      *Recorder
	mu     sync.Mutex
	err    error
	closed chan struct{}
}

// Take implements gateway.Taker.
func (s *session) Take(e *gateway.Entry, done func(error)) {
	r := s.r
	r.mu.Lock()
	if r.current != s {
		r.mu.Unlock()
		go done(&endError{errors.New("the session has ended")}) // the caller may hold what done waits for
		return
	}
	r.waiting = append(r.waiting, taking{e, done})
	r.mu.Unlock()
	select {
	case r.wake <- struct{}{}:
	default:
	}
}

// Publish is not called: see gateway.Taker.
func (s *session) Publish(_ string, _ byte, _ bool, _ []byte, done func(error)) { go done(nil) }

func (s *session) Closed() <-chan struct{} { return s.closed }

func (s *session) Err() error {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.err
}

// Close ends the session. What was handed over is written all the same.
func (s *session) Close() { s.end(errors.New("closed from this side")) }

func (s *session) end(err error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.err == nil {
		s.err = &endError{err}
		close(s.closed)
	}
}

func batchOf(list []taking) (b history.Batch) {
	for _, t := range list {
		if e := t.entry; e.Trip != nil {
			b.Trips = append(b.Trips, tripOf(e))
		} else {
			b.Faults = append(b.Faults, faultOf(e))
		}
	}
	return b
}

func momentOf(e *gateway.Entry) history.Moment {
	return history.Moment{Wall: e.Wall, Boot: e.Boot, Mono: e.Mono, PutRight: e.PutRight}
}

// tripOf is what an entry tells of a trip. Of its end alone, it opened that long before as it was held.
func tripOf(e *gateway.Entry) history.Trip {
	t := e.Trip
	at := momentOf(e)
	if t.Closed && t.Dwell > 0 {
		if at.Mono -= t.Dwell; !at.Wall.IsZero() {
			at.Wall = at.Wall.Add(-t.Dwell)
		}
	}
	return history.Trip{ID: history.TripID{Node: t.Opening.Node, Gen: t.Opening.Gen, Counter: t.Opening.Counter}, At: at, Zone: e.Zone, Node: e.Node,
		Dwell: t.Dwell, Margin: t.Margin, Opened: !t.Closed, Closed: t.Closed, Test: t.Test, Supervised: t.Supervised, Uncertain: t.Uncertain,
		Delayed: t.Late, Unproven: t.Unproven}
}

func faultOf(e *gateway.Entry) history.Fault {
	f := e.Fault
	return history.Fault{ID: e.ID, At: momentOf(e), Code: f.Code, Zone: e.Zone, Node: e.Node, Detail: f.Detail, Ended: f.Ended}
}
