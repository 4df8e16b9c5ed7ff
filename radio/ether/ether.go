package ether

import (
	"container/heap"
	"encoding/hex"
	"fmt"
	"math"
	"math/rand/v2"
	"time"

	"longlane/proto"
	"longlane/radio"
	"longlane/radio/ether/air"
	"longlane/radio/node"
)

// Options are what a scenario does not say.
type Options struct {
	// Card gives the card that a node's `card` names.
	Card func(path string) (node.Card, error)
	// Record is told all that happens, in order. Nil: nobody.
	Record func(Record)
	// Observed is told what a node says it did with an event, at which time. It costs less than Record. Nil: nobody.
	Observed func(at time.Duration, name string, o node.Observed)
	// Saved is what nodes' lasting memories hold, by name; a node that is not in it has never run. Whoever runs
	// scenarios against the same gateway again and again must keep it (see Saves), or old counters come again and are
	// refused.
	Saved map[string][]byte
	// Saves is told what a node wrote to its lasting memory. Nil: nobody.
	Saves func(name string, saved []byte)
}

// Event is something that reaches the modem. Exactly one of its halves is set.
type Event struct {
	At    time.Duration
	Frame []byte // received, to be passed to the host
	RSSI  float64
	SNR   float64
	Freq  float64 // frequency error, Hz
	Plug  Plug
}

// Plug is what happened to the modem's plug.
type Plug uint8

// What can happen to a plug.
const (
	PlugStays Plug = iota
	PlugOut
	PlugIn
)

// Ether is the air with the nodes in it. It is not safe for concurrent use; Live is.
type Ether struct {
	s    Scenario
	o    Options
	site uint16
	rand *rand.Rand

	now       time.Duration
	todo      agenda
	seq       uint64
	out       []Event
	stations  []*station
	air       *air.Air        // its stations are ours, and behind them the gateway's modem
	heard     []air.Reception // by all stations, of the frame that has just ended
	losses    map[Loss]int
	kinds     map[Kind]Sum
	recent    recent
	group     *proto.Keys // of the site's group
	withhelds Withheld

	circulating int
	until       time.Duration // when the modem's last frame is over
	unplugged   bool          // its plug is out
	late        [2]*delayed
	old         [2]history
}

// directions index late and old.
const (
	up = iota
	down
)

// New makes the ether of s at its beginning. Its errors join *FieldErrors.
func New(s Scenario, seed uint64, o Options) (*Ether, error) {
	s = s.Filled()
	if err := s.Validate(); err != nil {
		return nil, err
	}
	e := &Ether{s: s, o: o, rand: rand.New(rand.NewPCG(seed, 0x6c6f6e676c616e65)), losses: map[Loss]int{}, kinds: map[Kind]Sum{}}
	for i := range s.Nodes {
		st, err := e.newStation(&s.Nodes[i], fmt.Sprintf("node[%d].card", i))
		if err != nil {
			return nil, err
		}
		e.stations = append(e.stations, st)
	}
	var err error
	if e.air, err = air.New(s.physics(seed)); err != nil {
		return nil, err // Validate has let nothing pass that it refuses
	}
	for _, st := range e.stations {
		st.start(true)
		st.scheduleEnd()
		e.scheduleContacts(st)
	}
	for _, u := range s.Unplugs {
		e.at(time.Duration(u.At), func() { e.plug(PlugOut) })
		e.at(time.Duration(u.At+u.For), func() { e.plug(PlugIn) })
	}
	return e, nil
}

func (e *Ether) named(name string) *station {
	for _, st := range e.stations {
		if st.spec.Name == name {
			return st
		}
	}
	return nil
}

func (e *Ether) plug(p Plug) {
	e.unplugged = p == PlugOut
	e.out = append(e.out, Event{At: e.now, Plug: p})
	e.record(Record{What: RecordPlug, Unplugged: new(e.unplugged)})
}

// Step lets time pass and gives what reached the modem meanwhile, in order, and when to call again at the latest. In fast
// time now should be the last wake, so that answers are in time.
func (e *Ether) Step(now time.Duration) (events []Event, wake time.Duration) {
	e.advance(now)
	events, e.out = e.out, nil
	return events, e.wake()
}

