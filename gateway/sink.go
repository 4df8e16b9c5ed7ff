package gateway

import (
	"context"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"math/rand/v2"
	"slices"
	"sync"
	"sync/atomic"
	"time"

	"longlane/queue"
)

// Session is one connection with a sink's receiver.
type Session interface {
	// Publish hands a message over; it never blocks and keeps payload. done is called once, from another goroutine, and
	// may have to wait: with nil only if the receiver acknowledged the message during this session.
	Publish(topic string, qos byte, retain bool, payload []byte, done func(error))
	// Closed is closed when the session has ended; Err then says why.
	Closed() <-chan struct{}
	Err() error
	// Close ends the session politely, within a second.
	Close()
}

// SinkOptions describe a consumer of events.
type SinkOptions struct {
	Name     string
	Required bool // holds events for as long as it takes
	// FromStart has a sink that is new begin with the oldest event still there; otherwise with the next.
	FromStart bool
	Window    int // most events without acknowledgement, 1 to 256
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
	poisonAfter  = 5 // sessions that one event ended, with no other acknowledged in between
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
	g         *Gateway
	o         SinkOptions
	cursor    *queue.Cursor
	inbox     chan func()
	missed    atomic.Bool // the inbox was full: look at the disk
	wake      chan struct{}
	stopped   chan struct{} // closed when run has returned
	connected atomic.Bool

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
	careful int // so many events go one at a time, so that the right one is blamed
}

// item is one event on its way through a sink.
type item struct {
	e         *Event
	id        string
	seq       queue.Seq // 0: not known to be stored
	live      bool
	offered   time.Time
	published time.Time
	acked     bool
	hedged    bool
}

// conn is a session and what it has shown so far.
type conn struct {
	Session
	second   bool
	answers  bool // has acknowledged something, so it does acknowledge
	acks     int  // events acknowledged
	pending  int
	lastUsed time.Time
}

type dialled struct {
	s      Session
	err    error
	second bool
}

