package node

import (
	"time"

	"longlane/proto"
)

// When things go. One frame is in the air at a time, and after it the node listens for a receipt before it sends the
// next; only a new opening does not wait. An event is tried after 2, 4, 8 ... seconds. One that has failed fastTries
// times shares a single slot with all others like it, so that a full store costs no more airtime in an outage than one
// event does. The first receipt after an outage frees them all: they follow one another, oldest first.
const (
	fastTries    = 6
	firstPause   = 2 * time.Second
	longestPause = 15 * time.Minute
	rarePause    = 6 * time.Hour // once an event has been tried more than manyAttempts times
	manyAttempts = 1000
	pace         = 200 * time.Millisecond // between a receipt and the next held event
	leave        = 8                      // windows of the crowd that what an outage has left leaves to others, between two frames
	outage       = 4                      // frames without an answer that make an outage
	young        = time.Minute            // what is older than this was left by an outage, and does not sound any more
)

// radioState is what the radio is doing.
type radioState struct {
	busy    bool
	guard   time.Duration // when busy ends whatever the driver says
	sending job           // what is in the air, while busy
	event   uint32        // counter of the event sent last
	isEvent bool          // the own frame sent last is an event, else a check-in
	quiet   time.Duration // until then listen, and send only what is urgent
	clear   time.Duration // until then the channel belongs to the answer to another's frame
	silent  int           // frames sent since the last answer
	slow    int           // tries in the shared slot since the last answer
	slowAt  time.Duration // when the shared slot is free
	oldAt   time.Duration // when the next of what an outage has left may go
}

// jitter gives d, give or take a quarter.
func (n *Node) jitter(d time.Duration) time.Duration {
	return d*3/4 + time.Duration(n.rand.Int64N(int64(d/2)+1))
}

// pause is how long to wait after the given number of tries.
func (n *Node) pause(tries int) time.Duration {
	d := firstPause
	for range min(tries-1, 40) {
		d += d / 2
	}
	return n.jitter(min(d, longestPause))
}

// The classes of what may be sent, most urgent first. What others have given a relay comes before the node's own retries: it
// has come some way already.
const (
	newOpening      = iota
	carrying        // others' events, and receipts for them
	telling         // somebody that his frame is here
	again           // the own frame that was sent last, since nobody has shown to have it
	confirming      // an event, by a check-in
	newEvent        // closings and faults
	asking          // for a receipt that somebody may have kept
	fastRetry       // a new attempt
	carryingCheckIn // others' check-ins, and receipts for them
	checkingIn
	slowRetry
	seeking // a way to the gateway
	beaconing
)

// job is something to be sent.
type job struct {
	class int
	at    time.Duration // when it may go
	index int           // into held
	load  *load         // of a relay
	back  bool          // its receipt, and not the frame
}

// better is what goes first of two jobs that may both go.
func better(a, b job) bool { return a.class < b.class }

// jobs gives all there is to send. Held events come in order of their counters.
func (n *Node) jobs(yield func(job) bool) {
	c := job{class: checkingIn, at: max(n.checkIn.due, n.radio.quiet)}
	if len(n.checkIn.confirms) > 0 {
		c.class = confirming
	}
	if !yield(c) || n.own.due != never && !yield(job{class: again, at: n.own.due}) ||
		n.missed() && !yield(job{class: asking, at: max(n.radio.quiet, n.own.askAt)}) ||
		n.curious() && !yield(job{class: asking, at: n.radio.quiet}) {
		return
	}
	for i := range n.held {
		if !yield(n.jobOf(i)) {
			return
		}
	}
	if n.relay != nil {
		n.relay.jobs(yield)
	}
}

// jobs gives what a relay has to send beside what any node has.
func (r *relay) jobs(yield func(job) bool) {
	if r.beacon && !yield(job{class: beaconing, at: r.n.now}) || r.seekAt != never && !yield(job{class: seeking, at: r.seekAt}) {
		return
	}
	for _, l := range r.loads {
		class := carrying
		if l.checkIn {
			class = carryingCheckIn
		}
		if l.due != never && !yield(job{class: class, at: l.due, load: l}) ||
			l.receipt.due != never && !yield(job{class: class, at: l.receipt.due, load: l, back: true}) ||
			l.tellAt != never && !yield(job{class: telling, at: l.tellAt, load: l}) {
			return
		}
	}
}

func (n *Node) jobOf(i int) job {
	e := &n.held[i]
	j := job{class: fastRetry, at: max(e.due, n.radio.quiet), index: i}
	switch {
	case e.attempt == 0 && e.kind == Opening:
		j.class, j.at = newOpening, e.due
	case e.attempt == 0:
		j.class = newEvent
	case e.tries >= fastTries:
		j.class, j.at = slowRetry, max(j.at, n.radio.slowAt)
	case n.now-e.at >= young:
		j.at = max(j.at, n.radio.oldAt)
	}
	return j
}

// schedule sends the best of what may go now, or says when something may.
func (n *Node) schedule() (*Transmit, time.Duration) {
	if n.radio.busy && n.now >= n.radio.guard {
		n.txDone(TxDone{Failed: true})
	}
	if n.radio.busy {
		return nil, n.radio.guard
	}
	for {
		wake := never
		best, found := job{}, false
		for j := range n.jobs {
			if j.load == nil {
				j.at = max(j.at, min(n.radio.clear, j.at+n.mostClear()))
			}
			if j.at > n.now {
				wake = min(wake, j.at)
			} else if !found || better(j, best) {
				best, found = j, true
			}
		}
		if !found {
			return nil, wake
		}
		if tx := n.send(best); tx != nil {
			n.radio.busy, n.radio.guard, n.radio.sending = true, n.now+n.txGuard(), best
			n.stats.Frames++
			return tx, n.radio.guard
		} // else it has been given up
	}
}

