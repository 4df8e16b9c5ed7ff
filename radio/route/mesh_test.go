package route

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"longlane/proto"
	"longlane/radio/lora"
)

var sf9 = lora.Settings{SpreadingFactor: 9, Bandwidth: 125000, CodingRate: 5, Preamble: 8}

const gateway = proto.GatewayBase

// mesh is nodes that hear one another's beacons. Node 0 is the gateway; the id of node i is i, that of node 0 240.
type mesh struct {
	t      *testing.T
	name   string
	r      *rand.Rand
	c      Config
	now    time.Duration
	etx    [][]float64 // of the link from one to the other; 0: they do not hear each other
	loss   float64     // of beacons
	nodes  []*member
	forges func(m *member) uint16 // what a liar tells
}

type member struct {
	*Table   // nil: the gateway
	beacons  *Trickle
	id       uint8
	counter  uint32
	dead     bool
	lies     bool
	wake     time.Duration // of the table
	fire     time.Duration
	greatest uint16 // distance told since it was last cleared
	sent     int    // beacons
}

func newMesh(t *testing.T, seed uint64, change func(*Config)) *mesh {
	m := &mesh{t: t, name: fmt.Sprintf("seed %d", seed), r: rand.New(rand.NewPCG(seed, 6550)), c: Defaults(sf9)}
	m.c.AckMemory = 1000 * time.Hour
	if change != nil {
		change(&m.c)
	}
	n := 4 + m.r.IntN(12)
	m.etx = make([][]float64, n)
	for i := range m.etx {
		m.etx[i] = make([]float64, n)
	}
	density := 0.1 + 0.4*m.r.Float64()
	link := func(i, j int) {
		m.etx[i][j], m.etx[j][i] = 1+3*m.r.Float64()*m.r.Float64(), 1+3*m.r.Float64()*m.r.Float64()
	}
	for i := 1; i < n; i++ {
		link(i, max(0, i-1-m.r.IntN(3))) // so all are connected, and most in a line
		for j := range i {
			if m.r.Float64() < density {
				link(i, j)
			}
		}
	}
	for i := range n {
		m.add(i, seed)
	}
	return m
}

func (m *mesh) add(i int, seed uint64) {
	var err error
	n := &member{id: uint8(i)}
	if n.beacons, err = NewTrickle(m.c.Beacons, seed*1000+uint64(i), 0); err != nil {
		m.t.Fatal(err)
	}
	n.wake = math.MaxInt64
	if i == 0 {
		n.id = gateway
	} else if n.Table, err = New(m.c, 0); err != nil {
		m.t.Fatal(err)
	} else {
		n.wake = n.Table.Step(0)
	}
	_, n.fire = n.beacons.Step(0)
	m.nodes = append(m.nodes, n)
}

func (m *mesh) member(id uint8) *member {
	if id == gateway {
		return m.nodes[0]
	}
	return m.nodes[id]
}

// run goes on until the given time and calls check after each event.
func (m *mesh) run(until time.Duration, check func()) {
	for {
		next := m.nodes[0]
		due := func(n *member) time.Duration {
			if n.dead {
				return math.MaxInt64
			}
			return min(n.wake, n.fire)
		}
		for _, n := range m.nodes {
			if due(n) < due(next) {
				next = n
			}
		}
		if due(next) > until {
			m.now = until
			return
		}
		m.now = due(next)
		m.step(next)
		if check != nil {
			check()
		}
	}
}

func (m *mesh) step(n *member) {
	if n.Table != nil {
		n.wake = n.Step(m.now)
		if n.News() && !n.lies {
			n.beacons.Inconsistent(m.now)
		}
	}
	var fire bool
	if fire, n.fire = n.beacons.Step(m.now); fire {
		m.beacon(n)
	}
}

func (m *mesh) beacon(n *member) {
	n.counter++
	n.sent++
	distance := uint16(0)
	if n.Table != nil {
		distance = n.Tell(m.now)
	}
	if n.lies {
		distance = m.forges(n)
	}
	if distance != proto.NoDistance {
		n.greatest = max(n.greatest, distance)
	}
	for i, o := range m.nodes {
		if m.etx[m.place(n)][i] > 0 && !o.dead && m.r.Float64() >= m.loss {
			m.hear(o, n, distance)
		}
	}
}

