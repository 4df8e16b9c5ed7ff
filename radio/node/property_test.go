package node

import (
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"longlane/proto"
)

// world is a gateway that loses, repeats, delays and forges, and that knows which events it has on its disk.
type world struct {
	t       *testing.T
	b       *bench
	r       *rand.Rand
	loss    float64
	durable map[uint32]bool // events of which a genuine receipt has been made
	made    map[uint32]Observed
	over    map[uint32]bool // released, dropped, or lost in a restart
	pending []delivery      // receipts on their way
	old     [][]byte        // receipts that an attacker has kept
	lost    int             // events dropped or lost in restarts
}

type delivery struct {
	at    time.Duration
	frame []byte
}

func newWorld(t *testing.T, seed uint64) *world {
	r := rand.New(rand.NewPCG(seed, 77))
	b := newBench(t, Config{Inputs: []InputConfig{{}, {Number: 3, NormallyClosed: true}}, CheckIn: time.Minute, Seed: seed << 20})
	w := &world{t: t, b: b, r: r, loss: r.Float64() * 0.9, durable: map[uint32]bool{}, made: map[uint32]Observed{},
		over: map[uint32]bool{}}
	b.seen, b.onSent = w.observed, w.heard
	return w
}

func (w *world) observed(o Observed) {
	switch o.What {
	case Made:
		if _, ok := w.made[o.Counter]; ok {
			w.t.Errorf("event %d was made twice", o.Counter)
		}
		w.made[o.Counter] = o
	case Released:
		if !w.durable[o.Counter] {
			w.t.Errorf("event %d was let go without a receipt", o.Counter)
		}
		w.over[o.Counter] = true
	case Dropped:
		w.count(o)
		w.over[o.Counter] = true
	}
}

// heard is what the gateway does with a frame.
func (w *world) heard(f sent) {
	if w.r.Float64() < w.loss {
		return
	}
	typ := proto.TypeReceipt
	if f.raw.Type == proto.TypeCheckIn {
		typ = proto.TypeCheckInReceipt
	}
	h, r := w.b.receiptFor(typ, f.full, uint8(f.raw.Attempt))
	if typ == proto.TypeReceipt {
		w.durable[f.full] = true
		for i := range uint32(16) {
			if f.full > i && w.durable[f.full-1-i] {
				r.Also |= 1 << i
			}
		}
		r.Confirm = w.r.IntN(4) == 0
	}
	frame := w.b.sealed(h, r)
	w.old = append(w.old, frame)
	for range 1 + w.r.IntN(2)*w.r.IntN(3) {
		if w.r.Float64() >= w.loss {
			w.pending = append(w.pending, delivery{w.b.now + time.Duration(w.r.IntN(3000))*time.Millisecond, frame})
		}
	}
}

// forge gives the node a receipt that nobody genuine has made, or one long gone.
func (w *world) forge() {
	h, r := w.b.receiptFor(proto.TypeReceipt, 0, 0)
	w.b.number--
	h.Number += 1000000
	if held := w.b.heldCounters(); len(held) > 0 {
		h.Counter = held[w.r.IntN(len(held))]
	}
	r.Also = 0xffff
	f := w.b.sealed(h, r)
	switch w.r.IntN(3) {
	case 0:
		f[14+w.r.IntN(len(f)-14)] ^= 1 << w.r.IntN(8)
	case 1:
		f[w.r.IntN(14)] ^= 1 << w.r.IntN(8)
		if f[1]>>4 == 0 && f[1]&0x0f != 7 {
			return // hops left is not covered: what is left would be genuine
		}
	case 2:
		if len(w.old) == 0 {
			return
		}
		f = w.old[w.r.IntN(len(w.old))]
	}
	w.b.receive(f)
}

func (w *world) run(steps int) {
	for range steps {
		w.deliver(w.b.now + time.Duration(w.r.ExpFloat64()*float64(2*time.Second)))
		switch n := w.r.IntN(20); {
		case n < 12:
			w.b.edge(uint8(3*w.r.IntN(2)), w.r.IntN(2) == 0)
		case n < 16:
			w.forge()
		case n == 16 && w.r.IntN(5) == 0:
			w.restart()
		case n == 17:
			w.b.broken.radio = w.r.IntN(4) == 0
		case n == 18:
			w.b.step(Measured{Battery: 3 + w.r.Float64(), Temperature: 3, Noise: -110})
		}
		w.check()
	}
}

func (w *world) deliver(until time.Duration) {
	for {
		i := -1
		for j, d := range w.pending {
			if d.at <= until && (i < 0 || d.at < w.pending[i].at) {
				i = j
			}
		}
		if i < 0 {
			break
		}
		d := w.pending[i]
		w.pending = slices.Delete(w.pending, i, i+1)
		w.b.until(max(d.at, w.b.now))
		w.b.receive(d.frame)
	}
	w.b.until(until)
}

