package gateway

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"maps"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	cloudevents "github.com/cloudevents/sdk-go/v2/event"

	"longlane/gateway/roster"
	"longlane/proto"
	"longlane/queue"
	"longlane/radio"
)

// world is a whole gateway in virtual time: the real core and the real queue on a real file, between a bearer and a
// receiver under the test's control. It may be started and stopped and killed any number of times; what nodes got
// receipts for and what the receiver acknowledged is remembered throughout, and compared at the end.
type world struct {
	t        *testing.T
	dir      string
	path     string
	runs     int
	clock    *testClock
	roster   *roster.Roster
	follow   *roster.Current
	queue    *queue.Queue
	g        *Gateway
	link     *fakeLink
	wifi     *fakeLink
	broker   *fakeBroker
	meter    *countMeter
	log      io.Writer
	cancel   context.CancelFunc
	done     chan error
	opts     func(*Options)
	maxBytes int64         // of the queue
	period   time.Duration // of check-ins

	mu        sync.Mutex
	fault     func(op string) error
	commits   int
	made      map[ID]bool // events that a node really had
	receipted map[ID]bool // events for which a receipt has left
}

const (
	site      = "hill-orchard"
	oldAfter  = 10 * time.Second
	checkInIn = time.Minute // in tests of supervision; in others no node is ever overdue
)

var nodeNames = []string{"river-gate", "ridge-gate", "cattle-grid", "barn-relay", "mast-relay"}

func newWorld(t *testing.T) *world {
	w := newWorldWithoutQueue(t)
	t.Cleanup(w.finish)
	return w
}

// supervised is a world that has started, and in which check-ins are missed soon.
func supervised(t *testing.T) *world {
	t.Helper()
	w := newWorld(t)
	w.period = checkInIn
	return w.start()
}

func newWorldWithoutQueue(t *testing.T) *world {
	w := &world{t: t, dir: t.TempDir(), made: map[ID]bool{}, receipted: map[ID]bool{}, meter: newCountMeter(t), period: 1000 * time.Hour,
		log: io.Discard, clock: newTestClock(time.Date(2026, 6, 1, 12, 0, 0, 0, time.UTC), 100*time.Second, 1, true)}
	w.path = filepath.Join(w.dir, "queue.db")
	w.broker = newFakeBroker(t)
	r, err := roster.Create(w.dir, site)
	w.must(err)
	for i, name := range nodeNames {
		n := roster.Node{Name: name, Relay: i > 2}
		if !n.Relay {
			n.Inputs = []roster.Input{{Number: 0, Zone: name}}
		}
		_, err := r.Add(n)
		w.must(err)
	}
	w.roster = r
	w.must(r.Save())
	w.follow, err = roster.Follow(w.dir)
	w.must(err)
	return w
}

// start opens the queue and runs a gateway on it.
func (w *world) start() *world {
	w.t.Helper()
	w.build()
	ctx, cancel := context.WithCancel(context.Background())
	w.cancel, w.done = cancel, make(chan error, 1)
	g, done := w.g, w.done
	go func() { done <- g.Run(ctx) }()
	w.wait()
	return w
}

// stepped gives f a gateway, without sinks, that is stepped by hand.
func (w *world) stepped(f func(*Steps)) {
	w.t.Helper()
	before := w.opts
	w.opts = func(o *Options) {
		if before != nil {
			before(o)
		}
		o.Sinks = nil
	}
	w.build()
	f(w.g.Steps())
	w.must(w.queue.Close())
	w.g = nil
}

func (w *world) readFile(path string) []byte {
	w.t.Helper()
	b, err := os.ReadFile(path)
	w.must(err)
	return b
}

