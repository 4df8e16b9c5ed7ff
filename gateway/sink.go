package gateway

import (
	"context"
	"errors"
	"fmt"
	"sync"
	"sync/atomic"
	"time"

	"longlane/queue"
)

// Session is one connection with a sink's receiver.
type Session interface {
	// Publish hands a message over; it never blocks and keeps payload. done is called once, from another goroutine, and
	// may have to wait: with nil only if the receiver acknowledged the message during this session, with a PassedError if
	// nobody is to wait for that any more.
	Publish(topic string, qos byte, retain bool, payload []byte, done func(error))
	// Closed is closed when the session has ended; Err then says why.
	Closed() <-chan struct{}
	Err() error
	// Close ends the session politely, within a second.
	Close()
}

// PassedError is what a Session calls back with for an event that its receiver has not taken and that is through with all the
// same: the sink moves on.
type PassedError struct {
	// Answer is why the receiver does not take the event, for the house to hear as a fault. Empty: the event was not meant for
	// it, or had become too old.
	Answer string
}

func (e *PassedError) Error() string {
	if e.Answer == "" {
		return "passed over"
	}
	return e.Answer
}

// ErrAway is wrapped by a session's Err if the receiver was away, or busy, whatever it was sent: then no event is to blame.
var ErrAway = errors.New("the receiver was away")

// SinkOptions describe a consumer of events.
type SinkOptions struct {
	Name     string
	To       string // where the receiver is, for logs
	Required bool   // holds events for as long as it takes
	MaxLag   int    // of one that is not required: how many may wait; beyond it the oldest are passed over
	Formerly string // the name it had before: it goes on from there
	// FromStart has a sink that is new begin with the oldest event still there; otherwise with the next.
	FromStart bool
	Window    int // most events without acknowledgement, 1 to 256
	// EventsOnly is for a receiver that is asked for each event: states and ticks are not for it, one event of each lane goes
	// at a time, so that each tells its age of then, and there is no second session, since it is the receiver that is slow
	// and not a connection that is dead. A session says nothing of the receiver before one of its events was taken.
	EventsOnly bool
	// Dial opens a session. second asks for one beside the first, under another client name.
	Dial       func(ctx context.Context, second bool) (Session, error)
	MaxBackoff time.Duration // longest pause between two dials
	// Reason puts why a dial failed or a session ended into a closed list, for the metrics.
	Reason func(error) string
}

const (
	hedgeAfter   = 2 * time.Second // a live event without acknowledgement goes again over a second session
	secondIdle   = 30 * time.Second
	tickEvery    = 5 * time.Second
	maxLive      = 256
	maxRemember  = 1024      // delivered live, not stored yet
	rememberFor  = time.Hour // longer than a node's longest pause between tries
	firstBackoff = time.Second
	readAhead    = 64
	maxPending   = 250 // below what a session holds, events and states together
)

// sink delivers to one receiver. New events come by the live lane, straight from ingest and before they are on the
// disk; everything that was not delivered that way is read from the queue: the backlog. An event is known by its id in
// both, so that it goes out once in the ordinary course, and the cursor moves when it is both acknowledged and stored.
// One goroutine (run) owns all but what stands under mu.
type sink struct {
	g       *Gateway
	o       SinkOptions
	cursor  Cursor
	inbox   chan func()
	missed  atomic.Bool // the inbox was full: look at the disk
	wake    chan struct{}
	stopped chan struct{} // closed when run has returned
	trouble trouble       // why there is no session
	spoke   atomic.Int64  // when, on our clock, there last was one; before this run there may have been

	mu       sync.Mutex        // guards retained and dirty
	retained map[string][]byte // the latest of each retained topic
	dirty    map[string]bool   // to be published

	items   map[string]*item // by CloudEvents id: waiting, flying, or delivered and not stored yet
	live    []*item          // waiting in the live lane
	flying  []*item          // published over main, in order
	main    *conn
	second  *conn
	dialled chan dialled
	dialing [2]bool
	dialAt  [2]time.Time // main, second
	tries   int
	aux     sync.WaitGroup // dials and goodbyes that are under way
	ticked  time.Time

	behind  bool                         // the disk may hold what is not in items
	read    [queue.Routine + 1]queue.Seq // how far the backlog has been read
	back    []*item                      // read and not yet published
	suspect string                       // the event that ended the last session, and how often in a row
	strikes int
	careful int                          // so many events go one at a time, so that the right one is blamed
	unheard bool                         // an event was set aside, and none acknowledged since
	passed  map[queue.Seq]queue.Priority // refused while unheard, and passed over
	refused map[queue.Seq]*refusal
	aside   atomic.Int64 // how many refused holds
	lost    uint64       // passed over for it, as last looked at
	missing bool         // the fault has been raised
	told    bool         // the house was told that something is set aside

	refusing map[string]bool // types of events that the receiver refuses, of which the house was told; "": one that is not known any more
}

// item is one event on its way through a sink.
type item struct {
	e         *Event
	id        string
	seq       queue.Seq // 0: not known to be stored
	live      bool
	offered   time.Time
	published time.Time
	tries     int // times that it was published over a main session
	acked     bool
	hedged    bool
}

