package route

import (
	"math"
	"slices"
	"time"

	"longlane/proto"
)

// The parent is the neighbour through which a trip is expected to cost the least airtime, and another replaces it only
// if it is better by Switch (RFC 6719, section 3.3, whose threshold of 1.5 transmissions is here 1.5 trips' airtime), or if
// frames to the parent have little chance. While there is no other, a parent with little chance is kept: whoever leaves
// his only way has none, and everybody behind him neither. One that does not answer is asked for a word first. One that was demoted
// is kept only while nobody else serves at all: see trust.go.
//
// No loops. A node remembers the least distance that it has told lately, and takes as a new parent only one that has told
// a distance lower than that by at least a trip's airtime. The parent it has may get dearer. So a child's least distance is always
// above its parent's least: the parent told no less than its own least, the child's least is at least a trip more than it was
// told, and the parent's least can only fall. A chain of parents that came round would stand below itself. Whatever beacons are
// lost or late, that holds while least distances only fall (RFC 8966, section 3.5.1, is the same condition; RFC 6550, section
// 8.2.2.4, the same purpose). They rise in two ways, and only then can a loop arise, from beacons that were missed:
//
//   - "lately" is the last one to two Lifetimes. By then every distance told before has been replaced or forgotten, since
//     nothing but a new one keeps a neighbour: not that it is heard to hand frames on.
//   - A node that is left without a parent says so (NoDistance) for HoldDown, so that all below hear it and look for other
//     ways; then it takes any, but only by what it was told since it said so.
//
// No counting to infinity. A way that has become dearer than the least distance by more than MaxRise, or than MaxPath, counts
// as lost. So a loop, if there is one, goes round a few times and then comes apart, and a part of the mesh that is cut off says
// NoDistance after at most MaxRise.

// unlimited stands for the least distance of a node that has told none: nobody can stand below it. Sums with distances do not overflow.
const unlimited = math.MaxUint32 / 2

// place is where this node stands.
type place struct {
	parent  uint8  // 0: none
	own     uint16 // distance through it
	told    uint16 // distance told last
	least   [2]uint32
	turnAt  time.Duration // when the second of least becomes the first
	holding bool          // the way was lost
	said    bool          // while holding: neighbours were told
	heldTo  time.Duration // once said: when a longer way may be taken
	since   time.Duration // distances told until then are not believed of a new parent, except while holding: least is kept then
}

func newPlace(now, window time.Duration) place {
	return place{own: proto.NoDistance, told: proto.NoDistance, least: [2]uint32{unlimited, unlimited}, turnAt: now + window, since: now - 1}
}

// lowest is the least distance lately.
func (p *place) lowest() uint32 { return min(p.least[0], p.least[1]) }

// turn lets old distances go.
func (p *place) turn(now, window time.Duration) {
	if now >= p.turnAt {
		p.least[0], p.least[1] = p.least[1], unlimited
		p.note() // it still stands in tables
		p.turnAt = now + window
	}
}

func (p *place) note() {
	if p.told != proto.NoDistance {
		p.least[1] = min(p.least[1], uint32(p.told))
	}
}

// nextWay is when choose has something to do by itself.
func (t *Table) nextWay(now time.Duration) time.Duration {
	at := t.turnAt
	if t.holding && t.said {
		at = min(at, t.heldTo)
	}
	if n := t.find(t.parent); n != nil {
		if n.silent >= t.Deaf {
			at = min(at, n.silentAt+t.Grace)
		}
		if ask := t.asksAt(n); now < ask {
			at = min(at, ask)
		}
	}
	return at
}

// asksAt is when a parent that has told nothing is asked to: its beacons may all have been lost, or be needless where many
// send some, and after a Lifetime it would be forgotten.
func (t *Table) asksAt(n *neighbour) time.Duration { return n.toldAt + t.Lifetime/4*3 }

// Parent is the neighbour to send through; ok is false if there is none.
func (t *Table) Parent() (id uint8, ok bool) { return t.parent, t.parent != 0 }

// Distance is this node's own, in ms of expected airtime, to look at. What is sent comes from Tell.
func (t *Table) Distance() uint16 { return t.own }

// Reach is the least airtime, in ms, by any neighbour that serves, also while Distance may not tell it for fear of a loop; and if
// none serves, by any that has told a way within a Lifetime, even if it tells none now, and even if it is weak: for whoever decides about a
// single frame, which cannot go round, and for which a bad chance is better than none. NoDistance: there is none.
func (t *Table) Reach(now time.Duration) uint16 {
	least, poor := uint32(proto.NoDistance), uint32(proto.NoDistance)
	for _, n := range t.neighbours {
		if t.serves(now, n) {
			least = min(least, t.cost(now, n))
		}
		if n.way != proto.NoDistance && now-n.wayAt < t.Lifetime && !t.gone(now, n) {
			poor = min(poor, uint32(n.way)+t.link(now, n))
		}
	}
	if least == uint32(proto.NoDistance) {
		least = min(poor, uint32(t.longest()))
		if poor >= uint32(proto.NoDistance) {
			return proto.NoDistance
		}
	}
	return uint16(least)
}

