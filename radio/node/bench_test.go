package node

import (
	"bytes"
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"longlane/proto"
)

// The bench carries out what a node asks for, as a driver does, and keeps what an attacker or a gateway would know: all
// frames sent, opened with the node's keys.

var siteSecret = bytes.Repeat([]byte{0x5e}, proto.KeySize)

const (
	testSite = 4711
	testNode = 7
)

func nodeKey(t testing.TB, gen uint8) []byte {
	t.Helper()
	k, err := proto.NodeKey(siteSecret, testSite, testNode, gen)
	if err != nil {
		t.Fatal(err)
	}
	return k
}

func keysOf(t testing.TB, key []byte) *proto.Keys {
	t.Helper()
	k, err := proto.NewKeys(key)
	if err != nil {
		t.Fatal(err)
	}
	return k
}

// nonce is what must never occur twice under one key.
type nonce struct {
	gen     uint8
	t       proto.Type
	counter uint32
	attempt uint16
}

// sent is a frame that the node has sent.
type sent struct {
	at   time.Duration
	raw  proto.Raw
	full uint32 // its counter
	body proto.Body
}

type bench struct {
	t       testing.TB
	cfg     Config
	n       *Node
	now     time.Duration // since the bench began; the node's own time starts anew with it
	boot    time.Duration
	wake    time.Duration
	saved   []byte
	keys    *proto.Keys
	txEnd   time.Duration // never while nothing is in the air
	airtime time.Duration
	broken  struct{ memory, radio bool }
	stale   bool // the last Persist could not be written
	number  uint32
	nonces  map[nonce][]byte
	sent    []sent
	log     func(string)
	seen    func(Observed)
	onSent  func(sent)
	written int
}

func newBench(t testing.TB, cfg Config) *bench {
	t.Helper()
	cfg.Site, cfg.Node, cfg.Gen = testSite, testNode, 1
	cfg.Key = nodeKey(t, 1)
	b := &bench{t: t, cfg: cfg, saved: FirstSaved(), txEnd: never, airtime: 60 * time.Millisecond,
		nonces: make(map[nonce][]byte), log: func(string) {}, seen: func(Observed) {}, onSent: func(sent) {}}
	b.keys = keysOf(t, cfg.Key)
	b.start()
	return b
}

// start is a restart: working memory is gone, the frame in the air goes on without the node.
func (b *bench) start() {
	b.t.Helper()
	b.cfg.Seed++
	n, err := New(b.cfg, b.saved, 0)
	if err != nil {
		b.t.Fatal(err)
	}
	b.n, b.boot, b.txEnd = n, b.now, never
	b.step(nil)
}

func (b *bench) local() time.Duration { return b.now - b.boot }

func (b *bench) step(in Input) {
	b.t.Helper()
	out, wake := b.n.Step(b.local(), in)
	if wake <= b.local() {
		b.t.Fatalf("Step(%v, %+v) wants to be called again at %v", b.local(), in, wake)
	}
	b.wake = wake
	b.carryOut(out)
}

func (b *bench) carryOut(out []Output) {
	b.t.Helper()
	for _, o := range out {
		b.log(describe(b, o))
		switch o := o.(type) {
		case Persist:
			b.written++
			if b.stale = b.broken.memory; !b.stale {
				b.saved = o.Saved
			}
			b.step(Stored{Failed: b.broken.memory})
		case Transmit:
			b.transmit(o)
		case Observed:
			b.seen(o)
		}
	}
}

