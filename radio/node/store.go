package node

import (
	"cmp"
	"slices"
	"time"

	"longlane/proto"
)

// maxHeld is how many events a node holds at most; none held is further behind the newest than maxHeld-1. PROTOCOL.md
// section 8 allows one more, but then `oldest` of a check-in, counted from the next counter, would not fit its byte.
const maxHeld = 255

// Kind is what an event is.
type Kind uint8

// The kinds of event.
const (
	Opening Kind = iota
	Closing
	FaultEvent
)

func (k Kind) String() string { return [...]string{"opening", "closing", "fault"}[k] }

// event is something that the gateway must hear of. Its counter never changes.
type event struct {
	kind     Kind
	input    uint8
	at       time.Duration // the edge, or when the fault began or ended
	dwell    time.Duration // of a closing
	opening  uint32        // counter of the opening that a closing ends
	test     bool          // of a TestTrip
	fault    proto.FaultKind
	ended    bool
	argument uint16

	counter uint32
	attempt uint32        // that the next sealing has
	tries   int           // since the way to the gateway was last seen to work; governs the pauses
	sentAt  time.Duration // of the latest attempt
	due     time.Duration // when the next attempt may go
	taken   bool          // somebody has shown to have the first attempt
}

// hold gives e the next counter and keeps it until it is receipted. It returns the counter.
func (n *Node) hold(e event) uint32 {
	e.counter = n.events.take()
	n.held = append(n.held, e)
	for e.counter-n.held[0].counter >= maxHeld {
		n.drop(0, "the store is full")
	}
	n.observe(Observed{What: Made, Counter: e.counter, Kind: e.kind, Input: e.input, Age: n.now - e.at, Fault: e.fault,
		Ended: e.ended, Dwell: e.dwell, Test: e.test})
	return e.counter
}

func (n *Node) testTrip(input uint8) {
	if n.contact(input) == nil {
		return
	}
	opening := n.hold(event{kind: Opening, input: input, at: n.now, test: true})
	n.hold(event{kind: Closing, input: input, at: n.now, opening: opening, test: true})
}

// release lets the event with this counter go, if it is held.
func (n *Node) release(counter uint32) {
	i := n.heldAt(counter)
	if i < 0 {
		return
	}
	e := n.held[i]
	if n.own.event && n.own.Counter == counter {
		n.own.rest()
	}
	if e.fault == proto.FaultLost && e.attempt > 0 {
		n.saved.Lost -= min(e.argument, n.saved.Lost)
		n.dirty = true
	}
	n.held = slices.Delete(n.held, i, i+1)
	n.observe(Observed{What: Released, Counter: counter, Kind: e.kind, Input: e.input, Age: n.now - e.at, Fault: e.fault,
		Ended: e.ended, Test: e.test})
}

// heldAt is where the event with this counter is in held; below 0: it is not held.
func (n *Node) heldAt(counter uint32) int {
	i, ok := slices.BinarySearchFunc(n.held, counter, func(e event, c uint32) int { return cmp.Compare(e.counter, c) })
	if !ok {
		return -1
	}
	return i
}

// drop loses the i-th event held. What it reports as lost, if it is such a report, stays to be reported.
func (n *Node) drop(i int, why string) {
	e := n.held[i]
	n.held = slices.Delete(n.held, i, i+1)
	if n.own.event && n.own.Counter == e.counter {
		n.own.rest()
	}
	n.stats.Dropped++
	if e.fault != proto.FaultLost {
		n.saved.Lost = min(n.saved.Lost+1, mostLost)
	}
	n.observe(Observed{What: Dropped, Counter: e.counter, Kind: e.kind, Input: e.input, Age: n.now - e.at, Fault: e.fault,
		Ended: e.ended, Test: e.test, Why: why})
}

// reportLoss holds a report of what was lost, one at a time: losses that come after it was first sent, when its
// argument was fixed, wait for the next.
func (n *Node) reportLoss() {
	reported := slices.ContainsFunc(n.held, func(e event) bool { return e.fault == proto.FaultLost })
	if n.saved.Lost > 0 && !reported {
		n.hold(event{kind: FaultEvent, fault: proto.FaultLost, at: n.now})
	}
}