// anyServes reports whether Reach has an answer.
func (t *Table) anyServes(now time.Duration) bool {
	return slices.ContainsFunc(t.neighbours, func(n *neighbour) bool { return t.serves(now, n) })
}

// Tell is Distance for a beacon, a hop acknowledgement or a solicit that is sent now.
func (t *Table) Tell(now time.Duration) uint16 {
	t.told = t.own
	t.note()
	if t.holding && !t.said {
		t.said, t.heldTo, t.since = true, now+t.HoldDown, now
	}
	return t.own
}

// News reports whether neighbours should hear of the distance soon: a way was found or lost, or it has become longer or
// shorter by Switch, and a trip's airtime at the least, since it was told last. Less does not wait in vain: every beacon and
// hop acknowledgement tells it. But nobody would leave this node for it, and links that fade move distances by a trip now and
// then, all the more the farther from the gateway: if that were news, a busy mesh would send beacons at the shortest
// interval for ever.
func (t *Table) News() bool {
	if t.own == t.told {
		return false
	}
	moved := int64(t.own) - int64(t.told)
	return t.own == proto.NoDistance || t.told == proto.NoDistance || max(moved, -moved) >= int64(max(t.trips(t.Switch), t.unit))
}

func (t *Table) etx128(now time.Duration, n *neighbour) uint16 {
	return ETX128(ETX(n.delivery(now, &t.Config)))
}

// cost is the expected airtime through n, ms.
func (t *Table) cost(now time.Duration, n *neighbour) uint32 {
	return uint32(n.distance) + t.link(now, n)
}

// link is the expected airtime to n, ms.
func (t *Table) link(now time.Duration, n *neighbour) uint32 { return costOf(t.etx128(now, n), t.unit) }

// weak reports whether frames to n have little chance, by what is known of it: of the link, or of the receipts that it did not bring.
func (t *Table) weak(now time.Duration, n *neighbour) bool {
	return n.refused || n.silent >= t.Deaf || t.etx128(now, n) > ETX128(t.MaxETX) || t.trust[n.id].demoted(now)
}

// gone reports whether n was silent for Grace after it was asked for a word: it is taken for dead.
func (t *Table) gone(now time.Duration, n *neighbour) bool {
	return n.silent >= t.Deaf && now-n.silentAt >= t.Grace
}

// serves reports whether n can be a parent, loops apart: frames to it have a chance, and it has a way and brings receipts.
func (t *Table) serves(now time.Duration, n *neighbour) bool {
	return n.distance != proto.NoDistance && !t.weak(now, n) && t.cost(now, n) <= t.longest()
}

// stays reports whether n, the parent, may remain so while there is no better. A weak one may.
func (t *Table) stays(now time.Duration, n *neighbour) bool {
	cost := t.cost(now, n)
	return n.distance != proto.NoDistance && !t.gone(now, n) && cost <= t.longest() && cost <= t.lowest()+t.trips(t.MaxRise) &&
		!(t.trust[n.id].demoted(now) && t.anyServes(now))
}

// may reports whether n may become the parent.
func (t *Table) may(now time.Duration, n *neighbour) bool {
	return t.serves(now, n) && t.stays(now, n) && uint32(n.distance)+t.unit <= t.lowest() && (t.holding || n.toldAt > t.since)
}

// Doubtful reports whether the parent should be asked for a word, which a solicit does: the answer is a beacon. It has taken
// no frame Deaf times in a row, or told nothing for three quarters of a Lifetime.
func (t *Table) Doubtful(now time.Duration) bool {
	n := t.find(t.parent)
	return n != nil && (n.silent >= t.Deaf || now >= t.asksAt(n))
}

// choose brings parent and distance up to date. All that changes the table ends here.
func (t *Table) choose(now time.Duration) {
	t.neighbours = slices.DeleteFunc(t.neighbours, func(n *neighbour) bool { return now-n.toldAt >= t.Lifetime })
	t.turn(now, t.Lifetime)
	if t.holding && t.said && now >= t.heldTo {
		t.holding, t.least = false, [2]uint32{unlimited, unlimited}
	}
	current := t.find(t.parent)
	if current != nil && !t.stays(now, current) {
		current = nil
	}
	best := t.best(now)
	if current != nil && (best == nil || !t.weak(now, current) && t.cost(now, best)+t.trips(t.Switch) >= t.cost(now, current)) {
		best = current
	}
	t.take(now, best)
}

func (t *Table) best(now time.Duration) (best *neighbour) {
	for _, n := range t.neighbours {
		if t.may(now, n) && (best == nil || t.cost(now, n) < t.cost(now, best)) {
			best = n
		}
	}
	return best
}

// take makes n the parent; nil: there is none.
func (t *Table) take(now time.Duration, n *neighbour) {
	if n != nil {
		t.parent, t.own, t.holding = n.id, uint16(t.cost(now, n)), false
		return
	}
	if t.parent != 0 {
		t.holding, t.said = true, false
	}
	t.parent, t.own = 0, proto.NoDistance
}