// place is a node's number.
func (m *mesh) place(n *member) int {
	if n.id == gateway {
		return 0
	}
	return int(n.id)
}

// hear gives o perfect information about the link, and the beacon.
func (m *mesh) hear(o, from *member, distance uint16) {
	effect := Consistent
	if o.Table != nil {
		var link link
		link.acks, link.heard = tally{1e12 / m.etx[m.place(o)][m.place(from)], 1e12}, tally{1e12, 1e12}
		if n := o.find(from.id); n != nil {
			n.link = link
		} else {
			i, _ := o.index(from.id)
			o.neighbours = slices.Insert(o.neighbours, i, &neighbour{id: from.id, distance: proto.NoDistance, link: link})
		}
		effect = o.Hear(m.now, Heard{From: from.id, SNR: proto.EncodeSNR(5), RSSI: proto.NoRSSI}, proto.TypeBeacon, from.counter, distance)
		o.wake = o.Step(m.now)
	} else if distance == proto.NoDistance {
		effect = Inconsistent
	}
	switch {
	case effect == Replayed:
		m.t.Fatalf("%s: %d takes a beacon of %d for a replay", m.name, o.id, from.id)
	case effect == Inconsistent, o.Table != nil && o.News():
		o.beacons.Inconsistent(m.now)
	case effect == Consistent:
		o.beacons.Consistent()
	}
	_, o.fire = o.beacons.Step(m.now)
}

// shortest is Dijkstra's answer: each node's least expected airtime in ms over links and ways that are allowed, and over how many
// hops. It shares no code with the table.
func (m *mesh) shortest() (distance []uint64, hops []int) {
	const none = uint64(proto.NoDistance)
	unit := uint64(math.Ceil(float64(sf9.Airtime(26)) / 1e6))
	n := len(m.nodes)
	distance, hops = make([]uint64, n), make([]int, n)
	done := make([]bool, n)
	for i := range distance[1:] {
		distance[i+1] = none
	}
	for {
		at := -1
		for i := range n {
			if !done[i] && distance[i] < none && (at < 0 || distance[i] < distance[at]) {
				at = i
			}
		}
		if at < 0 {
			return distance, hops
		}
		done[at] = true
		for i, o := range m.nodes {
			etx := m.etx[i][at]
			if etx == 0 || etx > 4 || o.dead || o.lies {
				continue
			}
			cost := distance[at] + uint64(math.Ceil(math.Round(etx*128)*float64(unit)/128))
			if cost <= min(32*unit, none-1) && cost < distance[i] {
				distance[i], hops[i] = cost, hops[at]+1
			}
		}
	}
}

// noLoop follows the parents.
func (m *mesh) noLoop() {
	for _, n := range m.nodes {
		at, steps := n, 0
		for at.Table != nil && !at.dead && at.parent != 0 {
			if at, steps = m.member(at.parent), steps+1; steps > len(m.nodes) {
				m.t.Fatalf("%s: at %v the parents of %d go round", m.name, m.now, n.id)
			}
		}
	}
}

// settled reports whether all that can know a way have one that leads to the gateway, and all others know that they have none.
func (m *mesh) settled() bool {
	want, _ := m.shortest()
	for i, n := range m.nodes[1:] {
		if n.dead {
			continue
		}
		if (n.Distance() == proto.NoDistance) != (want[i+1] == uint64(proto.NoDistance)) {
			return false
		}
		for at, steps := n, 0; at.Table != nil && n.parent != 0; steps++ {
			if at.dead || at.parent == 0 || steps > len(m.nodes) {
				return false
			}
			at = m.member(at.parent)
		}
	}
	return true
}

// exact reports whether all distances are the shortest, or at most slack ms a hop longer.
func (m *mesh) exact(slack float64) bool {
	want, hops := m.shortest()
	for i, n := range m.nodes[1:] {
		got := uint64(n.Distance())
		if !n.dead && (got < want[i+1] || float64(got) > float64(want[i+1])+slack*float64(hops[i+1])) {
			return false
		}
	}
	return true
}

func (m *mesh) dump() {
	want, hops := m.shortest()
	for i, n := range m.nodes[1:] {
		m.t.Logf("%d: dead %v, distance %d through %d, least %v; shortest %d over %d hops", n.id, n.dead, n.own, n.parent, n.least, want[i+1], hops[i+1])
	}
}

