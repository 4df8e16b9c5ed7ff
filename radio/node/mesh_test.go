package node

import (
	"container/heap"
	"flag"
	"math"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"longlane/proto"
	"longlane/radio/ether/air"
	"longlane/radio/lora"
	"longlane/radio/route"
)

// mesh is nodes and a gateway in simulated air. The gateway is as simple as can be: it stores at once what it hears, and answers, as
// often as PROTOCOL.md, section 8, allows.
type mesh struct {
	t        *testing.T
	seed     uint64
	settings lora.Settings
	now      time.Duration
	todo     tasks
	seq      int
	air      *air.Air
	rand     *rand.Rand
	units    []*unit
	gate     gate
	made     map[meshID]time.Duration // openings, and when the contact closed
	stored   map[meshID]time.Duration // events, and when the gateway had them
	on       map[proto.Type]time.Duration
	carried  map[carryID]carry
	loops    int                           // frames that have been at a node twice
	twice    int                           // frames that a relay took up again
	sent     func(from int, raw proto.Raw) // looks at every frame sent
}

var (
	sf7  = lora.Settings{SpreadingFactor: 7, Bandwidth: 125000, CodingRate: 5, Preamble: 8}
	sf12 = lora.Settings{SpreadingFactor: 12, Bandwidth: 125000, CodingRate: 5, Preamble: 8}
)

// limitOf is the weakest signal that can be read, dBm.
func limitOf(s lora.Settings) float64 { return lora.Sensitivity(s, noiseFigure) }

const noiseFigure = 6 // dB

type meshID struct {
	node    uint8
	counter uint32
}

// unit is a node in the air.
type unit struct {
	m       *mesh
	index   int
	cfg     Config
	keys    *proto.Keys
	n       *Node
	dead    bool
	sending bool
	from    time.Duration // it listens
	until   time.Duration
	plan    time.Duration
	saved   []byte
	opened  []meshID // in the order made
}

type gate struct {
	sending bool
	queue   [][]byte
	beacons *route.Trickle
	plan    time.Duration
	number  uint32
	group   *proto.Keys
	counter uint32
	answers map[string]*answered
	off     bool
	highest map[meshID]uint32 // by node and space
}

type answered struct {
	first, last time.Duration
	times       int
	header      proto.Header
	attempt     uint8
}

type task struct {
	at  time.Duration
	seq int
	do  func()
}
type tasks []*task

func (a tasks) Len() int { return len(a) }
func (a tasks) Less(i, j int) bool {
	return a[i].at < a[j].at || a[i].at == a[j].at && a[i].seq < a[j].seq
}
func (a tasks) Swap(i, j int) { a[i], a[j] = a[j], a[i] }
func (a *tasks) Push(x any)   { *a = append(*a, x.(*task)) }
func (a *tasks) Pop() any {
	t := (*a)[len(*a)-1]
	*a = (*a)[:len(*a)-1]
	return t
}

func (m *mesh) at(t time.Duration, do func()) {
	m.seq++
	heap.Push(&m.todo, &task{max(t, m.now), m.seq, do})
}

func (m *mesh) until(t time.Duration) {
	for len(m.todo) > 0 && m.todo[0].at <= t {
		k := heap.Pop(&m.todo).(*task)
		m.now = k.at
		k.do()
	}
	m.now = t
}

const meshPower = 14