// build opens the queue and makes a gateway on it.
func (w *world) build() {
	w.t.Helper()
	q, err := queue.Open(w.path, queue.Options{Advance: AdvanceMark, Fault: w.onCommit, MaxBytes: w.maxBytes})
	w.must(err)
	w.queue = q
	w.link, w.wifi = newFakeLink("lora"), newFakeLink("wifi")
	o := Options{Site: site, Name: "house", Number: 3, Roster: w.follow, Queue: OnQueue(q), Links: []radio.Link{w.link, w.wifi},
		Air: map[string]Air{"lora": {Settings: sf9}}, Titles: map[string]string{"river-gate": "River gate"}, Clock: w.clock.clock(),
		OldAfter: oldAfter, FreshWithin: proto.FreshWithin, CheckIn: w.period, Meter: w.meter,
		Log: slog.New(slog.NewTextHandler(w.log, nil)),
		Sinks: []SinkOptions{{Name: "broker", Required: true, FromStart: true, Window: 32, Dial: w.broker.dial,
			MaxBackoff: time.Second, Reason: func(error) string { return "ended" }}}}
	if w.opts != nil {
		w.opts(&o)
	}
	w.g, err = New(o)
	w.must(err)
}

func (w *world) must(err error) {
	w.t.Helper()
	if err != nil {
		w.t.Fatal(err)
	}
}

// wait lets everything that can happen now happen; pass lets time go by.
func (w *world) wait() { synctest.Wait() }
func (w *world) pass(d time.Duration) {
	elapse(d)
	synctest.Wait()
}

// elapse waits for the bubble's own clock to be so much later, which takes no time.
func elapse(d time.Duration) { <-time.After(d) }

// until lets time go by until ok, at most for limit.
func (w *world) until(limit time.Duration, what string, ok func() bool) time.Duration {
	w.t.Helper()
	began := time.Now()
	for synctest.Wait(); !ok(); w.pass(50 * time.Millisecond) {
		if time.Since(began) > limit {
			w.t.Fatalf("after %v still not: %s", limit, what)
		}
	}
	return time.Since(began)
}

func (w *world) onCommit(op string) error {
	w.mu.Lock()
	f := w.fault
	w.commits++
	w.mu.Unlock()
	if f == nil {
		return nil
	}
	return f(op)
}

func (w *world) setFault(f func(op string) error) {
	w.mu.Lock()
	w.fault = f
	w.mu.Unlock()
}

// stop ends the gateway in order.
func (w *world) stop() {
	w.t.Helper()
	if w.g == nil {
		return
	}
	w.setFault(nil)
	w.cancel()
	if err := <-w.done; err != nil {
		w.t.Errorf("Run = %v, want nil after a stop that was asked for", err)
	}
	w.pass(time.Second) // for the fakes to end
	w.audit()
	w.must(w.queue.Verify())
	w.must(w.queue.Close())
	w.must(queue.Check(w.path))
	w.g = nil
}

// kill ends the gateway as a kill -9 does: the file is what it is at this moment, acknowledgements that no commit took
// along are gone.
func (w *world) kill() {
	w.t.Helper()
	w.wait()
	w.collect()
	image, err := os.ReadFile(w.path)
	w.must(err)
	acks, noted := os.ReadFile(w.path + ".acks") // the queue's note, which the death of the process leaves as well
	w.broker.deaf(true)
	w.setFault(nil)
	w.cancel()
	<-w.done
	w.pass(time.Millisecond)
	w.must(w.queue.Close())
	w.runs++
	w.path = filepath.Join(w.dir, fmt.Sprintf("queue-%d.db", w.runs))
	w.must(os.WriteFile(w.path, image, 0o600))
	if noted == nil {
		w.must(os.WriteFile(w.path+".acks", acks, 0o600))
	}
	w.must(queue.Check(w.path))
	w.broker.deaf(false)
	w.g = nil
}

func (w *world) finish() {
	w.stop()
	w.broker.validate()
}

