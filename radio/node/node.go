package node

import (
	"fmt"
	"math/rand/v2"
	"time"

	"longlane/proto"
)

// Node is one unit. It is not safe for concurrent use.
type Node struct {
	Config
	keys  *proto.Keys
	group *proto.Keys // nil: no group key
	rand  *rand.Rand

	now      time.Duration
	out      []Output
	contacts []contact
	faulty   map[faultKey]bool
	held     []event // by counter, ascending

	saved       Saved // as it is to be written; the counters' ends come from the numbers below
	dirty       bool  // saved is not yet written
	cleanAt     time.Duration
	persistAt   time.Duration // when to write again what could not be written
	events      numbers
	checkIns    numbers
	groups      numbers
	battery     proto.Battery
	temperature proto.Temperature
	noise       proto.RSSI
	stats       Stats
	wasDamaged  bool

	radio   radioState
	own     ownHop
	trip    roundTrip
	doubt   doubt
	crowd   crowd
	relay   *relay // nil: a leaf
	probing probing
	checkIn checkInState
	clock   clock
	long    [2]bool // by space: the gateway may not know our counter, so all 32 bits travel
	recent  []recentFrame
	last    [proto.MaxGateways]lastReceipt
	heard   struct {
		rssi proto.RSSI
		snr  proto.SNR
	}
}

// The two spaces of counters.
const (
	eventSpace = iota
	checkInSpace
)

// Stats counts what a node has met since it started.
type Stats struct {
	ShortClosures uint64 // closures too short for a trip
	Dropped       uint64 // events lost: see Observed
	Frames        uint64 // sent
	FailedSends   uint64 // the radio could not send
	Receipts      uint64 // genuine ones
	Hints         uint64 // group frames
	NotMine       uint64 // for another node, site or generation, or no receipt at all
	Forged        uint64 // receipts and group frames whose MAC is wrong
	Malformed     uint64 // no frame

	// Of a relay.
	Carried uint64 // frames of others sent on, each try
	Passed  uint64 // receipts for others sent on, each try
	GivenUp uint64 // frames of others that nobody has taken
	Limited uint64 // frames of others refused, since their origin sends too many
}

// Stats returns the counts so far.
func (n *Node) Stats() Stats { return n.stats }

// Held is how many events wait for a receipt.
func (n *Node) Held() int { return len(n.held) }

// New makes a node that starts at now. saved is what the last Persist gave, or FirstSaved for a unit that never ran;
// whatever else (nothing, too, or damage) counts as lost memory: the package's promises say what then happens. The error
// is a *ConfigError or about the key.
func New(c Config, saved []byte, now time.Duration) (*Node, error) {
	c = c.withDefaults()
	if err := c.check(); err != nil {
		return nil, fmt.Errorf("make a node: %w", err)
	}
	keys, err := proto.NewKeys(c.Key)
	if err != nil {
		return nil, fmt.Errorf("make a node: Key: %w", err)
	}
	n := &Node{Config: c, keys: keys, now: now, faulty: make(map[faultKey]bool), cleanAt: never, persistAt: never,
		rand:    rand.New(rand.NewPCG(c.Seed, uint64(c.Site)<<16|uint64(c.Node)<<8|uint64(c.Gen))),
		battery: proto.NoBattery, temperature: proto.NoTemperature, noise: proto.NoRSSI}
	n.heard.rssi, n.heard.snr = proto.NoRSSI, proto.NoSNR
	n.crowd = newCrowd(c)
	n.own = ownHop{over: true, due: never, opens: never}
	if len(c.GroupKey) != 0 {
		if n.group, err = proto.NewKeys(c.GroupKey); err != nil {
			return nil, fmt.Errorf("make a node: GroupKey: %w", err)
		}
	}
	if c.Relay {
		if n.relay, err = newRelay(n); err != nil {
			return nil, fmt.Errorf("make a node: Route: %w", err)
		}
	}
	for _, in := range c.Inputs {
		n.contacts = append(n.contacts, contact{InputConfig: in})
	}
	n.remember(saved)
	n.restart()
	return n, nil
}

// remember takes over what lasting memory holds.
func (n *Node) remember(saved []byte) {
	if err := n.saved.UnmarshalBinary(saved); err != nil {
		n.wasDamaged = true
		n.saved = drawn(n.rand)
	}
	n.checkIn.restarted = n.saved.Starts > 0 || n.wasDamaged
	n.saved.afterRestart()
	n.events = numbers{n.saved.Event, n.saved.Event, &n.dirty}
	n.checkIns = numbers{n.saved.CheckIn, n.saved.CheckIn, &n.dirty}
	n.groups = numbers{n.saved.Group, n.saved.Group, &n.dirty}
	n.dirty = true
	n.apply(n.saved.Settings)
}

