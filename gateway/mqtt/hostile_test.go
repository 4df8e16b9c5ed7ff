package mqtt

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"net"
	"os"
	"runtime"
	"runtime/pprof"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/eclipse/paho.mqtt.golang/packets"
)

// behaviour is what the hostile broker does to one connection.
type behaviour int

const (
	polite       behaviour = iota
	refuse                 // CONNACK 1 to 5
	badCode                // CONNACK with a code the protocol does not have
	silent                 // reads CONNECT, answers nothing
	garbageHello           // random bytes instead of CONNACK
	cutHello               // half a CONNACK
	ackNone                // takes everything, answers pings, acknowledges nothing
	stall                  // stops reading
	reorder                // acknowledges in random order, in bursts
	unknownIDs             // beside the real ones, acknowledges messages never sent, and some twice
	cutWindow              // acknowledges some at random, then cuts
	cutAll                 // takes every message, acknowledges some at random, then cuts
	cutMidPacket           // cuts within a PUBACK
	garbage                // acknowledges some, then sends random bytes
	wrongAck               // answers PUBLISH with UNSUBACK, SUBACK, PUBCOMP or PUBREC
	behaviours
)

// hostileBroker speaks MQTT badly. Its record of what it acknowledged is the truth that outcomes are held against.
type hostileBroker struct {
	ln      net.Listener
	choose  func(connection int) behaviour
	seed    uint64
	total   atomic.Int64 // messages the run publishes
	serving sync.WaitGroup

	mu    sync.Mutex
	acked map[string]bool // payloads for which a PUBACK has been handed to the socket
	seen  map[string]int  // payloads received, and how often
	conns []net.Conn
}

func startHostile(t *testing.T, seed uint64, choose func(connection int) behaviour) *hostileBroker {
	t.Helper()
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatalf("listen: %v", err)
	}
	h := &hostileBroker{ln: ln, choose: choose, seed: seed, acked: make(map[string]bool), seen: make(map[string]int)}
	h.serving.Go(h.accept)
	return h
}

func (h *hostileBroker) url() string { return "mqtt://" + h.ln.Addr().String() }

func (h *hostileBroker) stop() {
	h.ln.Close()
	h.mu.Lock()
	for _, c := range h.conns {
		c.Close()
	}
	h.mu.Unlock()
	h.serving.Wait()
}

func (h *hostileBroker) accept() {
	for i := 0; ; i++ {
		c, err := h.ln.Accept()
		if err != nil {
			return
		}
		h.mu.Lock()
		h.conns = append(h.conns, c)
		h.mu.Unlock()
		rng := rand.New(rand.NewPCG(h.seed, uint64(i)))
		b := h.choose(i)
		h.serving.Go(func() {
			defer c.Close()
			h.serve(c, b, rng)
		})
	}
}

func (h *hostileBroker) hasAcked(payload string) bool {
	h.mu.Lock()
	defer h.mu.Unlock()
	return h.acked[payload]
}

func randomBytes(rng *rand.Rand, n int) []byte {
	b := make([]byte, n)
	for i := range b {
		b[i] = byte(rng.Uint32())
	}
	return b
}

func (h *hostileBroker) serve(c net.Conn, b behaviour, rng *rand.Rand) {
	in := bufio.NewReader(c)
	if _, err := packets.ReadPacket(in); err != nil {
		return
	}
	hello := []byte{0x20, 2, 0, 0}
	switch b {
	case refuse:
		hello[3] = byte(1 + rng.IntN(5))
	case badCode:
		hello[3] = []byte{6, 0x87, 0xff, 0xfe}[rng.IntN(4)]
	case silent:
		io.Copy(io.Discard, c)
		return
	case garbageHello:
		hello = randomBytes(rng, 1+rng.IntN(200))
	case cutHello:
		hello = hello[:1+rng.IntN(3)]
	}
	c.Write(hello)
	if b == garbageHello || b == cutHello {
		return
	}
	h.converse(c, in, b, rng)
}

// converse reads until the other side or the behaviour ends the connection.
func (h *hostileBroker) converse(c net.Conn, in io.Reader, b behaviour, rng *rand.Rand) {
	patience := rng.IntN(120) // messages until the behaviour shows
	if b == cutAll {
		patience = int(h.total.Load()) - 1
	}
	var waiting []*packets.PublishPacket
	for n := 0; ; n++ {
		p, err := packets.ReadPacket(in)
		if err != nil {
			return
		}
		switch p := p.(type) {
		case *packets.PingreqPacket:
			c.Write([]byte{0xd0, 0})
			continue
		case *packets.PublishPacket:
			h.mu.Lock()
			h.seen[string(p.Payload)]++
			h.mu.Unlock()
			if p.Qos == 0 {
				continue
			}
			waiting = append(waiting, p)
		default:
			return // DISCONNECT
		}
		if n >= patience && h.misbehave(c, b, rng, waiting) {
			return
		}
		waiting = h.answer(c, b, rng, waiting)
	}
}