// newMesh makes nodes of which node i+1 hears the others at rssi(i, j) dBm, i < j; len(cfgs) is the gateway.
func newMesh(t *testing.T, seed uint64, s lora.Settings, cfgs []Config, fading air.Fading, rssi func(i, j int) float64) *mesh {
	t.Helper()
	m := &mesh{t: t, seed: seed, settings: s, rand: rand.New(rand.NewPCG(seed, 5)), made: map[meshID]time.Duration{}, stored: map[meshID]time.Duration{},
		on: map[proto.Type]time.Duration{}, carried: map[carryID]carry{}}
	var err error
	m.air, err = air.New(air.Options{Seed: seed, Stations: len(cfgs) + 1, NoiseFigure: noiseFigure, Fading: fading, Capture: air.Computed,
		Loss: func(a, b int) float64 { return meshPower - rssi(min(a, b), max(a, b)) }})
	if err != nil {
		t.Fatal(err)
	}
	key, err := proto.GroupKey(siteSecret, testSite, 1)
	if err != nil {
		t.Fatal(err)
	}
	m.gate = gate{group: keysOf(t, key), answers: map[string]*answered{}, highest: map[meshID]uint32{}}
	if m.gate.beacons, err = route.NewTrickle(route.Defaults(s).Beacons, seed, 0); err != nil {
		t.Fatal(err)
	}
	for i, c := range cfgs {
		c.Site, c.Node, c.Gen, c.GroupGen, c.GroupKey, c.Seed = testSite, uint8(i+1), 1, 1, key, seed<<16|uint64(i)
		if c.Key, err = proto.NodeKey(siteSecret, testSite, c.Node, 1); err != nil {
			t.Fatal(err)
		}
		c.Inputs, c.Modem = []InputConfig{{}}, s
		u := &unit{m: m, index: i, cfg: c, keys: keysOf(t, c.Key), saved: FirstSaved()}
		m.units = append(m.units, u)
		m.at(time.Duration(i)*100*time.Millisecond, u.start)
	}
	m.gate.beacon(m)
	return m
}

func (u *unit) start() {
	u.cfg.Seed += 1 << 40
	n, err := New(u.cfg, u.saved, u.m.now)
	if err != nil {
		u.m.t.Fatal(err)
	}
	u.n, u.sending, u.dead = n, false, false
	u.step(nil)
}

func (u *unit) step(in Input) {
	if u.dead || u.n == nil {
		return
	}
	m := u.m
	out, wake := u.n.Step(m.now, in)
	if wake <= m.now {
		m.t.Fatalf("seed %d: at %v node %d, given %#v, wants to be called again at %v", m.seed, m.now, u.cfg.Node, in, wake)
	}
	u.plan = wake
	m.at(wake, func() {
		if u.plan == wake {
			u.step(nil)
		}
	})
	for _, o := range out {
		switch o := o.(type) {
		case Persist:
			u.saved = o.Saved
			u.step(Stored{})
		case Listen:
			if u.until < m.now {
				u.from = m.now
			}
			u.until = max(u.until, o.Until)
		case Transmit:
			u.transmit(o.Frame)
		case Observed:
			if o.What == Made && o.Kind == Opening {
				id := meshID{u.cfg.Node, o.Counter}
				m.made[id] = m.now
				u.opened = append(u.opened, id)
			}
		}
	}
}

func (u *unit) transmit(frame []byte) {
	m, n := u.m, u.n
	if u.sending {
		m.t.Fatalf("seed %d: at %v node %d sends while it sends", m.seed, m.now, u.cfg.Node)
	}
	u.sending = true
	done := func(d TxDone) {
		if u.n == n { // else it has been restarted
			u.sending = false
			u.step(d)
		}
	}
	sense := air.Sensing(m.settings)
	m.at(m.now+sense, func() {
		if u.dead || u.n != n {
			return
		}
		if m.air.Busy(u.index, m.now, 0, m.settings) {
			done(TxDone{Failed: true, Busy: true})
			return
		}
		m.send(u.index, frame, func() { done(TxDone{}) })
	})
}

func (m *mesh) send(from int, frame []byte, ended func()) {
	raw, err := proto.Parse(frame)
	if err != nil {
		m.t.Fatal(err)
	}
	m.look(from, raw)
	if m.sent != nil {
		m.sent(from, raw)
	}
	long := m.settings.Airtime(len(frame))
	m.on[raw.Type] += long
	f := m.air.Send(air.Sending{From: from, At: m.now, Until: m.now + long, Power: meshPower, Settings: m.settings})
	m.at(m.now+long, func() {
		var heard []air.Reception
		for i := range m.units {
			heard = append(heard, m.air.Heard(f, i, m.units[i].since(f)))
		}
		gate := m.air.Heard(f, len(m.units), 0)
		ended()
		for i, r := range heard {
			if i != from && r.Loss == air.Heard {
				m.units[i].step(Received{append([]byte(nil), frame...), r.RSSI(), min(r.SNR(), 12)})
			}
		}
		if from != len(m.units) && gate.Loss == air.Heard && !m.gate.off {
			m.gate.heard(m, frame, gate)
		}
	})
}