// restart begins what a start begins with.
func (n *Node) restart() {
	n.long = [2]bool{true, true}
	n.checkIn.due = n.now + n.jitter(firstCheckIn)
	if n.wasDamaged {
		n.fault(n.now, fault{Trouble{Kind: proto.FaultNumbers}, n.now})
	}
}

// Input is what happens to a node: Edge, Received, TxDone, Measured, Trouble, NewKey, TestTrip or Stored. Nil is the passing of
// time.
type Input interface{ input() }

// Edge is a change of a contact, as the pin shows it, bouncing and all. At its start a driver sends one for each input.
type Edge struct {
	Input  uint8
	Closed bool
}

// Received is a frame from the air.
type Received struct {
	Frame []byte
	RSSI  float64 // dBm, NaN if not measured
	SNR   float64 // dB, NaN if not measured
}

// TxDone follows each Transmit: the frame has been sent, or could not be.
type TxDone struct {
	Failed bool
	Busy   bool // with Failed: the channel was in use, and the frame has certainly not been sent
}

// Measured is what the unit measures about itself; NaN where it does not.
type Measured struct {
	Battery     float64 // volts
	Temperature float64 // °C
	Noise       float64 // dBm
}

// NewKey gives the node a new key. What it holds is sealed anew under it.
type NewKey struct {
	Gen uint8
	Key []byte
}

// Stored follows each Persist: the bytes are safe, or could not be written.
type Stored struct{ Failed bool }

// Probe makes the node send a check-in at once, Observed as Probed, and then ask all who have heard it how: each answer is Observed
// as HeardBy, each neighbour that is heard itself as Heard, the receipt as Answered. The check-in is sent once, whoever hears it:
// what is lost is to be seen. It is for a walk test, and takes airtime each time.
type Probe struct{}

// TestTrip makes a trip of an input and at once its end, both marked as a test. The contact has no part in it, and nothing else
// tells them from a visit: they are held, sent and receipted like one. An input that the node does not have makes none.
type TestTrip struct{ Input uint8 }

func (TestTrip) input() {}
func (Edge) input()     {}
func (Probe) input()    {}
func (Received) input() {}
func (TxDone) input()   {}
func (Measured) input() {}
func (Trouble) input()  {}
func (NewKey) input()   {}
func (Stored) input()   {}

// Output is what a driver must do: Transmit, Listen or Persist; or an Observed, for logs.
type Output interface{ output() }

// Transmit is a frame to send now, once. TxDone must follow; no other Transmit comes before, unless it takes longer
// than 30 s.
type Transmit struct {
	Frame   []byte
	Type    proto.Type
	Counter uint32
	Attempt uint16
}

// Listen asks for the receiver to stay on until then. A relay, and a node that runs from the mains, listens all the time.
type Listen struct{ Until time.Duration }

// Persist is what lasting memory must hold before any Transmit that follows is carried out. Stored must follow.
type Persist struct{ Saved []byte }

// Observed tells of something that needs no doing.
type Observed struct {
	What    What
	Counter uint32 // of the event, or of the frame that a receipt answers
	Kind    Kind
	Input   uint8
	Age     time.Duration   // of the event
	Dwell   time.Duration   // of a closing, when made
	Fault   proto.FaultKind // of a FaultEvent
	Ended   bool            // of a FaultEvent
	Test    bool            // a TestTrip's
	Why     string          // of Dropped and Refused

	Neighbour uint8 // of Way (0: it is lost), Heard and HeardBy: a node, or proto.GatewayBase and the gateway's number
	RSSI      proto.RSSI
	SNR       proto.SNR
}

// What an Observed tells.
type What string

// The kinds of Observed.
const (
	Made          What = "made"           // an event
	Released      What = "released"       // an event, by a receipt
	Dropped       What = "dropped"        // an event, without a receipt: it is lost
	Answered      What = "answered"       // a check-in, by a receipt
	Refused       What = "refused"        // a frame received, or a new key
	TimeTaken     What = "time taken"     // from a receipt
	SettingsTaken What = "settings taken" // from a receipt
	MemoryLost    What = "memory lost"    // lasting memory was missing or damaged at the start
	Probed        What = "probed"         // a Probe's check-in, with that Counter, is what is sent next
	Heard         What = "heard"          // a neighbour, without a relay between, since a Probe
	HeardBy       What = "heard by"       // a neighbour has heard a Probe's check-in, of that Counter, at that strength
	Way           What = "way"            // the neighbour by which a relay reaches the gateway is another one
)

