// Package logbook keeps the history of a gateway that runs: it owns the history's file, and what goes into it.
//
//	queue -> Sink ────> trips, faults ──┐
//	ingest -> Observe ─> ledgers, hours ┴─> Run: the one goroutine that writes ──> history.db
//	                                        a Unix socket for whoever asks (Serve)
//
// Trips and faults come by the queue, as to any other receiver that is not required: each is acknowledged once it is on the disk, so none
// is lost or doubled whatever dies, unless more of them wait than the sink may lag behind. What check-ins tell is summed up in memory and
// written every quarter of an hour, when somebody asks, and at the end: what a crash takes of it is a gap, and says so.
//
// Nothing here is in a trip's way. Opening the file reads all of it, and a disk may hang: both are in goroutines of their own, and the
// gateway waits for neither. What fails is tried again; meanwhile the sink has no session, which tells why.
package logbook

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"path/filepath"
	"sync"
	"time"

	"longlane/gateway"
	"longlane/queue/history"
)

// Options say what to record. All but Store's fields are required.
type Options struct {
	Name    string // the sink's
	Dir     string // the state directory
	Keep    history.Options
	Clock   gateway.Clock
	CheckIn time.Duration // period of check-ins
	MaxLag  int           // how many trips and faults may wait
	Log     *slog.Logger
}

const (
	linger     = 200 * time.Millisecond // what comes together goes in one transaction, and after the queue's
	flushEvery = 15 * time.Minute
	pruneEvery = 24 * time.Hour
	firstRetry = time.Second
	lastRetry  = time.Minute
	most       = 256             // records of a transaction
	patience   = 5 * time.Second // for a disk that hangs, at the end
)

// store is what Run needs of a history.Store.
type store interface {
	Reader
	Write(history.Batch) error
	ClockSet(boot [16]byte, wall time.Time, mono time.Duration) error
	Prune(now time.Time) (int, error)
	Copy(w io.Writer) (history.Copied, error)
	Close() error
}

// Recorder is the history of a gateway that runs. Its methods are safe for concurrent use.
type Recorder struct {
	o       Options
	open    func() (store, *history.Recovery, error)
	wake    chan struct{}
	flushes chan chan struct{}
	books   books

	mu      sync.Mutex // protects what follows
	waiting []taking   // not yet written: at most what the sink has out
	current *session
	store   store         // nil: not open
	trouble error         // why nothing is written; nil: all is well
	settled chan struct{} // closed once the file is open or cannot be opened
	flushed time.Time     // when a reader last had what is in memory written
}

// taking is an entry to be written, and whom to tell.
type taking struct {
	entry *gateway.Entry
	done  func(error)
}

// New begins the record; it touches no file. What is observed counts from now on.
func New(o Options) *Recorder {
	keep := o.Keep
	keep.Log = o.Log
	r := &Recorder{o: o, wake: make(chan struct{}, 1), flushes: make(chan chan struct{}), settled: make(chan struct{}),
		trouble: errors.New("the history's file is being opened"),
		open: func() (store, *history.Recovery, error) {
			s, rec, err := history.Open(filepath.Join(o.Dir, history.File), keep)
			if err != nil {
				return nil, nil, err // not a nil *Store in an interface
			}
			return s, rec, nil
		}}
	r.books.begin(o.Clock, gateway.Patience(o.CheckIn))
	return r
}

// Observe is for gateway.Options.Observe. It only counts.
func (r *Recorder) Observe(o gateway.Observation) { r.books.observe(o) }

// opened is what came of opening the file.
type opened struct {
	store store
	rec   *history.Recovery
	err   error
}

// Run writes until ctx ends, and then what is left. A disk that hangs is waited for only for some seconds.
func (r *Recorder) Run(ctx context.Context) {
	done := make(chan struct{})
	go func() { // ends soon after ctx, unless the disk hangs
		defer close(done)
		r.run(ctx)
	}()
	<-ctx.Done()
	t := time.NewTimer(patience)
	defer t.Stop()
	select {
	case <-done:
	case <-t.C:
		r.o.Log.Error("the history's disk does not answer: what was not written yet is left")
	}
}

