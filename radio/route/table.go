package route

import (
	"cmp"
	"slices"
	"time"

	"longlane/proto"
)

// Heard is how a frame came in.
type Heard struct {
	From uint8 // who sent it, 1 to 255
	RSSI proto.RSSI
	SNR  proto.SNR
}

// Effect is what a frame means for the beacon timer.
type Effect int

const (
	None         Effect = iota
	Consistent          // a beacon with a way: one's own may be needless
	Inconsistent        // somebody looks for a way, and there is one here to tell
	Replayed            // a counter heard before: nothing was taken from the frame
)

// neighbour is a node that was heard without a relay between.
type neighbour struct {
	id       uint8
	distance uint16        // as told last
	counter  uint32        // of the last group frame
	heardAt  time.Duration // last frame of any kind, to look at
	toldAt   time.Duration // last distance; a Lifetime later it is forgotten, whatever else was heard
	way      uint16        // the last distance told that was one
	wayAt    time.Duration
	link
}

// Table is the neighbours and the way to the gateway. It is not safe for concurrent use.
type Table struct {
	Config
	unit       uint32       // a trip's airtime, ms
	neighbours []*neighbour // by id; at most Config.Neighbours
	trust      [256]trust   // by id, and not in neighbours: else a liar forgotten would come back with a clean sheet
	place
}

// New gives an empty table.
func New(c Config, now time.Duration) (*Table, error) {
	if err := c.Check(); err != nil {
		return nil, err
	}
	return &Table{Config: c, unit: c.trip(), place: newPlace(now, c.Lifetime)}, nil
}

func (t *Table) index(id uint8) (int, bool) {
	return slices.BinarySearchFunc(t.neighbours, id, func(n *neighbour, id uint8) int { return cmp.Compare(n.id, id) })
}

// find is nil if id is no neighbour.
func (t *Table) find(id uint8) *neighbour {
	if i, ok := t.index(id); ok {
		return t.neighbours[i]
	}
	return nil
}

// Hear takes in a beacon, a hop acknowledgement (whoever it is for) or a solicit: its sender's group counter and the
// distance in it. The frame's MAC has been checked. A counter not above the last one is refused, or whoever has recorded
// a beacon could bring back an old distance.
func (t *Table) Hear(now time.Duration, h Heard, typ proto.Type, counter uint32, distance uint16) Effect {
	n := t.find(h.From)
	switch {
	case n == nil:
		n = &neighbour{id: h.From, way: proto.NoDistance}
		n.heard.add(0, true, t.Window)
		i, _ := t.index(h.From)
		t.neighbours = slices.Insert(t.neighbours, i, n)
	case counter <= n.counter:
		return Replayed
	default:
		lost := counter - n.counter - 1
		if lost > t.MaxGap {
			lost = 0
		}
		n.heard.add(int(lost), true, t.Window)
	}
	n.counter, n.distance, n.toldAt = counter, distance, now
	if distance != proto.NoDistance {
		n.way, n.wayAt = distance, now
	}
	t.met(now, n, h)
	n.silent = 0 // it is there again; whether it hears us is for the next frames to find out
	t.bound(now)
	t.choose(now)
	return t.effect(typ, distance)
}

func (t *Table) effect(typ proto.Type, distance uint16) Effect {
	switch {
	case t.own != proto.NoDistance && (typ == proto.TypeSolicit || typ == proto.TypeBeacon && distance == proto.NoDistance):
		return Inconsistent
	case typ == proto.TypeBeacon:
		return Consistent
	}
	return None
}

// Frame takes in the strength of any other frame whose sender is beyond doubt, such as a receipt for this node straight from
// the gateway. Not one whose MAC cannot be checked here, as other nodes' trips, nor one played back: somebody without any
// key could send these weakly, so that a good neighbour seems too weak.
func (t *Table) Frame(now time.Duration, h Heard) {
	if n := t.find(h.From); n != nil {
		t.met(now, n, h)
		t.choose(now)
	}
}

func (t *Table) met(now time.Duration, n *neighbour, h Heard) {
	n.heardAt = now
	n.measured(&n.in, marginOf(t.Modem, h.RSSI, h.SNR), &t.Config)
}