// collect notes which events have got receipts.
func (w *world) collect() {
	for _, l := range []*fakeLink{w.link, w.wifi} {
		for _, s := range l.take() {
			raw, err := proto.Parse(s.frame)
			if err != nil || raw.Type != proto.TypeReceipt {
				continue
			}
			for c := raw.Counter; c < 1<<18; c += 1 << 16 { // only the low bits travel
				if id := (ID{raw.Node, raw.Gen, c}); w.made[id] {
					w.receipted[id] = true
				}
			}
		}
	}
}

// audit checks what must hold whatever happened: an event with a receipt has been acknowledged by the receiver, or
// waits in the queue, or was set aside; and nothing was published that no node had.
func (w *world) audit() {
	w.t.Helper()
	w.collect()
	known := w.broker.acknowledged()
	for p := range queue.Routine + 1 {
		items, err := w.g.sinks[0].cursor.Next(p, 0, 1<<20)
		w.must(err)
		for _, it := range items {
			if e, err := parseEvent(it.Value); err != nil {
				w.t.Errorf("event %d in the queue: %v", it.Seq, err)
			} else {
				known[e.id()] = true
			}
		}
	}
	dead, err := w.queue.Dead()
	w.must(err)
	for _, d := range dead {
		if e, err := parseEvent(d.Value); err == nil {
			known[e.id()] = true
		}
	}
	for id := range w.receipted {
		if !known[id.String()] {
			w.t.Errorf("event %v has a receipt, but is neither acknowledged nor in the queue", id)
		}
	}
	for _, p := range w.broker.events() {
		if strings.HasPrefix(p.id, "gateway.") {
			continue
		}
		var id ID
		if _, err := fmt.Sscanf(strings.TrimSuffix(p.id, ".time"), "%d.%d.%d", &id.Node, &id.Gen, &id.Counter); err != nil || !w.made[id] {
			w.t.Errorf("event %q was published, but no node had it", p.id)
		}
	}
}

// --- clock ---

type testClock struct {
	mu    sync.Mutex
	start time.Time
	wall  time.Time
	mono  time.Duration
	boot  [16]byte
	set   bool
}

func newTestClock(wall time.Time, mono time.Duration, boot byte, set bool) *testClock {
	return &testClock{start: time.Now(), wall: wall, mono: mono, boot: [16]byte{0xb0, boot}, set: set}
}

func (c *testClock) clock() Clock {
	return Clock{Wall: c.Wall, Mono: c.Mono, Boot: c.boot, Set: c.isSet}
}
func (c *testClock) Wall() time.Time {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.wall.Add(time.Since(c.start))
}
func (c *testClock) Mono() time.Duration { return c.mono + time.Since(c.start) }
func (c *testClock) isSet() bool {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.set
}

// put sets the wall clock, or (set false) takes the trust in it away.
func (c *testClock) put(wall time.Time, set bool) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.wall, c.set = wall.Add(-time.Since(c.start)), set
}

// --- bearer ---

type sentFrame struct {
	at    time.Time
	to    string
	frame []byte
}

type fakeLink struct {
	name  string
	in    chan radio.Packet
	mu    sync.Mutex
	sent  []sentFrame
	taken int
	down  bool
	away  atomic.Bool
	block chan struct{}

	permit func(frame []byte) error // nil: all is permitted
}

// setPermit has a ledger decide what may be sent.
func (l *fakeLink) setPermit(f func(frame []byte) error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.permit = f
}

func newFakeLink(name string) *fakeLink { return &fakeLink{name: name, in: make(chan radio.Packet)} }

func (l *fakeLink) Name() string { return l.name }

// unplug takes the device away.
func (l *fakeLink) unplug(away bool) { l.away.Store(away) }
func (l *fakeLink) Up() bool         { return !l.away.Load() }

// fail has Send fail, as when the modem is unplugged or may not transmit.
func (l *fakeLink) fail(on bool) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.down = on
}

func (l *fakeLink) Run(ctx context.Context, deliver func(radio.Packet)) error {
	for {
		select {
		case <-ctx.Done():
			return nil
		case p := <-l.in:
			deliver(p)
		}
	}
}