func (b *bench) transmit(o Transmit) {
	b.t.Helper()
	if b.txEnd != never {
		b.t.Errorf("at %v a second frame goes into the air", b.now)
	}
	b.txEnd = b.now + b.airtime
	raw, err := proto.Parse(o.Frame)
	if err != nil {
		b.t.Fatalf("the node sent %x: %v", o.Frame, err)
	}
	body, err := raw.Open(b.keys, o.Counter)
	if err != nil {
		b.t.Fatalf("the node sent %x: %v", o.Frame, err)
	}
	key := nonce{raw.Gen, raw.Type, o.Counter, raw.Attempt}
	if old, ok := b.nonces[key]; ok && !bytes.Equal(old, o.Frame) {
		b.t.Errorf("nonce %+v was used for %x and again for %x", key, old, o.Frame)
	}
	b.nonces[key] = o.Frame
	b.checkReserved(o)
	f := sent{b.now, raw, o.Counter, body}
	b.sent = append(b.sent, f)
	if !b.broken.radio {
		b.onSent(f)
	}
}

// checkReserved: a counter is reserved in lasting memory before it is used, if that can be written.
func (b *bench) checkReserved(o Transmit) {
	b.t.Helper()
	var s Saved
	if b.stale || s.UnmarshalBinary(b.saved) != nil {
		return
	}
	if end := map[bool]uint32{true: s.Event, false: s.CheckIn}[o.Type.Event()]; o.Counter >= end {
		b.t.Errorf("at %v %v %d is sent, and memory reserves up to %d only", b.now, o.Type, o.Counter, end)
	}
	if o.Type.Event() && (!s.MayHold || s.HeldFrom > o.Counter) {
		b.t.Errorf("at %v %v %d is sent, and memory says that nothing up to it is held", b.now, o.Type, o.Counter)
	}
}

// until lets time pass.
func (b *bench) until(t time.Duration) {
	b.t.Helper()
	for {
		at := min(b.boot+b.wake, b.txEnd)
		if at > t {
			break
		}
		b.now = at
		if at == b.txEnd {
			b.txEnd = never
			b.step(TxDone{Failed: b.broken.radio})
		} else {
			b.step(nil)
		}
	}
	b.now = t
}

func (b *bench) edge(input uint8, closed bool) { b.t.Helper(); b.step(Edge{input, closed}) }

// receiptFor is a genuine receipt for a frame, with the next number.
func (b *bench) receiptFor(typ proto.Type, counter uint32, attempt uint8) (proto.Header, proto.Receipt) {
	b.number++
	return proto.Header{Type: typ, HopsLeft: 7, Site: testSite, Node: testNode, Gen: b.cfg.Gen, Counter: counter, Epoch: 1,
		Number: b.number}, proto.Receipt{Time: proto.EncodeGatewayTime(time.Hour + b.now), Attempt: attempt}
}

func (b *bench) sealed(h proto.Header, r proto.Receipt) []byte {
	b.t.Helper()
	f, err := proto.Seal(nil, b.keys, h, &r)
	if err != nil {
		b.t.Fatal(err)
	}
	return f
}

func (b *bench) receive(frame []byte) { b.t.Helper(); b.step(Received{frame, -97, 6.5}) }

// answer receipts f.
func (b *bench) answer(f sent) {
	b.t.Helper()
	typ := proto.TypeReceipt
	if f.raw.Type == proto.TypeCheckIn {
		typ = proto.TypeCheckInReceipt
	}
	b.receive(b.sealed(b.receiptFor(typ, f.full, uint8(f.raw.Attempt))))
}

func (b *bench) lastSent() sent {
	b.t.Helper()
	if len(b.sent) == 0 {
		b.t.Fatal("the node has sent nothing")
	}
	return b.sent[len(b.sent)-1]
}

// serve is a gateway that answers every frame 100 ms after its end, until then.
func (b *bench) serve(until time.Duration) {
	b.t.Helper()
	for n := len(b.sent); ; {
		next := min(b.boot+b.wake, b.txEnd)
		if next > until {
			break
		}
		b.until(next)
		if len(b.sent) > n && b.txEnd == never {
			n = len(b.sent)
			b.until(b.now + 100*time.Millisecond)
			b.answer(b.lastSent())
		}
	}
	b.until(until)
}

// heldCounters are the counters of what the node holds.
func (b *bench) heldCounters() (c []uint32) {
	for _, e := range b.n.held {
		c = append(c, e.counter)
	}
	return c
}