// HopAck tells that id has taken a frame from here: by its hop acknowledgement (after Hear), or because it was overheard sending
// the frame on. rssi and snr are those at which it heard the frame, which had been sent so many times: only the first one
// counts for the link, since those that follow within a second or two fail and succeed together.
func (t *Table) HopAck(now time.Duration, id uint8, rssi proto.RSSI, snr proto.SNR, sent int) {
	if n := t.find(id); n != nil {
		if sent == 1 {
			n.attempt(now, true, &t.Config)
		}
		n.silent = 0
		n.heardAt = now
		n.measured(&n.out, marginOf(t.Modem, rssi, snr), &t.Config)
		t.choose(now)
	}
}

// NoHopAck tells that a frame was sent to id so many times, and nothing shows that it got there.
func (t *Table) NoHopAck(now time.Duration, id uint8, sent int) {
	if n := t.find(id); n != nil {
		n.unheard(now, &t.Config)
		if sent == 1 {
			n.attempt(now, false, &t.Config)
		}
		t.choose(now)
	}
}

// bound forgets the least useful neighbour if there is one too many; that may be the one just heard.
func (t *Table) bound(now time.Duration) {
	if len(t.neighbours) <= t.Neighbours {
		return
	}
	least := slices.MinFunc(t.neighbours, func(a, b *neighbour) int { return t.usefulness(now, a, b) })
	i, _ := t.index(least.id)
	t.neighbours = slices.Delete(t.neighbours, i, i+1)
}

// usefulness compares neighbours, the least useful first. The parent is the most useful, then who has brought a receipt lately: no
// flood of invented neighbours drives these out. Then who could be a parent, the nearer the better, and of equals the
// one heard last.
func (t *Table) usefulness(now time.Duration, a, b *neighbour) int {
	yes := func(f func(*neighbour) bool) int {
		switch x, y := f(a), f(b); {
		case x == y:
			return 0
		case x:
			return 1
		}
		return -1
	}
	return cmp.Or(
		yes(func(n *neighbour) bool { return n.id == t.parent }),
		yes(func(n *neighbour) bool { return t.trust[n.id].proven(now, t.Lifetime) }),
		yes(func(n *neighbour) bool { return t.serves(now, n) }),
		cmp.Compare(t.cost(now, b), t.cost(now, a)),
		cmp.Compare(a.heardAt, b.heardAt),
	)
}

// Step does what time alone brings: neighbours not heard for too long go, a lost way may be replaced. Call it again at wake.
func (t *Table) Step(now time.Duration) (wake time.Duration) {
	t.choose(now)
	wake = t.nextWay(now)
	for _, n := range t.neighbours {
		wake = min(wake, n.toldAt+t.Lifetime)
		if until := t.trust[n.id].until; until > now {
			wake = min(wake, until)
		}
	}
	return wake
}

// Told is the distance that a neighbour told last; ok is false if id is none. It may be NoDistance.
func (t *Table) Told(id uint8) (distance uint16, ok bool) {
	if n := t.find(id); n != nil {
		return n.distance, true
	}
	return proto.NoDistance, false
}

// Trip is how long a trip heard directly is on the air, in ms: the unit of distances.
func (t *Table) Trip() uint16 { return uint16(t.unit) }

// Neighbour is what the table knows of one, for people and tests.
type Neighbour struct {
	ID       uint8
	Distance uint16        // as it told last, ms
	Cost     uint32        // airtime to the gateway through it, ms; at least 65535 if it has no way
	Margin   float64       // dB, the worse of both directions; not a number: not known
	Forward  float64       // share of frames that get there
	Reverse  float64       // share of its frames that get here
	ETX128   uint16        // RFC 6551
	Age      time.Duration // since it was heard
	Serves   bool          // it could be a parent by its link, its distance and its receipts
	Demoted  bool          // others brought receipts where it brought none
	Silent   int           // frames in a row not acknowledged
	Unproven int           // frames in a row that it took and that got no receipt
}

// List gives all neighbours, by id.
func (t *Table) List(now time.Duration) []Neighbour {
	out := make([]Neighbour, len(t.neighbours))
	for i, n := range t.neighbours {
		f, r := n.delivery(now, &t.Config)
		trust := &t.trust[n.id]
		out[i] = Neighbour{ID: n.id, Distance: n.distance, Cost: t.cost(now, n), Margin: n.margin(1), Forward: f, Reverse: r, ETX128: t.etx128(now, n),
			Age: now - n.heardAt, Serves: t.serves(now, n), Demoted: trust.demoted(now), Silent: n.silent, Unproven: trust.unanswered}
	}
	return out
}