// look finds frames that circulate, and such that a relay takes up twice.
func (m *mesh) look(from int, raw proto.Raw) {
	if raw.Type.Receipt() || raw.HopCount() == 0 {
		return
	}
	seen := map[uint8]bool{raw.Node: true}
	for i := range raw.HopCount() {
		id := raw.Hop(i).Relay
		if seen[id] {
			m.loops++
		}
		seen[id] = true
	}
	frame := raw.Append(nil)
	id := carryID{m.units[from].n, keyOf(raw, frame)}
	c, known := m.carried[id]
	before := string(frame[len(id.key) : len(frame)-proto.HopSize])
	if c.before != before && known {
		m.twice++
	}
	if m.carried[id] = (carry{before, c.times + 1}); c.times >= m.units[from].n.Hop.CarryTries {
		m.twice++
	}
}

// carryID is a frame that a relay sends on, in one of its lives.
type carryID struct {
	n   *Node
	key string
}

type carry struct {
	before string // the records that it came with
	times  int
}

func (u *unit) since(f *air.Frame) time.Duration {
	switch {
	case u.dead || u.n == nil:
		return never
	case u.cfg.Relay || u.cfg.Mains:
		return 0
	case f.At > u.until:
		return never
	}
	return u.from
}

func (g *gate) pump(m *mesh) {
	if g.sending || len(g.queue) == 0 || g.off {
		return
	}
	g.sending = true
	m.at(m.now+air.Sensing(m.settings), func() {
		if m.air.Busy(len(m.units), m.now, 0, m.settings) {
			m.at(m.now+time.Duration(m.rand.Int64N(int64(80*time.Millisecond))), func() { g.sending = false; g.pump(m) })
			return
		}
		frame := g.queue[0]
		g.queue = g.queue[1:]
		m.send(len(m.units), frame, func() { g.sending = false; g.pump(m) })
	})
}

func (g *gate) beacon(m *mesh) {
	fire, wake := g.beacons.Step(m.now)
	if fire && !g.off {
		g.counter++
		b := &proto.Beacon{Epoch: 1, Time: proto.EncodeGatewayTime(m.now), Noise: proto.NoRSSI}
		frame, err := proto.Seal(nil, g.group, proto.Header{Type: proto.TypeBeacon, Site: testSite, Node: proto.GatewayBase, Gen: 1, Counter: g.counter}, b)
		if err != nil {
			m.t.Fatal(err)
		}
		g.queue = append(g.queue, frame)
		g.pump(m)
	}
	g.plan = wake
	m.at(wake, func() {
		if g.plan == wake {
			g.beacon(m)
		}
	})
}

// heard stores and answers.
func (g *gate) heard(m *mesh, frame []byte, r air.Reception) {
	raw, err := proto.Parse(frame)
	switch {
	case err != nil || raw.Type.Receipt():
	case raw.Type.Group():
		g.hint(m, raw)
	default:
		g.store(m, raw)
	}
}

func (g *gate) hint(m *mesh, raw proto.Raw) {
	body, err := raw.Open(g.group, raw.Counter)
	if err != nil {
		m.t.Fatal(err)
	}
	switch b := body.(type) {
	case *proto.Solicit:
		if !b.Receipt {
			g.news(m)
			return
		}
		for tag, a := range g.answers {
			if tag[:len(b.Tag)] == string(b.Tag[:]) {
				g.answer(m, a)
			}
		}
	case *proto.Beacon:
		if b.Distance == proto.NoDistance {
			g.news(m)
		}
	}
}

func (g *gate) news(m *mesh) {
	g.beacons.Inconsistent(m.now)
	g.beacon(m)
}