func (l *fakeLink) Send(ctx context.Context, to string, frame []byte) error {
	l.mu.Lock()
	down, block, permit := l.down, l.block, l.permit
	l.mu.Unlock()
	if down {
		return radio.ErrDown
	}
	if permit != nil {
		if err := permit(frame); err != nil {
			return err
		}
	}
	if block != nil {
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-block:
		}
	}
	l.mu.Lock()
	defer l.mu.Unlock()
	l.sent = append(l.sent, sentFrame{time.Now(), to, bytes.Clone(frame)})
	return nil
}

func (l *fakeLink) all() []sentFrame {
	l.mu.Lock()
	defer l.mu.Unlock()
	return slices.Clone(l.sent)
}

func (l *fakeLink) take() []sentFrame {
	l.mu.Lock()
	defer l.mu.Unlock()
	out := l.sent[l.taken:]
	l.taken = len(l.sent)
	return out
}

// hear puts a frame on the air at the gateway's modem.
func (l *fakeLink) hear(frame []byte) {
	p := radio.Packet{Frame: bytes.Clone(frame), At: time.Now(), Bearer: l.name}
	if l.name == "lora" {
		p.Measured, p.RSSI, p.SNR = true, -97.5, 4.25
	} else {
		p.From = "10.0.0.7:5000"
	}
	l.in <- p
}

// hear puts frames on the air one after another and lets the gateway deal with each.
func (w *world) hear(frames ...[]byte) {
	for _, f := range frames {
		w.link.hear(f)
		w.wait()
	}
}

// --- node ---

type testNode struct {
	w       *world
	id, gen uint8
	next    uint32 // event counter
	checks  uint32 // check-in counter
	group   uint32 // of the last group frame
	timed   bool   // knows the gateway's time
}

func (w *world) node(name string) *testNode {
	n, err := w.roster.Named(name)
	w.must(err)
	return &testNode{w: w, id: n.ID, gen: n.Gen, next: 1, checks: 1, timed: true}
}

func (n *testNode) keys() *proto.Keys {
	k, err := n.w.roster.Keys(n.id, n.gen)
	n.w.must(err)
	return k
}

// now is the send time that the node writes: what a clock set by a receipt shows.
func (n *testNode) now() proto.SendTime {
	if !n.timed {
		return proto.SendTime{Seconds: proto.NoTime}
	}
	e := n.w.g.in.epochs // number and base do not change within a run
	return proto.Instant{Epoch: e.number, Since: n.w.clock.Mono() - e.base}.SendTime()
}

func (n *testNode) header(t proto.Type, counter uint32, attempt uint16) proto.Header {
	return proto.Header{Type: t, HopsLeft: 7, Site: n.w.roster.Site, Node: n.id, Gen: n.gen, Counter: counter, Attempt: attempt}
}

func (n *testNode) seal(h proto.Header, b proto.Body) []byte {
	if h.Type.Event() {
		n.w.made[ID{n.id, n.gen, h.Counter}] = true
	}
	f, err := proto.Seal(nil, n.keys(), h, b)
	n.w.must(err)
	return f
}

// open is the next trip's opening, sealed now.
func (n *testNode) open() []byte {
	n.next++
	return n.opened(n.next-1, 0, 200*time.Millisecond)
}

func (n *testNode) opened(counter uint32, attempt uint16, age time.Duration) []byte {
	return n.seal(n.header(proto.TypeTripOpened, counter, attempt), &proto.TripOpened{
		Input: proto.Input{Active: true, Supervised: true}, Age: proto.EncodeDur8(age), Sent: n.now(),
		Battery: proto.EncodeBattery(3.6), Temperature: 12})
}

// close is the next frame, the end of the trip whose opening came back before.
func (n *testNode) close(back uint8, dwell time.Duration) []byte {
	n.next++
	return n.seal(n.header(proto.TypeTripClosed, n.next-1, 0), &proto.TripClosed{Sent: n.now(), Dwell: proto.EncodeDur16(dwell), Opened: back})
}