// eventually runs until ok, at most that long, and returns how long it took.
func (m *mesh) eventually(what string, long time.Duration, ok func() bool, check func()) time.Duration {
	m.t.Helper()
	start := m.now
	for !ok() {
		if m.now >= start+long {
			m.dump()
			m.t.Fatalf("%s: %s: not after %v", m.name, what, long)
		}
		m.run(m.now+m.c.Beacons.Imin/2, check)
	}
	return m.now - start
}

func noSwitch(c *Config) { c.Switch = 0 }

// On random graphs with perfect information every distance becomes Dijkstra's, without a switch threshold to the ms and with it within
// the threshold a hop; no parents ever go round.
func TestConverges(t *testing.T) {
	var longest time.Duration
	for seed := range uint64(100) {
		for _, slack := range []float64{0, 1.5} {
			m := newMesh(t, seed, func(c *Config) { c.Switch = slack })
			if seed%3 == 0 {
				m.loss = 0.3
			}
			long := 2 * m.c.Beacons.Imax()
			ms := slack * float64(m.c.trip())
			took := m.eventually("shortest distances", long, func() bool { return m.exact(ms) }, m.noLoop)
			longest = max(longest, took)
			m.run(m.now+12*m.c.Beacons.Imax(), func() {
				m.noLoop()
				if m.loss == 0 && !m.exact(ms) {
					m.dump()
					t.Fatalf("%s: lost again at %v", m.name, m.now)
				}
			})
		}
	}
	t.Logf("longest %v, %.2f Imax", longest, float64(longest)/float64(Defaults(sf9).Beacons.Imax()))
}

// A node dies and nothing but its silence tells. Whoever has a way left finds it, and whoever has none says so, within 6 of the
// longest intervals: 4 of silence, and the hold-down. Within 14 all ways are the shortest: 8 more, until old distances no
// longer bind. Nobody tells a distance beyond what MaxRise allows.
func TestDeath(t *testing.T) {
	var slowest, exact, cut time.Duration
	loops, lone := 0, 0
	for seed := range uint64(400) {
		m := newMesh(t, seed, noSwitch)
		if seed%2 == 0 {
			m.loss = 0.3
		}
		imax := m.c.Beacons.Imax()
		m.eventually("shortest distances", 4*imax, func() bool { return m.exact(0) }, m.noLoop)
		m.run(m.now+time.Duration(m.r.Int64N(int64(10*imax))), m.noLoop)
		victim := m.nodes[1+m.r.IntN(len(m.nodes)-1)]
		victim.dead = true
		before := make([]uint16, len(m.nodes))
		for i, n := range m.nodes {
			n.greatest = 0
			if n.Table != nil {
				before[i] = n.own
			}
		}
		check := m.noLoop
		if m.loss > 0 {
			check = func() {
				if m.looped() {
					loops++
				}
			}
		}
		after, _ := m.shortest()
		took := m.eventually("a way for all that have one", 6*imax, m.settled, check)
		slowest = max(slowest, took)
		for i, n := range m.nodes[1:] {
			if n.dead || after[i+1] < uint64(proto.NoDistance) {
				continue
			}
			lone++
			cut = max(cut, took)
			if rise := uint32(n.greatest); rise > uint32(before[i+1])+m.c.trips(m.c.MaxRise) {
				t.Fatalf("%s: %d is cut off and counted from %d to %d", m.name, n.id, before[i+1], rise)
			}
		}
		more := m.eventually("shortest distances again", 14*imax-took, func() bool { return m.exact(0) }, check)
		exact = max(exact, took+more)
	}
	if lone == 0 {
		t.Error("no graph in which a death cut somebody off")
	}
	imax := float64(Defaults(sf9).Beacons.Imax())
	t.Logf("in Imax: all have their way after %.2f, the cut off (%d) know it after %.2f, the shortest after %.2f; parents went round at %d events, with lost beacons only",
		float64(slowest)/imax, lone, float64(cut)/imax, float64(exact)/imax, loops)
}

func (m *mesh) looped() bool {
	for _, n := range m.nodes {
		at, steps := n, 0
		for at.Table != nil && !at.dead && at.parent != 0 {
			if at, steps = m.member(at.parent), steps+1; steps > len(m.nodes) {
				return true
			}
		}
	}
	return false
}