func (r *Recorder) run(ctx context.Context) {
	tick := time.NewTicker(time.Second)
	defer tick.Stop()
	var gather <-chan time.Time
	w := writer{r: r, results: make(chan opened, 1)}
	w.begin()
	for {
		select {
		case <-ctx.Done():
			w.end()
			return
		case o := <-w.results:
			w.opened(o)
		case <-r.wake:
			switch {
			case r.many():
				w.entries()
			case gather == nil:
				gather = time.After(linger)
			}
		case <-gather:
			gather = nil
			w.entries()
		case answered := <-r.flushes:
			w.flush()
			close(answered)
		case <-tick.C:
			w.tick()
		}
	}
}

// writer is what the goroutine of Run owns.
type writer struct {
	r       *Recorder
	results chan opened
	s       store
	opening bool
	stuck   history.Batch // what could not be written: the next try
	again   time.Time     // when that is
	pause   time.Duration
	sums    sums // not written yet
	flushed time.Time
	pruned  time.Time
}

// begin has the file opened, which may take a while.
func (w *writer) begin() {
	w.opening = true
	if w.flushed.IsZero() {
		w.flushed = time.Now()
	}
	go func() { // ends with the opening
		s, rec, err := w.r.open()
		w.results <- opened{s, rec, err}
	}()
}

func (w *writer) opened(o opened) {
	w.opening = false
	if o.err != nil {
		w.failed(fmt.Errorf("the history is not kept: %w", o.err))
		return
	}
	w.s = o.store
	if w.stuck.Len() > 0 { // opening alone shows nothing
		if err := w.write(w.stuck); err != nil && !errors.Is(err, history.ErrRecord) {
			w.failed(err)
			return
		}
		w.stuck = history.Batch{}
	}
	if err := w.r.books.recall(o.store); err != nil {
		w.r.o.Log.Error("what was wrong before the gateway started cannot be read from the history", "err", err)
	}
	w.well()
}

// well ends what trouble there was.
func (w *writer) well() {
	r := w.r
	w.pause = 0
	r.mu.Lock()
	was := r.trouble
	r.store, r.trouble = w.s, nil
	select {
	case <-r.settled:
	default:
		close(r.settled)
		was = nil // the first time
	}
	r.mu.Unlock()
	if was != nil {
		r.o.Log.Info("the history is kept again")
	}
}

// failed ends the session: nothing is acknowledged until a next try succeeds.
func (w *writer) failed(err error) {
	r := w.r
	w.pause = min(max(2*w.pause, firstRetry), lastRetry)
	w.again = time.Now().Add(w.pause)
	r.mu.Lock()
	first := r.trouble == nil || !closedAlready(r.settled)
	r.trouble = err
	if w.s == nil {
		r.store = nil
	}
	if !closedAlready(r.settled) {
		close(r.settled)
	}
	waiting, s := r.waiting, r.current
	r.waiting, r.current = nil, nil
	r.mu.Unlock()
	if first {
		r.o.Log.Error("the history cannot be written; trips go on all the same, and wait for it in the queue", "err", err)
	}
	if s != nil {
		s.end(err)
	}
	for _, t := range waiting {
		t.done(err)
	}
}

func closedAlready(c chan struct{}) bool {
	select {
	case <-c:
		return true
	default:
		return false
	}
}

// write writes a batch, and draws the conclusions if that fails.
func (w *writer) write(b history.Batch) error {
	c := w.r.o.Clock
	var err error
	if c.Set() {
		err = w.s.ClockSet(c.Boot, c.Wall(), c.Mono())
	}
	if err == nil {
		err = w.s.Write(b)
	}
	if err == nil || errors.Is(err, history.ErrRecord) {
		return err
	}
	if !errors.Is(err, history.ErrFull) { // the file itself may be at fault
		if e := w.s.Close(); e != nil {
			w.r.o.Log.Warn("the history's file cannot be closed", "err", e)
		}
		w.s = nil
	}
	return err
}

// entries writes what the sink has handed over.
func (w *writer) entries() {
	r := w.r
	for w.s != nil && r.healthy() {
		r.mu.Lock()
		n := min(len(r.waiting), most)
		list := r.waiting[:n:n]
		r.waiting = r.waiting[n:]
		r.mu.Unlock()
		if n == 0 {
			return
		}
		b := batchOf(list)
		err := w.write(b)
		switch {
		case errors.Is(err, history.ErrRecord):
			w.oneByOne(list)
		case err != nil:
			w.stuck = b
			w.failed(err)
			for _, t := range list {
				t.done(err)
			}
		default:
			for _, t := range list {
				r.books.entry(t.entry)
				t.done(nil)
			}
		}
	}
}