func (w *world) restart() {
	for c, o := range w.made {
		if !w.over[c] {
			w.over[c] = true
			w.count(o)
		}
	}
	w.b.start()
}

// count counts a lost event. A lost report of losses is none: what it says is reported again.
func (w *world) count(o Observed) {
	if o.Fault != proto.FaultLost {
		w.lost++
	}
}

// check compares what the node holds with what it must hold: all it made, less what was receipted or lost.
func (w *world) check() {
	w.t.Helper()
	var want []uint32
	for c := range w.made {
		if !w.over[c] {
			want = append(want, c)
		}
	}
	slices.Sort(want)
	if got := w.b.heldCounters(); !slices.Equal(got, want) {
		w.t.Fatalf("at %v the node holds %v, want %v", w.b.now, got, want)
	}
	if len(want) > maxHeld {
		w.t.Fatalf("the node holds %d events", len(want))
	}
}

func TestHoldsWhatHasNoReceipt(t *testing.T) {
	for seed := range uint64(40) {
		w := newWorld(t, seed)
		w.run(300)
		w.drain()
		if t.Failed() {
			t.Fatalf("seed %d, loss %.2f", seed, w.loss)
		}
	}
}

// drain: with a gateway that always answers, everything held goes, within the time that the slowest retry takes.
func (w *world) drain() {
	w.loss, w.b.broken.radio = 0, false
	for end := w.b.now + 40*time.Minute; w.b.now < end && w.b.n.Held() > 0; {
		w.deliver(w.b.now + time.Second)
		w.check()
	}
	if held := w.b.heldCounters(); len(held) > 0 {
		w.t.Errorf("%d events are held 40 min after the gateway came back: %v", len(held), held)
	}
}

// TestReportedLossCoversTheTruth: the faults "events lost" that the gateway gets add up to at least what was lost.
func TestReportedLossCoversTheTruth(t *testing.T) {
	for seed := range uint64(30) {
		w := newWorld(t, 1000+seed)
		reported := map[uint32]int{} // as the gateway first stored it
		inner := w.b.onSent
		w.b.onSent = func(f sent) {
			inner(f)
			if b, ok := f.body.(*proto.Fault); ok && b.Kind == proto.FaultLost && w.durable[f.full] && reported[f.full] == 0 {
				reported[f.full] = int(b.Argument)
			}
		}
		w.run(300)
		for range 300 {
			w.b.edge(0, true)
			w.b.until(w.b.now + 100*time.Millisecond)
			w.b.edge(0, false)
			w.b.until(w.b.now + 100*time.Millisecond)
		}
		w.loss = 0
		w.drain()
		sum := 0
		for c, n := range reported {
			if w.over[c] {
				sum += n
			}
		}
		if sum < w.lost {
			t.Fatalf("seed %d: reported %d lost, %d were", 1000+seed, sum, w.lost)
		}
	}
}

// TestStoreIsBounded: with no gateway at all the newest 255 stay, and the loss is counted.
func TestStoreIsBounded(t *testing.T) {
	b := newBench(t, Config{Inputs: []InputConfig{{}}})
	dropped, reports := 0, 0 // a report of losses that is dropped is no loss itself: it is made again
	b.seen = func(o Observed) {
		switch {
		case o.What == Dropped && o.Fault == proto.FaultLost:
			reports++
		case o.What == Dropped:
			dropped++
		}
	}
	for range 400 {
		b.edge(0, true)
		b.until(b.now + time.Second)
		b.edge(0, false)
		b.until(b.now + time.Second)
	}
	held := b.heldCounters()
	if len(held) != maxHeld || int(b.n.Stats().Dropped) != dropped+reports || reports == 0 || dropped < 400*2-maxHeld {
		t.Errorf("after 800 events %d are held, %d and %d reports dropped (%d counted), want %d held and at least %d dropped",
			len(held), dropped, reports, b.n.Stats().Dropped, maxHeld, 400*2-maxHeld)
	}
	if last := held[len(held)-1]; last-held[0] >= maxHeld {
		t.Errorf("events %d to %d are held, more than %d apart", held[0], last, maxHeld)
	}
	if !slices.ContainsFunc(b.n.held, func(e event) bool { return e.fault == proto.FaultLost }) {
		t.Error("the loss is not among what is held to be reported")
	}
	reported, drops := 0, b.seen
	b.seen = func(o Observed) {
		drops(o) // the last report may cost one more
		if o.What == Released && o.Fault == proto.FaultLost {
			reported += arguments(b)[o.Counter]
		}
	}
	b.serve(b.now + 12*time.Hour)
	if b.n.Held() != 0 || reported != dropped {
		t.Errorf("%d events were dropped, %d reported, %d are held", dropped, reported, b.n.Held())
	}
}