func (n *testNode) held(counter uint32, attempt uint16, age time.Duration) []byte {
	return n.seal(n.header(proto.TypeTripHeld, counter, attempt), &proto.TripHeld{Age: proto.EncodeWideAge(age), Sent: n.now(),
		Battery: proto.NoBattery})
}

func (n *testNode) fault(k proto.FaultKind, ended bool) []byte {
	n.next++
	return n.seal(n.header(proto.TypeFault, n.next-1, 0), &proto.Fault{Kind: k, Ended: ended, Sent: n.now(), Argument: 7,
		Battery: proto.NoBattery, Temperature: proto.NoTemperature})
}

func (n *testNode) checkIn(edit ...func(*proto.CheckIn)) []byte {
	b := &proto.CheckIn{Sent: n.now(), Battery: proto.EncodeBattery(3.6), Temperature: 11, Next: uint16(n.next), Restarts: 2,
		HeardRSSI: proto.NoRSSI, HeardSNR: proto.NoSNR, Noise: proto.NoRSSI}
	for _, f := range edit {
		f(b)
	}
	n.checks++
	return n.seal(n.header(proto.TypeCheckIn, n.checks-1, 0), b)
}

// receipt is a receipt as the node reads it.
type receipt struct {
	sentFrame
	proto.Raw
	*proto.Receipt
	counter uint32
}

// receipts reads every receipt to the node that this run has sent by LoRa.
func (n *testNode) receipts() []receipt {
	var out []receipt
	for _, s := range n.w.link.all() {
		raw, err := proto.Parse(s.frame)
		n.w.must(err)
		if raw.Node != n.id || raw.Gen != n.gen {
			continue
		}
		newest := n.next + 300 // tests make up counters as well
		if raw.Type == proto.TypeCheckInReceipt {
			newest = n.checks
		}
		counter, ok := proto.ResolveBehind(uint16(raw.Counter), newest)
		if !ok {
			n.w.t.Fatalf("receipt answers counter %d, the node's newest is %d", raw.Counter, newest)
		}
		b, err := raw.Open(n.keys(), counter)
		n.w.must(err)
		out = append(out, receipt{s, raw, b.(*proto.Receipt), counter})
	}
	return out
}

// eventReceipts leaves out those for check-ins.
func (n *testNode) eventReceipts() []receipt {
	return slices.DeleteFunc(n.receipts(), func(r receipt) bool { return r.Raw.Type != proto.TypeReceipt })
}

func (n *testNode) idOf(counter uint32) string { return ID{n.id, n.gen, counter}.String() }

// relay sends a frame on as a relay does.
func (w *world) relay(frame []byte, name string, rssi, snr float64, held time.Duration) []byte {
	w.t.Helper()
	n := w.node(name)
	out, err := proto.AppendHop(frame, n.keys(), proto.Hop{Relay: n.id, Gen: n.gen, RSSI: proto.EncodeRSSI(rssi),
		SNR: proto.EncodeSNR(snr), Held: proto.EncodeDur8(held)})
	w.must(err)
	return out
}

// --- receiver ---

// pub is a publication as the receiver got it.
type pub struct {
	at      time.Time
	session int
	second  bool
	topic   string
	qos     byte
	retain  bool
	payload []byte
	id      string // of a CloudEvent
	typ     string
	doc     map[string]any // all of the payload
	data    map[string]any // of a CloudEvent
	acked   bool
}

func (p *pub) delayed() bool { return p.data["delayed"] == true }

// verdict is what a receiver does with a publication.
type verdict int

const (
	ack    verdict = iota // after fakeBroker.latency
	hold                  // never acknowledge
	kill                  // end the session at once; earlier ones that are not acknowledged yet never will be
	killAt                // acknowledge what came before, then end the session
)