// misbehave is the turn that a connection takes when its patience ends; it reports whether that was the end.
func (h *hostileBroker) misbehave(c net.Conn, b behaviour, rng *rand.Rand, waiting []*packets.PublishPacket) bool {
	switch b {
	case stall:
		var one [1]byte
		c.(*net.TCPConn).SetReadBuffer(4096)
		c.SetReadDeadline(time.Now().Add(2 * time.Second))
		for { // wakes when the other side is gone, by writing into the void
			if _, err := c.Write([]byte{0xd0, 0}); err != nil {
				return true
			}
			c.SetReadDeadline(time.Now().Add(50 * time.Millisecond))
			if _, err := c.Read(one[:]); err != nil && !errors.Is(err, os.ErrDeadlineExceeded) {
				return true
			}
		}
	case cutWindow, cutAll:
		for _, i := range rng.Perm(len(waiting))[:rng.IntN(len(waiting)+1)] {
			h.ack(c, waiting[i])
		}
		return true
	case cutMidPacket:
		p := waiting[rng.IntN(len(waiting))]
		c.Write([]byte{0x40, 2, byte(p.MessageID >> 8), byte(p.MessageID)}[:1+rng.IntN(3)])
		return true
	case garbage:
		c.Write(randomBytes(rng, 1+rng.IntN(300)))
		return true
	}
	return false
}

// answer acknowledges as the behaviour has it, and returns what it has not yet acknowledged.
func (h *hostileBroker) answer(c net.Conn, b behaviour, rng *rand.Rand, waiting []*packets.PublishPacket) []*packets.PublishPacket {
	switch b {
	case ackNone, cutAll:
		return waiting
	case reorder:
		if len(waiting) < 1+rng.IntN(20) {
			return waiting
		}
		for _, i := range rng.Perm(len(waiting)) {
			h.ack(c, waiting[i])
		}
	case cutWindow, cutMidPacket, garbage:
		if rng.IntN(3) > 0 {
			return waiting
		}
		h.ack(c, waiting[0])
		return waiting[1:]
	case unknownIDs:
		c.Write([]byte{0x40, 2, 0xc0 | byte(rng.IntN(64)), byte(rng.IntN(256))}) // far above any in use
		h.ack(c, waiting[0])
		if rng.IntN(2) == 0 {
			h.ack(c, waiting[0])
		}
	case wrongAck:
		id := waiting[0].MessageID
		first := []byte{0xb0, 0x90, 0x70, 0x50}[rng.IntN(4)]
		c.Write([]byte{first, 2, byte(id >> 8), byte(id)})
	default:
		h.ack(c, waiting[0])
	}
	return nil
}

func (h *hostileBroker) ack(c net.Conn, p *packets.PublishPacket) {
	h.mu.Lock()
	h.acked[string(p.Payload)] = true // before the write: the outcome may arrive before Write returns
	h.mu.Unlock()
	c.Write([]byte{0x40, 2, byte(p.MessageID >> 8), byte(p.MessageID)})
}

// ledger counts outcomes and holds each against the broker's record.
type ledger struct {
	broker *hostileBroker

	mu         sync.Mutex
	outcomes   map[string]int
	results    []error // in the order of publishing
	acked      int
	total      int
	violations []string
	all        chan struct{} // closed when every message has an outcome
}

func newLedger(b *hostileBroker, total int) *ledger {
	return &ledger{broker: b, total: total, outcomes: make(map[string]int), results: make([]error, total), all: make(chan struct{})}
}

func (l *ledger) done(i int, payload string) func(error) {
	return func(err error) {
		honest := err != nil || l.broker.hasAcked(payload)
		l.mu.Lock()
		defer l.mu.Unlock()
		l.outcomes[payload]++
		l.results[i] = err
		if !honest {
			l.violations = append(l.violations, fmt.Sprintf("done(nil) for %q, which the broker never acknowledged", payload))
		}
		if err == nil {
			l.acked++
		}
		if len(l.outcomes) == l.total && l.outcomes[payload] == 1 {
			close(l.all)
		}
	}
}