func (g *gate) store(m *mesh, raw proto.Raw) {
	u := m.units[raw.Node-1]
	space := meshID{raw.Node, map[bool]uint32{false: 0, true: 1}[raw.Type == proto.TypeCheckIn]}
	counter := raw.Counter
	if !raw.WholeCounter() {
		counter = proto.Resolve(uint16(raw.Counter), g.highest[space])
	}
	if _, err := raw.Open(u.keys, counter); err != nil {
		return
	}
	g.highest[space] = max(g.highest[space], counter)
	typ := proto.TypeCheckInReceipt
	if raw.Type != proto.TypeCheckIn {
		typ = proto.TypeReceipt
		if id := (meshID{raw.Node, counter}); m.stored[id] == 0 {
			m.stored[id] = m.now
		}
	}
	a := g.answers[string(raw.Tag())]
	if a == nil {
		a = &answered{first: m.now, last: -time.Hour, attempt: uint8(raw.Attempt),
			header: proto.Header{Type: typ, HopsLeft: proto.MaxHops, Site: testSite, Node: raw.Node, Gen: 1, Counter: counter, Epoch: 1}}
		g.answers[string(raw.Tag())] = a
	}
	g.answer(m, a)
}

// answer gives a receipt, unless there were enough of late.
func (g *gate) answer(m *mesh, a *answered) {
	if m.now-a.last < 700*time.Millisecond || m.now-a.first > 10*time.Second || a.times >= 4 {
		return
	}
	a.last = m.now
	a.times++
	m.at(m.now+20*time.Millisecond, func() {
		g.number++
		a.header.Number = g.number
		b := &proto.Receipt{Attempt: a.attempt, Time: proto.EncodeGatewayTime(m.now)}
		frame, err := proto.Seal(nil, m.units[a.header.Node-1].keys, a.header, b)
		if err != nil {
			m.t.Fatal(err)
		}
		g.queue = append(g.queue, frame)
		g.pump(m)
	})
}

// visit closes a contact for a while.
func (u *unit) visit(dwell time.Duration) {
	u.step(Edge{0, true})
	u.m.at(u.m.now+dwell, func() { u.step(Edge{0, false}) })
}

// held is how many events have no receipt.
func (m *mesh) held() (n int) {
	for _, u := range m.units {
		n += u.n.Held()
	}
	return n
}

// delays are how long the openings took to be stored, sorted; those never stored count as for ever.
type delays []time.Duration

func (m *mesh) delays() (d delays) {
	for id, at := range m.made {
		if s, ok := m.stored[id]; ok {
			d = append(d, s-at)
		} else {
			d = append(d, math.MaxInt64)
		}
	}
	slices.Sort(d)
	return d
}

// within is the share that took no longer than t.
func (d delays) within(t time.Duration) float64 {
	i, _ := slices.BinarySearch(d, t+1)
	return float64(i) / float64(len(d))
}

// tell shows the figures, and fails if less than those shares took so long at the most, if anything is held, or if a frame circulated.
func (m *mesh) tell(title string, want map[time.Duration]float64) {
	m.t.Helper()
	d := m.delays()
	m.t.Logf("%s: %d trips, median %v, 99 %% %v, worst %v", title, len(d), d[len(d)/2], d[len(d)*99/100], d[len(d)-1])
	for _, t := range []time.Duration{1, 3, 10, 30} {
		m.t.Logf("  within %v: %.4f", t*time.Second, d.within(t*time.Second))
	}
	for typ, on := range m.on {
		m.t.Logf("  %v: %.0f ms of airtime a trip", typ, on.Seconds()*1000/float64(len(d)))
	}
	for t, share := range want {
		if got := d.within(t); got < share {
			m.t.Errorf("%s, seed %d: %.4f of %d trips within %v, want %.4f", title, m.seed, got, len(d), t, share)
		}
	}
	if n := m.held(); n > 0 || m.loops > 0 || m.twice > 0 {
		m.t.Errorf("%s, seed %d: %d events are held, %d frames circulated, %d were taken up again", title, m.seed, n, m.loops, m.twice)
	}
}