func newSink(g *Gateway, o SinkOptions) (*sink, error) {
	if o.Formerly != "" {
		if err := g.o.Queue.RenameSink(o.Formerly, o.Name); err != nil {
			return nil, fmt.Errorf("open sink %s, formerly %s: %w", o.Name, o.Formerly, err)
		}
	}
	c, err := g.o.Queue.Sink(o.Name, queue.SinkOptions{Required: o.Required, FromStart: o.FromStart, MaxLag: o.MaxLag})
	if err != nil {
		return nil, fmt.Errorf("open sink %s: %w", o.Name, err)
	}
	s := &sink{g: g, o: o, cursor: c, inbox: make(chan func(), 4096), wake: make(chan struct{}, 1), stopped: make(chan struct{}),
		retained: map[string][]byte{}, dirty: map[string]bool{}, items: map[string]*item{}, refused: map[queue.Seq]*refusal{}, passed: map[queue.Seq]queue.Priority{}, dialled: make(chan dialled),
		refusing: map[string]bool{}, behind: true}
	s.lost = c.Missed()
	s.trouble.set(errors.New("not connected yet"))
	s.spoke.Store(int64(g.started))
	return s, nil
}

// trouble is an error for others to look at.
type trouble struct {
	mu  sync.Mutex
	err error
}

func (t *trouble) set(err error) {
	t.mu.Lock()
	defer t.mu.Unlock()
	t.err = err
}

func (t *trouble) get() error {
	t.mu.Lock()
	defer t.mu.Unlock()
	return t.err
}

// tell runs f in the sink's goroutine, or notes that the disk must be looked at.
func (s *sink) tell(f func()) {
	select {
	case s.inbox <- f:
	default:
		s.missed.Store(true)
		s.g.o.Meter.Dropped("live")
	}
}

func (s *sink) offer(e *Event) { s.tell(func() { s.take(e) }) }

func (s *sink) committed(e *Event, seq queue.Seq) { s.tell(func() { s.stored(e, seq) }) }

func (s *sink) failed(e *Event) { s.tell(func() { s.notStored(e) }) }

func (s *sink) look() { s.tell(func() { s.behind = true }) }

// retain sets a retained topic. Only the latest payload of each counts.
func (s *sink) retain(topic string, payload []byte) {
	if s.o.EventsOnly {
		return
	}
	s.mu.Lock()
	s.retained[topic], s.dirty[topic] = payload, true
	s.mu.Unlock()
	select {
	case s.wake <- struct{}{}:
	default:
	}
}

func (s *sink) run(ctx context.Context) {
	defer s.aux.Wait()
	defer close(s.stopped) // before that wait: it frees those who want to report
	timer := time.NewTicker(250 * time.Millisecond)
	defer timer.Stop()
	dialCtx, stopDialling := context.WithCancel(ctx)
	defer stopDialling()
	for {
		select {
		case <-ctx.Done():
			s.stop()
			return
		case f := <-s.inbox:
			f()
			s.drainInbox()
		case <-s.wake:
		case d := <-s.dialled:
			s.begin(d)
		case <-closed(s.main):
			s.drainInbox() // what was acknowledged is not blamed and does not go again
			s.end()
		case <-closed(s.second):
			s.endSecond()
		case <-timer.C:
			s.hedge(dialCtx)
			s.forget()
			s.watchMissed()
		}
		if s.missed.Swap(false) {
			s.behind = true
		}
		if s.main == nil && !s.dialing[0] && !time.Now().Before(s.dialAt[0]) {
			s.dial(dialCtx, false)
		}
		s.pump()
	}
}

// drainInbox takes what has come meanwhile, so that a burst is seen whole; it does not wait for more.
func (s *sink) drainInbox() {
	for range cap(s.inbox) {
		select {
		case f := <-s.inbox:
			f()
		default:
			return
		}
	}
}

// take puts a new event in the live lane.
func (s *sink) take(e *Event) {
	id := e.id()
	if s.items[id] != nil {
		return // a retry of what was delivered live and could not be stored: no second sound
	}
	if len(s.live) >= maxLive { // the oldest gives way: it will be read from the disk, the newest may still sound
		s.behind = true
		delete(s.items, s.live[0].id)
		s.live = s.live[1:]
	}
	it := &item{e: e, id: id, live: true, offered: time.Now()}
	s.items[id] = it
	s.live = append(s.live, it)
	if soon := time.Now().Add(firstBackoff); s.o.EventsOnly && s.dialAt[0].After(soon) {
		s.dialAt[0] = soon // whoever just came through is worth asking again
	}
}

func (s *sink) stored(e *Event, seq queue.Seq) {
	it := s.items[e.id()]
	if it == nil {
		s.behind = true // not taken live, or forgotten with its session
		return
	}
	it.seq = seq
	s.settle(it)
}

// notStored keeps a delivered event in mind, so that its retry, which will be stored, does not sound again.
func (s *sink) notStored(e *Event) {
	if it := s.items[e.id()]; it != nil && len(s.items) > maxRemember {
		delete(s.items, it.id)
	}
}

// settle moves the cursor once an event is acknowledged and stored.
func (s *sink) settle(it *item) {
	if it.acked && it.seq != 0 {
		s.cursor.Ack(it.seq)
		delete(s.items, it.id)
	}
}

// forget drops what was delivered and never stored, once its node must have tried again.
func (s *sink) forget() {
	if len(s.items) <= len(s.flying)+len(s.live)+len(s.back) {
		return
	}
	for id, it := range s.items {
		if it.acked && time.Since(it.offered) > rememberFor {
			delete(s.items, id)
		}
	}
}

// stop says goodbye: the gateway's state, and a second for what is flying to be acknowledged.
func (s *sink) stop() {
	if s.main == nil {
		return
	}
	said := s.o.EventsOnly
	if !said {
		s.publishMessage(s.main, s.g.Status(statusStopped), func(error) { said = true })
	}
	deadline := time.NewTimer(time.Second)
	defer deadline.Stop()
	for !said || len(s.flying) > 0 {
		select {
		case f := <-s.inbox:
			f()
			continue
		case <-s.main.Closed():
		case <-deadline.C:
		}
		break
	}
	s.main.Close()
	if s.second != nil {
		s.second.Close()
	}
	s.trouble.set(errors.New("stopped"))
}