const never = time.Duration(math.MaxInt64)

func (e *Ether) wake() time.Duration {
	if len(e.out) > 0 {
		return e.now
	}
	if len(e.todo) == 0 {
		return never
	}
	return e.todo[0].at
}

func (e *Ether) advance(now time.Duration) {
	for len(e.todo) > 0 && e.todo[0].at <= now {
		t := heap.Pop(&e.todo).(*task)
		e.now = t.at
		t.do()
	}
	e.now = max(e.now, now)
}

// Transmit puts a frame of the modem's on the air at now, and returns its airtime. The modem has sensed the carrier just before,
// for the time that Sensing tells. It returns radio.ErrBusy while the modem's last frame is on the air, and while it finds another's
// there (listen_first).
func (e *Ether) Transmit(now time.Duration, frame []byte) (time.Duration, error) {
	e.advance(now)
	if e.now < e.until || e.busy(e.modem()) {
		return 0, radio.ErrBusy
	}
	frame = append([]byte(nil), frame...)
	airtime := e.onAir(e.modem(), frame, func() { e.fromGateway(frame) })
	e.until = e.now + airtime
	if e.o.Record != nil {
		r := e.tell(frame)
		r.What, r.Frame = RecordAnswer, hex.EncodeToString(frame)
		e.record(r)
	}
	return airtime, nil
}

// modem is the number of the gateway's modem in the air.
func (e *Ether) modem() int { return len(e.stations) }

// Held is how many events wait in all nodes for their receipts.
func (e *Ether) Held() (n int) {
	for _, st := range e.stations {
		n += st.node.Held()
	}
	return n
}

// OnAir is what a node has sent, counted by the air itself; name "gateway" is the modem.
func (e *Ether) OnAir(name string) air.Airtime {
	if st := e.named(name); st != nil {
		return e.air.Airtime(st.index)
	}
	return e.air.Airtime(e.modem())
}

// Station is what became of a node.
type Station struct {
	CheckIns uint64 // made
	Died     string // why, if it has
}

// Station tells what has become of a node of the scenario so far.
func (e *Ether) Station(name string) (s Station) {
	if st := e.named(name); st != nil {
		s.CheckIns, s.Died = st.checkIns, st.died
	}
	return s
}

// Withheld counts frames that stations wanted to send, and did not.
type Withheld struct {
	Busy  int // since the channel was in use; most go a little later
	Short int // since no airtime was left that is lawful
}

// Withheld tells what all stations together have withheld so far; the modem's own is its host's to know.
func (e *Ether) Withheld() Withheld { return e.withhelds }

// Stats gives what a node has counted since its last start; ok is false if there is no such node.
func (e *Ether) Stats(name string) (s node.Stats, ok bool) {
	if st := e.named(name); st != nil {
		return st.node.Stats(), true
	}
	return s, false
}

// agenda is what will happen, earliest first; what falls on one moment happens in the order in which it was planned.
type agenda []*task

type task struct {
	at  time.Duration
	seq uint64
	do  func()
}

func (a agenda) Len() int { return len(a) }
func (a agenda) Less(i, j int) bool {
	return a[i].at < a[j].at || a[i].at == a[j].at && a[i].seq < a[j].seq
}
func (a agenda) Swap(i, j int) { a[i], a[j] = a[j], a[i] }
func (a *agenda) Push(x any)   { *a = append(*a, x.(*task)) }
func (a *agenda) Pop() any {
	last := len(*a) - 1
	t := (*a)[last]
	(*a)[last] = nil
	*a = (*a)[:last]
	return t
}

// at plans do, at t or now if t is past.
func (e *Ether) at(t time.Duration, do func()) {
	e.seq++
	heap.Push(&e.todo, &task{max(t, e.now), e.seq, do})
}

// between draws a duration from low to high.
func (e *Ether) between(low, high time.Duration) time.Duration {
	return low + time.Duration(e.rand.Int64N(int64(high-low)+1))
}