// law is a mean signal over ground: so much at the first distance, and 12 dB less for each doubling.
func law(first float64, i, j int) float64 {
	return first - 40*math.Log10(math.Abs(float64(i-j)))
}

var rayleigh = air.Fading{Kind: air.Rayleigh, Coherence: time.Second}

// TestFourHops: a gate at the end of a line of three relays, 10 dB above the limit from one to the next, in fading, while ten
// others along the line check in every minute.
func TestFourHops(t *testing.T) {
	cfgs := []Config{{}, {Relay: true}, {Relay: true}, {Relay: true}}
	for range 10 {
		cfgs = append(cfgs, Config{CheckIn: time.Minute})
	}
	where := func(i int) int { // stations 0 to 3, and 4 is the gateway; two of the others at each
		switch {
		case i == len(cfgs):
			return 4
		case i >= 4:
			return (i - 4) / 2
		}
		return i
	}
	margin := limitOf(sf7) + 10
	m := newMesh(t, 1, sf7, cfgs, rayleigh, func(i, j int) float64 {
		if where(i) == where(j) {
			return margin
		}
		return law(margin, where(i), where(j))
	})
	m.until(10 * time.Minute)
	clear(m.on)
	for range *trips {
		m.units[0].visit(3 * time.Second)
		m.until(m.now + 20*time.Second + time.Duration(m.rand.Int64N(int64(20*time.Second))))
	}
	m.until(m.now + 30*time.Minute)
	m.tell("four hops", map[time.Duration]float64{time.Second: 0.6, 3 * time.Second: 0.95, 10 * time.Second: 0.99})
}

// TestCrowd: fifty gates in one second, that hear one another, and that do not.
func TestCrowd(t *testing.T) {
	for _, c := range []struct {
		name   string
		hidden bool
		want   map[time.Duration]float64
	}{
		{"in hearing", false, map[time.Duration]float64{10 * time.Second: 0.8, 30 * time.Second: 0.97}},
		{"hidden", true, map[time.Duration]float64{3 * time.Minute: 0.97}},
	} {
		m := newMesh(t, 2, sf7, make([]Config, 50), rayleigh, func(i, j int) float64 {
			if j < 50 && c.hidden {
				return -200
			}
			return limitOf(sf7) + 15
		})
		m.until(20 * time.Minute)
		clear(m.on)
		for range *trips / 60 {
			for _, u := range m.units {
				m.at(m.now+time.Duration(m.rand.Int64N(int64(time.Second))), func() { u.visit(10 * time.Second) })
			}
			m.until(m.now + 10*time.Minute)
		}
		m.tell(c.name, c.want)
	}
}

// TestSlowChannel: at SF12, 125 kHz, over three hops every wait suits the channel: nothing is sent twice, and each trip and receipt is on
// the air three times.XX
func TestSlowChannel(t *testing.T) {
	m := newMesh(t, 1, sf12, []Config{{CheckIn: time.Hour}, {Relay: true, CheckIn: time.Hour}, {Relay: true, CheckIn: time.Hour}}, air.Fading{},
		func(i, j int) float64 { return law(limitOf(sf12)+10, i, j) })
	m.until(2 * time.Hour)
	clear(m.on)
	for range 30 {
		m.units[0].visit(3 * time.Second)
		m.until(m.now + 20*time.Minute)
	}
	m.until(m.now + time.Hour)
	m.tell("slow", map[time.Duration]float64{8 * time.Second: 0.9, 12 * time.Second: 1}) // one that meets a check-in on the air waits for it
	least := map[proto.Type]time.Duration{
		proto.TypeTripOpened: sf12.Airtime(26) + sf12.Airtime(35) + sf12.Airtime(44),
		proto.TypeReceipt:    2 * 3 * sf12.Airtime(33),
	}
	for typ, on := range least {
		if got := m.on[typ] / 30; got > on+on/20 {
			t.Errorf("%v: %v of airtime a trip, the least is %v", typ, got, on)
		}
	}
	if n := m.units[0].n; n.radio.silent > 0 || !n.trip.known {
		t.Errorf("the node at the end: %d frames without an answer, way timed %v", n.radio.silent, n.trip.known)
	}
}