func (Transmit) output() {}
func (Listen) output()   {}
func (Persist) output()  {}
func (Observed) output() {}

func (n *Node) observe(o Observed) { n.out = append(n.out, o) }

// Step takes the time and what happened, and gives what is to be done, in order, and when to call again at the latest.
// The slices in out belong to the caller.
func (n *Node) Step(now time.Duration, in Input) (out []Output, wake time.Duration) {
	n.now = max(now, n.now)
	if n.wasDamaged {
		n.wasDamaged = false
		n.observe(Observed{What: MemoryLost})
	}
	n.runTimers() // first what was due before the input came
	n.take(in)
	n.runTimers()
	if n.relay != nil {
		n.relay.run()
	}
	n.dropExhausted()
	n.reportLoss()
	n.runMemory()
	tx, wake := n.schedule()
	if n.dirty {
		n.dirty = false
		n.out = append(n.out, Persist{n.toSave()})
	}
	if tx != nil {
		n.out = append(n.out, *tx)
	}
	out, n.out = n.out, nil
	return out, min(wake, n.nextTimer())
}

func (n *Node) take(in Input) {
	switch in := in.(type) {
	case Edge:
		if c := n.contact(in.Input); c != nil {
			c.edge(n.now, in.Closed)
		}
	case Received:
		n.received(in)
	case TxDone:
		n.txDone(in)
	case Measured:
		n.measured(n.now, in)
	case Trouble:
		n.trouble(n.now, in)
	case Probe:
		n.probe()
	case NewKey:
		n.newKey(in)
	case TestTrip:
		n.testTrip(in.Input)
	case Stored:
		n.stored(in.Failed)
	}
}

// stored goes on without lasting memory: an arrival that is not announced is worse than a number that may one day come
// again.
func (n *Node) stored(failed bool) {
	n.fault(n.now, fault{Trouble{Kind: proto.FaultNumbers, Ended: !failed}, n.now})
	n.persistAt = never
	if failed {
		n.persistAt = n.now + persistAgain
	}
}

func (n *Node) runTimers() {
	for i := range n.contacts {
		n.runContact(n.now, &n.contacts[i])
	}
	n.runHop()
	if n.relay != nil && n.now >= n.relay.wakeAt {
		n.relay.run()
	}
}

func (n *Node) nextTimer() time.Duration {
	at := min(n.cleanAt, n.persistAt)
	for i := range n.contacts {
		at = min(at, n.contacts[i].wake(n.BlockedAfter))
	}
	if n.relay != nil {
		at = min(at, n.relay.wakeAt)
	}
	return min(at, n.own.opens)
}

// cleanAfter is how long the store must have been empty before lasting memory says so: most visits then cost two
// writes and not four.
const cleanAfter = time.Minute

const persistAgain = time.Minute

// runMemory keeps the mark by which a restart knows that events may have been lost.
func (n *Node) runMemory() {
	if n.now >= n.persistAt {
		n.persistAt, n.dirty = never, true
	}
	switch {
	case len(n.held) > 0:
		n.cleanAt = never
		if !n.saved.MayHold {
			n.saved.MayHold, n.dirty = true, true
		}
	case n.saved.MayHold && n.cleanAt == never:
		n.cleanAt = n.now + cleanAfter
	case n.now >= n.cleanAt:
		n.cleanAt = never
		n.saved.MayHold, n.dirty = false, true
	}
}

func (n *Node) toSave() []byte {
	s := &n.saved
	s.Event, s.CheckIn, s.Group, s.HeldFrom = n.events.end, n.checkIns.end, n.groups.end, n.events.next
	if len(n.held) > 0 {
		s.HeldFrom = n.held[0].counter
	}
	b, _ := s.MarshalBinary()
	return b
}

// newKey makes held events go again as if new: a receipt under the old key can no longer be read.
func (n *Node) newKey(k NewKey) {
	keys, err := proto.NewKeys(k.Key)
	if err != nil {
		n.observe(Observed{What: Refused, Why: err.Error()})
		return
	}
	n.keys, n.Gen = keys, k.Gen
	n.endHop()
	n.long = [2]bool{true, true}
	n.recent = nil
	for i := range n.held {
		n.held[i].tries, n.held[i].due = 0, n.now
	}
	n.radio.slowAt, n.radio.slow = n.now, 0
	n.checkIn.again(n.now)
}