type fakeBroker struct {
	t        *testing.T
	mu       sync.Mutex
	pubs     []*pub
	sessions []*fakeSession
	refuse   bool // refuse to be dialled
	ignore   bool // record nothing
	latency  time.Duration
	fast     bool          // a second session acknowledges at once
	deadline time.Duration // of acknowledgement, after which a session ends
	lateDone bool          // a session that ends reports what was acknowledged after Closed is closed
	judge    func(s *fakeSession, p *pub) verdict
	dials    int
}

func newFakeBroker(t *testing.T) *fakeBroker {
	return &fakeBroker{t: t, latency: 5 * time.Millisecond, deadline: 20 * time.Second}
}

func (b *fakeBroker) set(f func(*fakeBroker)) {
	b.mu.Lock()
	defer b.mu.Unlock()
	f(b)
}

func (b *fakeBroker) deaf(on bool) { b.set(func(b *fakeBroker) { b.ignore = on }) }

// down makes the receiver go away, or come back.
func (b *fakeBroker) down(on bool) {
	b.set(func(b *fakeBroker) { b.refuse = on })
	if on {
		b.cut()
	}
	synctest.Wait() // the sinks have seen it: what follows meets no session that is dead already
}

// cut ends every session.
func (b *fakeBroker) cut() {
	b.mu.Lock()
	sessions := slices.Clone(b.sessions)
	b.mu.Unlock()
	for _, s := range sessions {
		s.end(errors.New("cut"))
	}
}

func (b *fakeBroker) dial(ctx context.Context, second bool) (Session, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.dials++
	if b.refuse {
		return nil, errors.New("connection refused")
	}
	s := &fakeSession{b: b, n: len(b.sessions), second: second, wake: make(chan struct{}, 1), stop: make(chan struct{}),
		closed: make(chan struct{})}
	b.sessions = append(b.sessions, s)
	go s.run()
	return s, nil
}

// all lists publications, in order of arrival, whose topic ends in one of the suffixes.
func (b *fakeBroker) all(suffix ...string) []*pub {
	b.mu.Lock()
	defer b.mu.Unlock()
	var out []*pub
	for _, p := range b.pubs {
		for _, s := range suffix {
			if strings.HasSuffix(p.topic, s) {
				out = append(out, p)
			}
		}
	}
	return out
}

// faults are the publications of faults with one of these codes.
func (w *world) faults(codes ...string) []*pub {
	return slices.DeleteFunc(w.broker.all("/fault"), func(p *pub) bool { return !slices.Contains(codes, p.data["code"].(string)) })
}

func (b *fakeBroker) events() []*pub { return b.all("/trip", "/test", "/fault") }

// of lists the publications of one event.
func (b *fakeBroker) of(id string) []*pub {
	return slices.DeleteFunc(b.events(), func(p *pub) bool { return p.id != id })
}

// last is the latest payload of a topic; nil if there is none or it was cleared.
func (b *fakeBroker) last(suffix string) map[string]any {
	all := b.all(suffix)
	if len(all) == 0 {
		return nil
	}
	return all[len(all)-1].doc
}

func (b *fakeBroker) acknowledged() map[string]bool {
	b.mu.Lock()
	defer b.mu.Unlock()
	m := map[string]bool{}
	for _, p := range b.pubs {
		if p.acked && p.id != "" {
			m[p.id] = true
		}
	}
	return m
}

// validate has the official CloudEvents SDK read every event.
func (b *fakeBroker) validate() {
	for _, p := range b.events() {
		var e cloudevents.Event
		if err := json.Unmarshal(p.payload, &e); err != nil {
			b.t.Fatalf("event %s: %v\n%s", p.id, err, p.payload)
		}
		if err := e.Validate(); err != nil {
			b.t.Fatalf("event %s: %v\n%s", p.id, err, p.payload)
		}
		if e.Source() != "/longlane/"+site || e.ID() == "" || e.DataContentType() != "application/json" {
			b.t.Errorf("event %q of %q, %q", e.ID(), e.Source(), e.DataContentType())
		}
		for _, key := range []string{"time", "received_at"} {
			for _, m := range []map[string]any{p.doc, p.data} {
				if s, ok := m[key].(string); ok {
					if _, err := time.Parse(time.RFC3339, s); err != nil {
						b.t.Errorf("event %s: %s: %v", p.id, key, err)
					}
				}
			}
		}
		if p.qos != 1 || p.retain {
			b.t.Errorf("event %s was published with QoS %d, retain %v, want 1, false", p.id, p.qos, p.retain)
		}
	}
}