var trips = flag.Int("trips", 300, "how many trips TestFourHops makes")

// TestAnyMesh: whatever the place, the losses and who dies or restarts when (with what it knew gone, and what others know of it
// stale), no frame circulates, and every node from which a chain of living relays leads to the gateway delivers all it made in the
// end.
func TestAnyMesh(t *testing.T) {
	for seed := range uint64(*meshes) {
		anyMesh(t, seed)
	}
}

var meshes = flag.Int("meshes", 6, "how many random meshes TestAnyMesh makes")

func anyMesh(t *testing.T, seed uint64) {
	r := rand.New(rand.NewPCG(seed, 0x6d657368))
	n := 3 + r.IntN(12)
	forgetful := seed%2 == 1 // then only the ids in the records end loops
	cfgs := make([]Config, n)
	x, y := make([]float64, n+1), make([]float64, n+1)
	for i := range n + 1 { // the gateway last
		x[i], y[i] = 3*r.Float64(), 3*r.Float64()
		if i < n {
			cfgs[i] = Config{Relay: r.IntN(3) > 0, CheckIn: 2 * time.Minute}
			if forgetful {
				cfgs[i].Hop = HopConfig{Keep: time.Second, Loads: 4}
			}
		}
	}
	limit := limitOf(sf7)
	rssi := func(i, j int) float64 { // 10 dB above the limit at a distance of 1
		return limit + 10 - 40*math.Log10(max(math.Hypot(x[i]-x[j], y[i]-y[j]), 0.05))
	}
	fading := air.Fading{}
	if r.IntN(2) == 0 {
		fading = rayleigh
	}
	m := newMesh(t, seed, sf7, cfgs, fading, rssi)
	dies := make([]bool, n)
	for i := range n {
		u := m.units[i]
		switch r.IntN(4) {
		case 0:
			dies[i] = true
			m.at(time.Duration(r.Int64N(int64(2*time.Hour))), func() { u.dead = true })
		case 1:
			m.at(time.Duration(r.Int64N(int64(2*time.Hour))), func() {
				if !u.dead && !u.sending {
					u.opened = nil // what it held is lost, which is a node's own affair
					u.start()
				}
			})
		}
		for range r.IntN(8) {
			m.at(time.Duration(r.Int64N(int64(2*time.Hour))), func() { u.visit(time.Duration(1+r.IntN(20)) * time.Second) })
		}
	}
	for range r.IntN(3) {
		at := time.Duration(r.Int64N(int64(2 * time.Hour)))
		m.at(at, func() { m.gate.off = true })
		m.at(at+time.Duration(r.Int64N(int64(30*time.Minute))), func() { m.gate.off = false })
	}
	m.until(2*time.Hour + 30*time.Minute)
	m.gate.off = false
	m.until(4 * time.Hour)
	if m.loops > 0 || m.twice > 0 && !forgetful {
		t.Errorf("seed %d: %d frames circulated, %d were taken up again", seed, m.loops, m.twice)
	}
	// Who has a way: over links that are heard at all without fading, and with it half of the time or more.
	reaches := make([]bool, n+1)
	reaches[n] = true
	for again := true; again; {
		again = false
		for i := range n {
			for j := range n + 1 {
				relays := j == n || cfgs[j].Relay && !dies[j]
				if !reaches[i] && reaches[j] && relays && rssi(min(i, j), max(i, j)) >= limit+2 {
					reaches[i], again = true, true
				}
			}
		}
	}
	for i, u := range m.units {
		if !dies[i] && reaches[i] && u.n.Held() > 0 {
			t.Errorf("seed %d: node %d has a way and holds %d events; %+v", seed, i+1, u.n.Held(), u.n.Stats())
		}
		for _, id := range u.opened {
			if _, ok := m.stored[id]; !ok && !dies[i] && reaches[i] {
				t.Errorf("seed %d: event %v was let go and never stored", seed, id)
			}
		}
	}
}