// verdict is called when nothing more can come.
func (l *ledger) verdict() []string {
	l.mu.Lock()
	defer l.mu.Unlock()
	v := l.violations
	for p, n := range l.outcomes {
		if n != 1 {
			v = append(v, fmt.Sprintf("done called %d times for %q", n, p))
		}
	}
	failed := -1
	for i, err := range l.results {
		if err == nil && failed >= 0 {
			v = append(v, fmt.Sprintf("message %d succeeded after message %d had failed", i, failed))
			break
		}
		if err != nil && !errors.Is(err, ErrWindow) && failed < 0 {
			failed = i
		}
	}
	if len(l.outcomes) != l.total {
		v = append(v, fmt.Sprintf("%d of %d messages have an outcome", len(l.outcomes), l.total))
	}
	return v
}

// result is what one run of the property saw.
type result struct {
	violations []string
	published  int
	acked      int
	end        Reason
}

// deliveryProperty publishes against a hostile broker and checks: done(nil) only after the broker's PUBACK, done
// exactly once for each message, an end for every session. All choices come from seed.
func deliveryProperty(t *testing.T, seed uint64, menu []behaviour, reconnect bool) result {
	rng := rand.New(rand.NewPCG(seed, 0))
	order := make([]behaviour, 8)
	for i := range order {
		order[i] = menu[rng.IntN(len(menu))]
	}
	h := startHostile(t, seed, func(i int) behaviour { return order[i%len(order)] })
	defer h.stop()
	total := 1 + rng.IntN(Window+44) // now and then more than fit
	if reconnect {
		total = min(total, Window)
	}
	h.total.Store(int64(total))
	closeAfter := rng.IntN(4 * total) // close from this side after so many have been published; mostly never
	s, err := Dial(t.Context(), Options{
		URL: h.url(), ClientID: "gateway", reconnect: reconnect,
		AckDeadline: 150 * time.Millisecond, WriteTimeout: 200 * time.Millisecond, ConnectTimeout: 500 * time.Millisecond,
	})
	if err != nil {
		return result{end: reasonOf(err)}
	}
	l := newLedger(h, total)
	for i := range total {
		payload := fmt.Sprintf("%d/%d/", seed, i) + string(make([]byte, rng.IntN(2000)))
		s.Publish("longlane/hill-orchard/zone/river-gate/trip", 1, rng.IntN(2) == 0, []byte(payload), l.done(i, payload))
		if i == closeAfter {
			s.Close()
		}
		if rng.IntN(40) == 0 {
			runtime.Gosched()
		}
	}
	wait := time.After(30 * time.Second)
	select {
	case <-l.all:
	case <-wait:
	}
	s.Close()
	select {
	case <-s.Closed():
	case <-wait:
		l.mu.Lock()
		l.violations = append(l.violations, "session has not ended")
		l.mu.Unlock()
	}
	l.mu.Lock()
	acked := l.acked
	l.mu.Unlock()
	return result{violations: l.verdict(), published: total, acked: acked, end: reasonOf(s.Err())}
}

func reasonOf(err error) Reason {
	var e *EndError
	if errors.As(err, &e) {
		return e.Reason
	}
	return ""
}

func fullMenu() []behaviour {
	var menu []behaviour
	for b := range behaviours {
		menu = append(menu, b)
	}
	return menu
}

// TestDeliveryProperty is the promise the queue stands on, against every way of misbehaving, and without a leak.
func TestDeliveryProperty(t *testing.T) {
	const runs = 300
	base := rand.Uint64()
	t.Logf("seed %d", base)
	before := runtime.NumGoroutine()
	ends := make(map[Reason]int)
	var mu sync.Mutex
	var published, acked int
	work := make(chan uint64)
	var workers sync.WaitGroup
	for range 8 {
		workers.Go(func() {
			for seed := range work {
				r := deliveryProperty(t, seed, fullMenu(), false)
				for _, v := range r.violations {
					t.Errorf("seed %d: %s", seed, v)
				}
				mu.Lock()
				ends[r.end]++
				published += r.published
				acked += r.acked
				mu.Unlock()
			}
		})
	}
	for i := range uint64(runs) {
		work <- base + i
	}
	close(work)
	workers.Wait()
	t.Logf("%d runs, %d messages, %d acknowledged, ends %v", runs, published, acked, ends)
	if acked == 0 || acked == published {
		t.Errorf("%d of %d messages acknowledged: the runs show nothing", acked, published)
	}
	noLeak(t, before)
}