func (b *fakeBroker) receive(s *fakeSession, topic string, qos byte, retain bool, payload []byte) (*pub, verdict) {
	b.mu.Lock()
	defer b.mu.Unlock()
	p := &pub{at: time.Now(), session: s.n, second: s.second, topic: topic, qos: qos, retain: retain, payload: bytes.Clone(payload)}
	if len(payload) > 0 {
		if err := json.Unmarshal(payload, &p.doc); err != nil {
			b.t.Errorf("payload on %s: %v", topic, err)
		}
	}
	p.id, _ = p.doc["id"].(string)
	p.typ, _ = p.doc["type"].(string)
	p.data, _ = p.doc["data"].(map[string]any)
	if b.ignore {
		return p, hold
	}
	b.pubs = append(b.pubs, p)
	if b.judge == nil {
		return p, ack
	}
	return p, b.judge(s, p)
}

type fakeSession struct {
	b      *fakeBroker
	n      int
	second bool
	wake   chan struct{}
	stop   chan struct{}
	closed chan struct{}

	mu      sync.Mutex
	waiting []*sending
	err     error
}

type sending struct {
	p    *pub
	v    verdict
	due  time.Time
	done func(error)
}

func (s *fakeSession) Publish(topic string, qos byte, retain bool, payload []byte, done func(error)) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.err != nil {
		go done(s.err)
		return
	}
	if len(s.waiting) >= 256 {
		s.b.t.Errorf("a session was given more than 256 messages")
	}
	p, v := s.b.receive(s, topic, qos, retain, payload)
	latency := s.b.latency
	if s.second && s.b.fast {
		latency = 0
	}
	s.waiting = append(s.waiting, &sending{p, v, time.Now().Add(latency), done})
	if v == kill {
		s.endLocked(errors.New("refused"))
	}
	select {
	case s.wake <- struct{}{}:
	default:
	}
}

func (s *fakeSession) end(err error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.endLocked(err)
}

func (s *fakeSession) endLocked(err error) {
	if s.err == nil {
		s.err = err
		close(s.stop)
	}
}

func (s *fakeSession) head() *sending {
	s.mu.Lock()
	defer s.mu.Unlock()
	if len(s.waiting) == 0 {
		return nil
	}
	return s.waiting[0]
}

func (s *fakeSession) settle(err error) {
	s.mu.Lock()
	m := s.waiting[0]
	s.waiting = s.waiting[1:]
	s.mu.Unlock()
	if err == nil {
		s.b.set(func(*fakeBroker) { m.p.acked = true })
	}
	m.done(err)
}

// run decides outcomes in order, as the contract of a session has it.
func (s *fakeSession) run() {
	for {
		m := s.head()
		if m == nil {
			select {
			case <-s.stop:
				s.finish()
				return
			case <-s.wake:
			}
			continue
		}
		wait := time.Until(m.due)
		if m.v == hold {
			wait = s.b.deadline
		}
		t := time.NewTimer(wait)
		select {
		case <-s.stop:
			t.Stop()
			s.finish()
			return
		case <-t.C:
		}
		switch m.v {
		case ack:
			s.settle(nil)
		case hold:
			s.end(errors.New("no acknowledgement"))
		case killAt:
			s.end(errors.New("refused"))
		}
	}
}