// describe writes an output as transcripts show it.
func describe(b *bench, o Output) string {
	at := ms(b.now)
	switch o := o.(type) {
	case Listen:
		return fmt.Sprintf("%s listen until %s", at, ms(b.boot+o.Until))
	case Persist:
		var s Saved
		if err := s.UnmarshalBinary(o.Saved); err != nil {
			return at + " persist damaged bytes: " + err.Error()
		}
		return fmt.Sprintf("%s persist start %d, reserved to event %d and check-in %d, held %v from %d, lost %d, settings %d",
			at, s.Starts, s.Event, s.CheckIn, s.MayHold, s.HeldFrom, s.Lost, s.Settings.Version)
	case Transmit:
		return at + " send " + describeFrame(b, o)
	case Observed:
		return strings.TrimRight(fmt.Sprintf("%s %s", at, describeObserved(o)), " ")
	}
	return fmt.Sprintf("%s %+v", at, o)
}

func describeObserved(o Observed) string {
	switch o.What {
	case Made, Released, Dropped:
		what := o.Kind.String()
		if o.Kind == FaultEvent {
			what = fmt.Sprintf("%s %q ended=%v", what, o.Fault, o.Ended)
		}
		return fmt.Sprintf("%s event %d: %s, input %d, age %s %s", o.What, o.Counter, what, o.Input, ms(o.Age), o.Why)
	case Refused:
		return fmt.Sprintf("%s: %s", o.What, o.Why)
	case MemoryLost:
		return string(o.What)
	}
	return fmt.Sprintf("%s, answering %d", o.What, o.Counter)
}

func describeFrame(b *bench, o Transmit) string {
	raw, err := proto.Parse(o.Frame)
	if err != nil {
		return err.Error()
	}
	body, err := raw.Open(b.keys, o.Counter)
	if err != nil {
		return err.Error()
	}
	s := fmt.Sprintf("%s %d attempt %d, %d bytes: ", raw.Type, o.Counter, raw.Attempt, len(o.Frame))
	switch p := body.(type) {
	case *proto.TripOpened:
		s += fmt.Sprintf("input %d active=%v, age %s, %s, oldest %d", p.Input.Number, p.Input.Active, ms(p.Age.Duration()), when(p.Sent), p.Oldest)
	case *proto.TripClosed:
		s += fmt.Sprintf("input %d, age %s, dwell %s, opened %d back, %s", p.Input.Number, ms(p.Age.Duration()), ms(p.Dwell.Duration()), p.Opened, when(p.Sent))
	case *proto.TripHeld:
		s += fmt.Sprintf("input %d closed=%v, age %s, dwell %s, opened %d back, %s, oldest %d", p.Input.Number, p.Closed, ms(p.Age.Duration()), ms(p.Dwell.Duration()), p.Opened, when(p.Sent), p.Oldest)
	case *proto.Fault:
		s += fmt.Sprintf("%q ended=%v, input %d, age %s, argument %d, %s, oldest %d", p.Kind, p.Ended, p.Input.Number, ms(p.Age.Duration()), p.Argument, when(p.Sent), p.Oldest)
	case *proto.CheckIn:
		s += fmt.Sprintf("active %d, restarted=%v, next %d, oldest %d, restarts %d, settings %d, %s", p.Active, p.Restarted, p.Next, p.Oldest, p.Restarts, p.Settings, when(p.Sent))
		if p.Confirms {
			s += fmt.Sprintf(", confirms %d back of age %s", p.Confirm, ms(p.ConfirmAge.Duration()))
		}
	}
	return s
}

func when(s proto.SendTime) string {
	if !s.Known() {
		return "no time"
	}
	return fmt.Sprintf("time %ds of epoch %d", s.Seconds, s.Epoch)
}

// ms shows whole milliseconds, so that what is random below that does not show.
func ms(d time.Duration) string { return d.Round(time.Millisecond).String() }

func containsCounter(c []uint32, v uint32) bool { return slices.Contains(c, v) }