// oneByOne finds what no history can hold, and gives it up.
func (w *writer) oneByOne(list []taking) {
	for i, t := range list {
		err := w.write(batchOf(list[i : i+1]))
		switch {
		case err == nil:
			w.r.books.entry(t.entry)
			t.done(nil)
		case errors.Is(err, history.ErrRecord):
			t.done(&gateway.PassedError{Answer: err.Error()})
		default:
			w.failed(err)
			for _, t := range list[i:] {
				t.done(err)
			}
			return
		}
	}
}

// many reports whether so much waits that there is nothing to linger for.
func (r *Recorder) many() bool {
	r.mu.Lock()
	defer r.mu.Unlock()
	return len(r.waiting) >= most/2
}

func (r *Recorder) healthy() bool {
	r.mu.Lock()
	defer r.mu.Unlock()
	return r.trouble == nil
}

// tick tries again what has failed, and does what is due.
func (w *writer) tick() {
	now := time.Now()
	switch {
	case w.opening:
		return
	case w.s == nil:
		if !now.Before(w.again) {
			w.begin()
		}
		return
	case !w.r.healthy():
		if now.Before(w.again) {
			return
		}
		if err := w.write(w.stuck); err != nil && !errors.Is(err, history.ErrRecord) {
			w.failed(err)
			return
		}
		w.stuck = history.Batch{}
		w.well()
	}
	if now.Sub(w.flushed) >= flushEvery {
		w.flush()
	}
	if c := w.r.o.Clock; c.Set() && now.Sub(w.pruned) >= pruneEvery && w.s != nil {
		w.pruned = now
		if n, err := w.s.Prune(c.Wall()); err != nil {
			w.r.o.Log.Error("what is older than wanted cannot be removed from the history", "err", err)
		} else if n > 0 {
			w.r.o.Log.Info("what is older than wanted was removed from the history", "records", n)
		}
	}
}

// flush writes spans and sums of check-ins. What cannot be written now is for the next time.
func (w *writer) flush() {
	w.flushed = time.Now()
	w.r.books.take(&w.sums)
	for w.s != nil && w.r.healthy() {
		b := w.sums.next(most)
		if b.Len() == 0 {
			return
		}
		err := w.write(b)
		switch {
		case errors.Is(err, history.ErrRecord):
			w.r.o.Log.Error("a part of the ledger cannot be written, and is left out", "err", err)
		case errors.Is(err, history.ErrBroken): // nobody knows whether it was written: an hour that is added twice would be wrong, a span not
			b.Hours = nil
			w.sums.back(b)
			w.stuck.Spans = b.Spans
			w.failed(err)
		case err != nil:
			w.sums.back(b)
			w.stuck.Spans = b.Spans
			w.failed(err)
		}
	}
}

// end writes what is left, and closes the file.
func (w *writer) end() {
	if w.opening {
		w.opened(<-w.results)
	}
	w.entries()
	w.flush()
	r := w.r
	r.mu.Lock()
	r.store, r.trouble = nil, errors.New("stopped")
	s, waiting := r.current, r.waiting
	r.current, r.waiting = nil, nil
	r.mu.Unlock()
	if s != nil {
		s.end(errors.New("stopped"))
	}
	for _, t := range waiting {
		t.done(errors.New("stopped"))
	}
	if w.s != nil {
		if err := w.s.Close(); err != nil {
			r.o.Log.Error("the history's file cannot be closed", "err", err)
		}
	}
}

// Flush has what is in memory written, so that a reader finds it; at most until ctx ends.
func (r *Recorder) Flush(ctx context.Context) {
	answered := make(chan struct{})
	select {
	case r.flushes <- answered:
	case <-ctx.Done():
		return
	}
	select {
	case <-answered:
	case <-ctx.Done():
	}
}

// Trouble is why the history is not kept; nil if it is.
func (r *Recorder) Trouble() error {
	r.mu.Lock()
	defer r.mu.Unlock()
	return r.trouble
}