// TestDeliveryPropertyCatchesReconnecting is the negative control: with the client library reconnecting by itself the
// same property must fail, or it proves nothing. (The broker cuts when all is written; if it cut earlier the library
// would race with itself, as the race detector shows.)
func TestDeliveryPropertyCatchesReconnecting(t *testing.T) {
	var caught int
	for seed := range uint64(30) {
		caught += min(1, len(deliveryProperty(t, seed, []behaviour{cutAll}, true).violations))
		if v := deliveryProperty(t, seed, []behaviour{cutAll}, false).violations; len(v) > 0 {
			t.Errorf("seed %d, without reconnecting: %s", seed, v[0])
		}
	}
	t.Logf("caught in %d of 30 runs", caught)
	if caught == 0 {
		t.Errorf("the delivery property held in all runs with reconnecting on: it cannot see a false acknowledgement")
	}
}

// noLeak waits until the goroutines are down to before. The client library offers no event to wait for. It would take 40 s
// to clean up by itself, so that does not count.
func noLeak(t *testing.T, before int) {
	t.Helper()
	tick := time.NewTicker(10 * time.Millisecond)
	defer tick.Stop()
	deadline := time.After(30 * time.Second)
	for runtime.NumGoroutine() > before {
		select {
		case <-tick.C:
		case <-deadline:
			pprof.Lookup("goroutine").WriteTo(os.Stderr, 1)
			t.Fatalf("%d goroutines, were %d before", runtime.NumGoroutine(), before)
		}
	}
}

// TestHello holds each way in which a connection can fail to begin against the reason given.
func TestHello(t *testing.T) {
	tests := []struct {
		b    behaviour
		want []Reason
	}{
		{refuse, []Reason{ReasonRefused}},
		{badCode, []Reason{ReasonRefused}},
		{silent, []Reason{ReasonSilent}},
		{garbageHello, []Reason{ReasonProtocol, ReasonLost}},
		{cutHello, []Reason{ReasonLost, ReasonPeerClosed}},
	}
	for _, tt := range tests {
		for seed := range uint64(6) {
			h := startHostile(t, seed, func(int) behaviour { return tt.b })
			s, err := Dial(t.Context(), Options{URL: h.url(), ClientID: "gateway", ConnectTimeout: 300 * time.Millisecond})
			if err == nil {
				s.Close()
			}
			if got := reasonOf(err); got != tt.want[0] && got != tt.want[len(tt.want)-1] {
				t.Errorf("behaviour %d, seed %d: Dial = %v (%q), want one of %q", tt.b, seed, err, got, tt.want)
			}
			h.stop()
		}
	}
}

// TestDialIsInterruptible cancels while the broker keeps silent.
func TestDialIsInterruptible(t *testing.T) {
	h := startHostile(t, 1, func(int) behaviour { return silent })
	defer h.stop()
	ctx, cancel := context.WithCancel(t.Context())
	dial := func(ctx context.Context, network, addr string) (net.Conn, error) {
		defer time.AfterFunc(50*time.Millisecond, cancel)
		return dialTCP(ctx, network, addr)
	}
	_, err := Dial(ctx, Options{URL: h.url(), ClientID: "gateway", ConnectTimeout: time.Hour, Dial: dial})
	if got := reasonOf(err); got != ReasonCancelled || !errors.Is(err, context.Canceled) {
		t.Errorf("Dial = %v (%q), want %q", err, got, ReasonCancelled)
	}
}

// TestHalfOpen is a peer that stops reading while its kernel keeps the connection: only a deadline on writes ends it.
func TestHalfOpen(t *testing.T) {
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer ln.Close()
	release := make(chan struct{})
	defer close(release)
	go func() {
		c, err := ln.Accept()
		if err != nil {
			return
		}
		defer c.Close()
		c.(*net.TCPConn).SetReadBuffer(4096)
		packets.ReadPacket(c)
		c.Write([]byte{0x20, 2, 0, 0})
		<-release
	}()
	const timeout = 300 * time.Millisecond
	s, err := Dial(t.Context(), Options{URL: "mqtt://" + ln.Addr().String(), ClientID: "gateway", WriteTimeout: timeout, AckDeadline: time.Hour})
	if err != nil {
		t.Fatalf("Dial: %v", err)
	}
	defer s.Close()
	start := time.Now()
	outcomes := make(chan error, 100)
	for range cap(outcomes) {
		s.Publish("t", 1, false, make([]byte, MaxPayload), func(err error) { outcomes <- err })
	}
	select {
	case <-s.Closed():
	case <-time.After(20 * time.Second):
		t.Fatalf("a peer that reads nothing was not found out within 20 s")
	}
	t.Logf("found out after %v", time.Since(start))
	if got := reasonOf(s.Err()); got != ReasonWriteTimeout {
		t.Errorf("session ended with %v (%q), want %q", s.Err(), got, ReasonWriteTimeout)
	}
	for range cap(outcomes) {
		if err := <-outcomes; err == nil {
			t.Errorf("done(nil) from a broker that acknowledged nothing")
		}
	}
}