// txGuard is longer than any frame takes: after it the driver has lost one.
func (n *Node) txGuard() time.Duration {
	return max(30*time.Second, 2*n.Modem.Airtime(proto.TypeCheckIn.Size()+2+proto.MaxHops*proto.HopSize))
}

// send makes the frame; nil: it has been tried often enough, and is no job any more.
func (n *Node) send(j job) *Transmit {
	var tx Transmit
	switch r := n.relay; j.class {
	case carrying, carryingCheckIn:
		if j.back {
			return r.passOn(j.load)
		}
		return r.sendOn(j.load)
	case telling:
		tx = r.tell(j.load)
	case seeking:
		tx = r.sought()
	case beaconing:
		tx = r.sealBeacon()
	case again:
		tx = n.relaunch()
	case asking:
		tx = n.ask()
	case checkingIn, confirming:
		if n.checkIn.tries <= overduePauses { // one period without an answer is no outage: trips are sent as often as ever
			n.radio.silent++
		}
		n.radio.isEvent = false
		tx = n.sealCheckIn()
		n.launch(tx, false)
		n.probed(tx.Counter)
	default:
		n.radio.silent++
		tx = n.sendEvent(j)
		n.launch(tx, true)
	}
	return &tx
}

func (n *Node) sendEvent(j job) Transmit {
	e := &n.held[j.index]
	n.radio.event, n.radio.isEvent = e.counter, true
	tx := n.sealEvent(e)
	e.due = n.now + n.pause(e.tries)
	if n.doubt.doubts(n.now) {
		e.due = n.now + n.pause(e.tries)/2
	}
	if e.attempt > manyAttempts {
		e.due = n.now + n.jitter(rarePause)
	}
	if j.class == slowRetry {
		n.radio.slow++
		n.radio.slowAt = n.now + n.pause(fastTries+n.radio.slow)
	}
	return tx
}

// seal makes the frame. A node builds no frame that cannot be sealed, so a failure is a mistake in this package.
func (n *Node) seal(h proto.Header, body proto.Body) Transmit {
	frame, err := proto.Seal(nil, n.keys, h, body)
	if err != nil {
		panic("node: seal: " + err.Error())
	}
	r := recentFrame{space: eventSpace, counter: h.Counter, attempt: h.Attempt, at: n.now}
	if h.Type == proto.TypeCheckIn {
		r.space = checkInSpace
	}
	n.note(r)
	return Transmit{Frame: frame, Type: h.Type, Counter: h.Counter, Attempt: h.Attempt}
}

// txDone opens the time for somebody to take the frame. One that could not be sent (the channel is in use) is tried sooner
// than one that got no answer.
func (n *Node) txDone(done TxDone) {
	if !n.radio.busy {
		return
	}
	n.radio.busy = false
	if done.Failed {
		n.stats.FailedSends++
	}
	if done.Busy {
		n.crowd.heard(n.now, 1)
	}
	switch j := n.radio.sending; j.class {
	case carrying, carryingCheckIn:
		if j.back {
			n.relay.passedOn(j.load, done)
		} else {
			n.relay.sentOn(j.load, done)
		}
	case telling:
		if l := j.load; done.Busy && l.wanted {
			l.tellAt = n.now + n.busyPause()
		} // else its origin sends the frame again, if it needs to know
	case seeking, beaconing: // hints; another one follows if it is needed
	case asking:
		n.radio.quiet = n.now + n.proofWait(proto.TypeReceipt.Size(), nextSlot)
		n.listen(n.radio.quiet)
	default:
		n.ownDone(done)
	}
}

// ownDone follows the end of sending a frame of this node's own.
func (n *Node) ownDone(done TxDone) {
	o := &n.own
	switch {
	case !done.Failed:
		n.launched()
	case o.over:
	case done.Busy && o.busy < mostBusy:
		o.busy++
		o.tries--
		o.due = n.now + n.busyPause()
		n.radio.quiet = max(n.radio.quiet, o.due) // else whoever has many events to send would ask for the channel without a pause
	default:
		o.rest()
		n.soon()
	}
}

// mostBusy is how often a node finds the channel in use before it takes a longer pause.
const mostBusy = 20

func (n *Node) soon() {
	at := n.now + n.jitter(firstPause/4)
	if !n.radio.isEvent {
		if n.checkIn.tries > 0 { // else it was the last of this period
			n.checkIn.due = min(n.checkIn.due, at)
		}
		return
	}
	for i := range n.held {
		if e := &n.held[i]; e.counter == n.radio.event && e.tries < fastTries {
			e.due = min(e.due, at)
		}
	}
}

// answered follows a receipt for a frame just sent: the way to the gateway works.
func (n *Node) answered(sentAt time.Duration, newest bool) {
	if n.radio.silent >= outage {
		for i := range n.held {
			if e := &n.held[i]; e.attempt > 0 && e.sentAt < sentAt {
				e.tries, e.due = 0, n.now
			}
		}
	}
	n.radio.silent, n.radio.slow, n.radio.slowAt = 0, 0, n.now
	if newest && !n.radio.busy {
		n.radio.quiet = n.now + pace
		if len(n.held) > 0 && n.now-n.held[0].at >= young {
			n.radio.oldAt = n.now + pace + n.upTo(leave*n.crowd.window(n.now))
		}
	}
}