// arguments are what faults said, by counter.
func arguments(b *bench) map[uint32]int {
	out := map[uint32]int{}
	for _, f := range b.sent {
		if p, ok := f.body.(*proto.Fault); ok {
			out[f.full] = int(p.Argument)
		}
	}
	return out
}

// TestAirtimeInAnOutage: a full store costs about what one event does.
func TestAirtimeInAnOutage(t *testing.T) {
	b := newBench(t, Config{Inputs: []InputConfig{{}}, CheckIn: 12 * time.Hour})
	for range 100 {
		b.edge(0, true)
		b.until(b.now + time.Second)
		b.edge(0, false)
		b.until(b.now + time.Second)
	}
	b.until(time.Hour)
	before := len(b.sent)
	b.until(25 * time.Hour)
	if n := len(b.sent) - before; n > 24*60/10 {
		t.Errorf("200 held events were tried %d times in 24 h without a gateway, want at most one in 10 min", n)
	}
}

// TestRareRetries: after 1,000 attempts six hours lie between two; the attempt then travels in 16 bits.
func TestRareRetries(t *testing.T) {
	b := newBench(t, Config{Inputs: []InputConfig{{}}, CheckIn: 12 * time.Hour})
	b.edge(0, true)
	b.until(time.Second)
	b.n.held[0].attempt = manyAttempts
	b.until(48 * time.Hour)
	before := len(b.sent)
	b.until(48*time.Hour + 60*time.Hour)
	n := 0
	for _, f := range b.sent[before:] {
		if f.raw.Type != proto.TypeCheckIn && f.full == 1 {
			n++
		}
	}
	if n < 8 || n > 14 {
		t.Errorf("%d attempts in 60 h, want about 10", n)
	}
}

func TestLastAttempt(t *testing.T) {
	b := newBench(t, Config{Inputs: []InputConfig{{}}, CheckIn: 12 * time.Hour})
	b.edge(0, true)
	b.until(time.Second)
	b.n.held[0].attempt = lastAttempt - 1
	b.until(time.Minute)
	if containsCounter(b.heldCounters(), 1) || b.n.saved.Lost != 1 {
		t.Errorf("event 1 after its last attempt: held %v, lost %d", b.heldCounters(), b.n.saved.Lost)
	}
	top := uint16(0)
	for _, f := range b.sent {
		top = max(top, f.raw.Attempt)
	}
	if top != lastAttempt-1 {
		t.Errorf("the highest attempt sent was %d, want %d", top, lastAttempt-1)
	}
}

// TestCountersWithoutMemory: memory that cannot be written for a while is reported; numbers made meanwhile are reserved as
// soon as it can, so that none comes again after a restart (the bench finds every nonce that does).
func TestCountersWithoutMemory(t *testing.T) {
	b := newBench(t, Config{Inputs: []InputConfig{{}}, CheckIn: time.Minute})
	b.until(10 * time.Second)
	b.start()
	b.edge(0, true)
	b.until(b.now + time.Second)
	b.broken.memory = true
	b.edge(0, false)
	b.until(b.now + time.Minute)
	for range block {
		b.edge(0, true)
		b.until(b.now + time.Second)
		b.edge(0, false)
		b.until(b.now + time.Second)
	}
	if !slices.ContainsFunc(b.n.held, func(e event) bool { return e.fault == proto.FaultNumbers }) {
		t.Error("memory could not be written and no fault says so")
	}
	b.broken.memory = false
	b.until(b.now + 2*time.Minute)
	b.start()
	b.until(b.now + time.Hour)
}

// TestDriftApart: nodes that start at once do not check in together a day later, and none is late.
func TestDriftApart(t *testing.T) {
	var last []time.Duration
	for seed := range uint64(8) {
		b := newBench(t, Config{Seed: seed << 8, CheckIn: 15 * time.Minute})
		var at []time.Duration
		b.onSent = func(f sent) { at = append(at, f.at) }
		b.serve(24 * time.Hour)
		for i := 1; i < len(at); i++ {
			if gap := at[i] - at[i-1]; gap > 15*time.Minute {
				t.Errorf("seed %d: %v between two check-ins", seed, gap)
			}
		}
		last = append(last, at[len(at)-1])
	}
	slices.Sort(last)
	if spread := last[len(last)-1] - last[0]; spread < time.Minute {
		t.Errorf("after a day eight nodes check in within %v of one another", spread)
	}
}