// dropExhausted gives up what has used its last attempt.
func (n *Node) dropExhausted() {
	for i := 0; i < len(n.held); {
		if n.held[i].attempt < lastAttempt {
			i++
			continue
		}
		n.drop(i, "it has used all its attempts")
	}
}

// oldest is how far behind counter the oldest event held lies.
func (n *Node) oldest(counter uint32) proto.Oldest {
	if len(n.held) == 0 {
		return 0
	}
	return proto.Oldest(counter - n.held[0].counter) // at most maxHeld: hold sees to it
}

// numbers hands out counters, reserved a block at a time in lasting memory.
type numbers struct {
	next, end uint32
	dirty     *bool
}

func (c *numbers) take() uint32 {
	if c.next == c.end {
		c.end += block
		*c.dirty = true
	}
	c.next++
	return c.next - 1
}

// sealEvent makes the frame of e's next attempt.
func (n *Node) sealEvent(e *event) Transmit {
	if e.fault == proto.FaultLost && e.attempt == 0 {
		e.argument = n.saved.Lost
	}
	if e.attempt == 0 && n.doubt.doubts(n.now) {
		e.attempt = 1
	}
	body := n.body(e)
	h := proto.Header{Type: typeOf(body), HopsLeft: n.HopsLeft, Site: n.Site, Node: n.Node, Gen: n.Gen, Counter: e.counter,
		Attempt: uint16(e.attempt), Long: n.long[eventSpace] || e.attempt >= longFrom}
	e.attempt++
	e.tries++
	e.sentAt = n.now
	return n.seal(h, body)
}

const (
	longFrom    = 2     // attempt from which all 32 bits of the counter travel
	lastAttempt = 65535 // is not sent
)

func typeOf(b proto.Body) proto.Type {
	switch b.(type) {
	case *proto.TripOpened:
		return proto.TypeTripOpened
	case *proto.TripClosed:
		return proto.TypeTripClosed
	case *proto.TripHeld:
		return proto.TypeTripHeld
	case *proto.Fault:
		return proto.TypeFault
	}
	return proto.TypeCheckIn
}

func (n *Node) body(e *event) proto.Body {
	age := n.now - e.at
	if e.kind == FaultEvent {
		return &proto.Fault{Kind: e.fault, Ended: e.ended, Input: n.faultInput(e), Age: proto.EncodeWideAge(age),
			Sent: n.sendTime(), Argument: e.argument, Oldest: n.oldest(e.counter), Battery: n.battery,
			Temperature: n.temperature}
	}
	short, input := proto.EncodeDur8(age), n.input(e.input)
	input.Test = e.test
	switch fits := short < proto.Dur8Max && e.attempt <= 255; {
	case fits && e.kind == Opening:
		return &proto.TripOpened{Input: input, Age: short, Sent: n.sendTime(), Battery: n.battery,
			Temperature: n.temperature, Oldest: n.oldest(e.counter)}
	case fits:
		return &proto.TripClosed{Input: input, Age: short, Sent: n.sendTime(),
			Dwell: proto.EncodeDur16(e.dwell), Opened: e.back()}
	}
	b := &proto.TripHeld{Closed: e.kind == Closing, Input: input, Age: proto.EncodeWideAge(age),
		Sent: n.sendTime(), Oldest: n.oldest(e.counter), Battery: n.battery}
	if b.Closed {
		b.Dwell, b.Opened = proto.EncodeDur16(e.dwell), e.back()
	}
	return b
}

// back is how far behind a closing its opening lies, 0 if too far to be told.
func (e *event) back() uint8 {
	if d := e.counter - e.opening; d <= 255 {
		return uint8(d)
	}
	return 0
}

// faultInput is zero where a fault concerns no input.
func (n *Node) faultInput(e *event) proto.Input {
	switch e.fault {
	case proto.FaultInput, proto.FaultBlocked, proto.FaultChatter:
		return n.input(e.input)
	}
	return proto.Input{}
}

func (n *Node) input(number uint8) proto.Input {
	c := n.contact(number)
	if c == nil {
		return proto.Input{Number: number}
	}
	return proto.Input{Number: number, Active: c.raw, Normally: c.NormallyClosed, Supervised: c.Supervised}
}