func newSink(g *Gateway, o SinkOptions) (*sink, error) {
	c, err := g.o.Queue.Sink(o.Name, queue.SinkOptions{Required: o.Required, FromStart: o.FromStart})
	if err != nil {
		return nil, fmt.Errorf("open sink %s: %w", o.Name, err)
	}
	return &sink{g: g, o: o, cursor: c, inbox: make(chan func(), 4096), wake: make(chan struct{}, 1), stopped: make(chan struct{}),
		retained: map[string][]byte{}, dirty: map[string]bool{}, items: map[string]*item{}, dialled: make(chan dialled),
		behind: true}, nil
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

func (s *sink) offer(e *Event)                    { s.tell(func() { s.take(e) }) }
func (s *sink) committed(e *Event, seq queue.Seq) { s.tell(func() { s.stored(e, seq) }) }
func (s *sink) failed(e *Event)                   { s.tell(func() { s.notStored(e) }) }
func (s *sink) look()                             { s.tell(func() { s.behind = true }) }

// retain sets a retained topic. Only the latest payload of each counts.
func (s *sink) retain(topic string, payload []byte) {
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

func closed(c *conn) <-chan struct{} {
	if c == nil {
		return nil
	}
	return c.Closed()
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

func (s *sink) dial(ctx context.Context, second bool) {
	n := 0
	if second {
		n = 1
	}
	s.dialing[n] = true
	s.aux.Go(func() { // ends with the dial, which ctx bounds
		sess, err := s.o.Dial(ctx, second)
		select {
		case s.dialled <- dialled{sess, err, second}:
		case <-ctx.Done():
			if err == nil {
				sess.Close()
			}
		}
	})
}

// goodbye closes a session, which takes at most a second, without waiting for it.
func (s *sink) goodbye(sess Session) { s.aux.Go(sess.Close) }

// begin starts a session: the gateway's own state goes first, which also shows whether the receiver acknowledges at
// all; then all retained states; the backlog from the cursor on.
func (s *sink) begin(d dialled) {
	if d.second {
		s.dialing[1] = false
		if d.err == nil && s.main == nil {
			s.goodbye(d.s)
		} else if d.err == nil {
			s.second = &conn{Session: d.s, second: true, lastUsed: time.Now()}
		}
		s.dialAt[1] = time.Now().Add(firstBackoff)
		return
	}
	s.dialing[0] = false
	if d.err != nil {
		if s.tries == 0 {
			s.g.o.Log.Warn("no session", "sink", s.o.Name, "err", d.err)
		}
		s.g.o.Meter.Session(s.o.Name, s.o.Reason(d.err))
		s.backOff()
		return
	}
	s.main = &conn{Session: d.s}
	s.connected.Store(true)
	s.g.o.Log.Info("session", "sink", s.o.Name)
	s.behind, s.read, s.back = true, [queue.Routine + 1]queue.Seq{}, nil
	s.freshOnly()
	s.mu.Lock()
	for t := range s.retained {
		s.dirty[t] = true
	}
	s.mu.Unlock()
	s.publishMessage(s.main, s.g.Status(statusServing), func(error) {})
	s.ticked = time.Time{}
}

// freshOnly empties the live lane of what no longer is: it is on the disk, or will be.
func (s *sink) freshOnly() {
	kept := s.live[:0]
	for _, it := range s.live {
		switch {
		case it.acked: // over a second session
		case time.Since(it.offered) <= s.g.o.OldAfter:
			kept = append(kept, it)
		default:
			delete(s.items, it.id)
		}
	}
	s.live = kept
}

func (s *sink) backOff() {
	s.tries++
	most := min(s.o.MaxBackoff, firstBackoff<<min(s.tries-1, 10))
	s.dialAt[0] = time.Now().Add(20*time.Millisecond + rand.N(most))
}

// end draws the conclusions from a session's end. What was flying goes again: young live events first, the rest by
// way of the disk.
func (s *sink) end() {
	s.g.o.Log.Warn("session ended", "sink", s.o.Name, "err", s.main.Err())
	s.g.o.Meter.Session(s.o.Name, s.o.Reason(s.main.Err()))
	old := s.main
	s.main = nil
	s.connected.Store(false)
	if s.second != nil {
		s.goodbye(s.second)
		s.second = nil
	}
	s.careful = len(s.flying)
	s.blame(old)
	var again []*item
	for _, it := range s.flying {
		if it.acked {
			continue
		}
		if it.live && (it.id != s.suspect || s.strikes < 2) { // one strike may be a neighbour's fault
			it.hedged = false
			again = append(again, it)
		} else {
			delete(s.items, it.id)
		}
	}
	for _, it := range s.back {
		delete(s.items, it.id)
	}
	s.live, s.flying, s.back, s.behind = append(again, s.live...), nil, nil, true
	s.backOff()
}

// endSecond lets what the second session did not get acknowledged have another.
func (s *sink) endSecond() {
	s.second = nil
	for _, it := range s.flying {
		it.hedged = false
	}
	for _, it := range s.live {
		it.hedged = false
	}
}

// blame finds the event that a receiver refuses by ending the session: the same one at the head five times in a row, at
// a receiver that otherwise acknowledges. It is parked. That others were acknowledged beside it clears nobody: live
// events go on all the while. A receiver that acknowledges nothing at all is down, and nothing is parked for that.
func (s *sink) blame(c *conn) {
	var head *item
	for _, it := range s.flying {
		if !it.acked {
			head = it
			break
		}
	}
	if head == nil || !c.answers {
		return
	}
	if head.id != s.suspect {
		s.suspect, s.strikes = head.id, 0
	}
	s.strikes++
	if s.strikes < poisonAfter || head.seq == 0 {
		return
	}
	why := fmt.Sprintf("%s ended %d sessions on it, the last with: %v", s.o.Name, s.strikes, c.Err())
	s.cursor.Park(head.seq, why)
	s.suspect, s.strikes = "", 0
	head.acked = true
	delete(s.items, head.id)
	s.g.notify(Notice{Code: NoticeParked, Node: head.e.ID.Node, Detail: fmt.Sprintf("event %s was set aside: %s", head.id, why)})
}

// pump publishes as much as the window allows: live, then states, then backlog.
func (s *sink) pump() {
	if s.main == nil {
		return
	}
	if time.Since(s.ticked) >= tickEvery {
		s.ticked = time.Now()
		s.publishMessage(s.main, s.g.tick(), nil)
	}
	for len(s.live) > 0 && s.room(true) {
		it := s.live[0]
		s.live = s.live[1:]
		if !it.acked { // it may have gone over a second session
			s.publish(s.main, it)
		}
	}
	s.publishStates()
	for s.room(false) {
		it := s.nextBack()
		if it == nil {
			return
		}
		if s.cursor.Acked(it.seq) { // told of after its session had ended
			delete(s.items, it.id)
			continue
		}
		s.publish(s.main, it)
	}
}

// room says whether an event of a lane may go out now. After a session that ended with events unacknowledged they go
// one at a time, and only once the receiver has shown that it acknowledges: so the next end shows whose fault it is. A
// live event waits for no backlog.
func (s *sink) room(live bool) bool {
	if s.main.pending >= maxPending || len(s.flying) >= s.o.Window {
		return false
	}
	switch {
	case s.careful == 0 && s.strikes == 0:
		return true
	case !s.main.answers:
		return false
	case live:
		return !slices.ContainsFunc(s.flying, func(it *item) bool { return it.live })
	}
	return len(s.flying) == 0
}

// nextBack gives the next event of the backlog, trips first.
func (s *sink) nextBack() *item {
	for len(s.back) == 0 {
		if !s.behind || !s.readBack() {
			return nil
		}
	}
	it := s.back[0]
	s.back = s.back[1:]
	return it
}

// readBack reads a stretch of the log; false if there is nothing more.
func (s *sink) readBack() bool {
	for p := range queue.Routine + 1 {
		items, err := s.cursor.Next(p, s.read[p], readAhead)
		if err != nil {
			s.g.o.Log.Error("the backlog cannot be read", "sink", s.o.Name, "err", err)
			return false
		}
		if len(items) == 0 {
			continue
		}
		for _, qi := range items {
			s.read[p] = qi.Seq
			s.recall(qi)
		}
		return true
	}
	s.behind = false
	return false
}

// recall takes one stored event into the backlog, unless it is on its way already.
func (s *sink) recall(qi queue.Item) {
	e, err := parseEvent(qi.Value)
	if err == nil {
		err = e.open(s.g.o.Roster.Get())
	}
	if err != nil {
		s.cursor.Park(qi.Seq, err.Error())
		s.g.notify(Notice{Code: NoticeParked, Detail: fmt.Sprintf("a stored event (number %d) cannot be read and was set aside: %v", qi.Seq, err)})
		return
	}
	id := e.id()
	if it := s.items[id]; it != nil {
		it.seq = qi.Seq
		s.settle(it)
		return
	}
	it := &item{e: e, id: id, seq: qi.Seq, offered: time.Now()}
	s.items[id] = it
	s.back = append(s.back, it)
}

func (s *sink) publish(c *conn, it *item) {
	m, err := s.g.message(it.e)
	if err != nil {
		s.g.o.Log.Error("an event cannot be written", "event", it.id, "err", err)
		delete(s.items, it.id)
		return
	}
	it.published = time.Now()
	if !c.second {
		s.flying = append(s.flying, it)
	}
	lane, began := "backlog", it.published
	if it.live {
		lane = "live"
	}
	s.publishMessage(c, m, func(err error) {
		s.g.o.Meter.Published(s.o.Name, lane, time.Since(began), err == nil)
		if err == nil {
			s.acknowledged(c, it)
		} else {
			s.goodbye(c) // after one failure nothing this session says of others can be relied on
		}
	})
}

// publishMessage hands m to the session; then runs in the sink's goroutine.
func (s *sink) publishMessage(c *conn, m Message, then func(error)) {
	c.lastUsed = time.Now()
	c.pending++
	c.Publish(m.Topic, m.QoS, m.Retain, m.Payload, func(err error) {
		f := func() {
			c.pending--
			if err == nil && m.QoS > 0 {
				c.answers, s.tries = true, 0
			}
			if then != nil {
				then(err)
			}
		}
		select {
		case s.inbox <- f:
		case <-s.stopped: // its cursor stands where it stood
		}
	})
}

func (s *sink) acknowledged(c *conn, it *item) {
	c.acks++
	if s.suspect == it.id {
		s.suspect, s.strikes = "", 0
	}
	if it.acked {
		return
	}
	it.acked = true
	s.careful = max(s.careful-1, 0)
	for i, f := range s.flying {
		if f == it {
			s.flying = append(s.flying[:i], s.flying[i+1:]...)
			break
		}
	}
	if s.items[it.id] == it {
		s.settle(it)
	} else if it.seq != 0 { // forgotten with an earlier session, and perhaps read again since
		s.cursor.Ack(it.seq)
	}
}

// publishStates sends the retained topics that have changed. A newer payload replaces one that is still waiting; one
// that did not get through goes again.
func (s *sink) publishStates() {
	for s.main.pending < maxPending {
		m, ok := s.nextState()
		if !ok {
			return
		}
		began := time.Now()
		s.publishMessage(s.main, m, func(err error) {
			s.g.o.Meter.Published(s.o.Name, "state", time.Since(began), err == nil)
			s.stateSent(m, err)
		})
	}
}

func (s *sink) nextState() (Message, bool) {
	s.mu.Lock()
	defer s.mu.Unlock()
	for t := range s.dirty {
		delete(s.dirty, t)
		return Message{Topic: t, QoS: 1, Retain: true, Payload: s.retained[t]}, true
	}
	return Message{}, false
}

func (s *sink) stateSent(m Message, err error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	switch {
	case err != nil:
		s.dirty[m.Topic] = true
	case s.retained[m.Topic] == nil && !s.dirty[m.Topic]:
		delete(s.retained, m.Topic) // cleared at the receiver
	}
}

// hedge sends live events that the receiver has not acknowledged in two seconds again, over a second session: the
// first may be dead without knowing it yet.
func (s *sink) hedge(ctx context.Context) {
	if s.second != nil && s.second.pending == 0 && time.Since(s.second.lastUsed) > secondIdle {
		s.goodbye(s.second)
		s.second = nil
	}
	if s.main == nil {
		return
	}
	for _, it := range slices.Concat(s.flying, s.live) { // what waits for a full window has waited as well
		if !it.live || it.hedged || it.acked || time.Since(it.offered) < hedgeAfter || time.Since(it.published) < hedgeAfter {
			continue
		}
		if s.second == nil {
			if !s.dialing[1] && !time.Now().Before(s.dialAt[1]) {
				s.dial(ctx, true)
			}
			return
		}
		if s.second.pending >= maxPending {
			return
		}
		it.hedged = true
		s.publish(s.second, it)
	}
}

// stop says goodbye: the gateway's state, and a second for what is flying to be acknowledged.
func (s *sink) stop() {
	if s.main == nil {
		return
	}
	said := false
	s.publishMessage(s.main, s.g.Status(statusStopped), func(error) { said = true })
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
	s.connected.Store(false)
}

// Status is the retained publication of the gateway's own state: serving since it started, stopped since now, or lost,
// its last will, which can only tell when it last connected.
func (g *Gateway) Status(state string) Message {
	now := g.o.Clock.Mono()
	since := now
	if state == statusServing {
		since = g.started
	}
	status := map[string]any{"gateway": g.o.Name, "state": state, "boot": hex.EncodeToString(g.o.Clock.Boot[:])}
	if state == StatusLost {
		status["last_connected"], status["last_connected_monotonic_s"] = g.wallAt(now), now.Seconds()
	} else {
		status["since"], status["since_monotonic_s"] = g.wallAt(since), since.Seconds()
	}
	text, _ := json.Marshal(status) // plain values: cannot fail
	return Message{Topic: g.topic("gateway", g.o.Name), QoS: 1, Retain: true, Payload: text}
}

// The gateway's states. StatusLost is for the last will.
const (
	statusServing = "serving"
	statusStopped = "stopped"
	StatusLost    = "lost"
)

// tick is the beat by which listeners know that they would hear a trip, and reckon ages.
func (g *Gateway) tick() Message {
	c := g.o.Clock
	text, _ := json.Marshal(map[string]any{ // plain values: cannot fail
		"gateway": g.o.Name, "boot": hex.EncodeToString(c.Boot[:]), "monotonic_s": c.Mono().Seconds(),
		"clock": c.quality(), "time": g.wallAt(c.Mono())})
	return Message{Topic: g.topic("tick"), Payload: text}
}

// notify has ingest tell the house of a fault that a sink found.
func (g *Gateway) notify(n Notice) {
	select {
	case g.notices <- n:
	default:
		g.o.Log.Error("fault", "code", n.Code, "detail", n.Detail)
	}
}