func (s *fakeSession) finish() {
	if !s.b.lateDone {
		defer close(s.closed)
	} else {
		close(s.closed)
		elapse(time.Nanosecond) // all other goroutines of the bubble act first
	}
	for m := s.head(); m != nil; m = s.head() {
		if s.b.lateDone && m.v == ack {
			s.settle(nil) // it had arrived, and is told of late
		} else {
			s.settle(s.Err())
		}
	}
}

func (s *fakeSession) Closed() <-chan struct{} { return s.closed }
func (s *fakeSession) Err() error {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.err
}
func (s *fakeSession) Close() {
	s.end(errors.New("closed"))
	<-s.closed
}

// --- meter ---

type countMeter struct {
	t        *testing.T
	mu       sync.Mutex
	frames   map[string]int // by verdict
	drops    map[string]int
	receipts map[string]int
	hints    map[string]int // by kind and result
	hops     []string
	lanes    map[string]int // acknowledged, by lane
	heard    map[string]int // by annunciator and what; by what; unheard; tests
	block    chan struct{}  // holds up whoever counts a frame
}

func newCountMeter(t *testing.T) *countMeter {
	return &countMeter{t: t, frames: map[string]int{}, drops: map[string]int{}, receipts: map[string]int{}, hints: map[string]int{}, lanes: map[string]int{}, heard: map[string]int{}}
}

func (m *countMeter) add(to map[string]int, key string, known ...string) {
	m.mu.Lock()
	defer m.mu.Unlock()
	to[key]++
	if len(known) > 0 && !slices.Contains(known, key) {
		m.t.Errorf("%q is counted, but is not in the closed list %q", key, known)
	}
}

func (m *countMeter) frame(verdict string) { m.add(m.frames, verdict, Verdicts...) }
func (m *countMeter) Hop(from, to string, rssi, snr, margin float64, ok bool) {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.hops = append(m.hops, fmt.Sprintf("%s>%s %g %g %g %v", from, to, rssi, snr, margin, ok))
}
func (m *countMeter) Receipt(_, result string) { m.add(m.receipts, result, "sent", "failed", "late") }
func (m *countMeter) Hint(_, what, result string) {
	m.add(m.hints, what+" "+result, "beacon sent", "beacon failed", "beacon late", "hop acknowledgement sent",
		"hop acknowledgement failed", "hop acknowledgement late")
}
func (m *countMeter) Committed(time.Duration, bool) {}
func (m *countMeter) Session(string, string)        {}
func (m *countMeter) Heard(who, what string, _ time.Duration) {
	m.add(m.heard, who+" "+what)
	m.add(m.heard, what, Whats...)
}
func (m *countMeter) Unheard() { m.add(m.heard, "unheard") }
func (m *countMeter) Tested(node string, passed bool, _ time.Duration) {
	m.add(m.heard, fmt.Sprint("test of ", node, " ", passed))
}
func (m *countMeter) Dropped(what string) { m.add(m.drops, what, Drops...) }
func (m *countMeter) Published(_, lane string, _ time.Duration, ok bool) {
	if ok {
		m.add(m.lanes, lane, "live", "backlog", "state")
	}
}

func (m *countMeter) Frame(_, verdict string) {
	m.mu.Lock()
	block := m.block
	m.mu.Unlock()
	if block != nil {
		<-block
	}
	m.frame(verdict)
}

func (m *countMeter) count(of map[string]int, key string) int {
	m.mu.Lock()
	defer m.mu.Unlock()
	return of[key]
}

func (m *countMeter) verdicts() map[string]int {
	m.mu.Lock()
	defer m.mu.Unlock()
	return maps.Clone(m.frames)
}

// --- seeds ---

// seeded runs f for some seeds; the seed of a failure is in its name.
func seeded(t *testing.T, n int, f func(t *testing.T, rng *rand.Rand)) {
	base := uint64(time.Now().UnixNano())
	for i := range n {
		seed := base + uint64(i)
		t.Run(fmt.Sprintf("seed=%d", seed), func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) { f(t, rand.New(rand.NewPCG(seed, 1))) })
		})
	}
}
