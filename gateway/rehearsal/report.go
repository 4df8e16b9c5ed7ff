package rehearsal

import (
	"cmp"
	"maps"
	"slices"
	"time"

	"github.com/HdrHistogram/hdrhistogram-go"

	"longlane/gateway"
	"longlane/proto"
	"longlane/radio/ether"
	"longlane/radio/lora"
	"longlane/radio/node"
)

// Report is what came of a rehearsal.
type Report struct {
	Name      string
	Seed      uint64
	Asked     time.Duration
	Simulated time.Duration // less than Asked if it was stopped early
	Took      time.Duration // by the clock on the wall
	Band      lora.Band     // under which stations of the channel's power send, the gateway among them

	Trips    Trips
	CheckIns struct{ Sent, Heard int } // Sent counts each once, however often it is sent
	Latency  []Point                   // of openings, from the contact to the event stored, by share, rising
	Slowest  time.Duration
	Within   []Within // of all trips made, rising
	Told     Told
	Faults   []Fault // in the order in which they first began
	Relays   Relays  // on the ways of the trips delivered
	// Distribution is the same for every latency that occurred, rising. The last point's share is 1.
	Distribution []Point
	Nodes        []Node         // in the scenario's order, and the gateway's modem last
	Losses       []Loss         // frames lost, most first: see ether.Losses
	Refused      map[string]int // frames that the core did not take, by its verdict

	Spent  []Spent // on the air, by kind of frame
	Events int     // trips' openings and closings, and faults, that were delivered
	// Least is what these would have taken over the ways by which they came, had each frame been sent once over each hop, and one
	// receipt back.
	Least       time.Duration
	Withheld    ether.Withheld // frames that nodes wanted to send
	Circulating int            // frames whose records name a relay twice: a loop, if there are any
}

// Within says how many trips were stored within a time of the contact.
type Within struct {
	Time  time.Duration
	Trips int
}

// Told is how the house was told of trips' openings, as they were stored: by the core's own words, on which every chime goes.
type Told struct {
	New       int           // would sound
	Unproven  int           // would sound, and be shown as unproven
	Old       int           // would not sound
	Oldest    time.Duration // of those that would sound, from the contact on
	NeverMade int           // of all these: no node had made such an event
}

// Fault is one that the house was told of, by a node or by the gateway.
type Fault struct {
	Code         string
	Of           string // a node's name, or gateway
	Began, Ended int    // how often
	First, Last  time.Duration
	LastEnded    time.Duration // if Ended
}

// Relays say over how many a trip came whose frame was the first of it to be stored.
type Relays struct {
	Mean float64
	Most int
}

// Spent is what one kind of frame took, by all stations and the gateway together.
type Spent struct {
	ether.Kind
	ether.Sum
}

// Airtime is what all frames with this purpose took.
func (r *Report) Airtime(p ether.Purpose) (sum time.Duration) {
	for _, s := range r.Spent {
		if s.For == p {
			sum += s.Airtime
		}
	}
	return sum
}

// Trips are openings of contacts.
type Trips struct {
	Made      int // by nodes
	Delivered int // stored by the gateway
	Dropped   int // by nodes, and never stored: their stores were full, or they lost their power
	Waiting   int // held by nodes at the end, or gone with a node that has died
}

// Point says that a share of the trips delivered took no longer than Within.
type Point struct {
	Share  float64
	Within time.Duration
}

// Node is one station's part.
type Node struct {
	Name    string
	Frames  int64
	Airtime time.Duration // in all
	Hour    time.Duration // the most in any hour
	Limit   time.Duration // of Hour, by the rules
	Died    string        // why, if it has
}

// Lawful says whether a station kept within its limit.
func (n *Node) Lawful() bool { return n.Hour <= n.Limit }

// Share is the part of the limit that the worst hour took.
func (n *Node) Share() float64 { return n.Hour.Seconds() / n.Limit.Seconds() }

// Lawful says whether all stations kept within their limits.
func (r *Report) Lawful() bool {
	return !slices.ContainsFunc(r.Nodes, func(n Node) bool { return !n.Lawful() })
}

// Loss is one cause.
type Loss struct {
	Direction, Why string
	Frames         int
}

// limits are those of Report.Within.
var limits = [...]time.Duration{time.Second, 3 * time.Second, 10 * time.Second, 30 * time.Second}

// shares are those at which the latency is told, if there are enough trips for it not to be the slowest one's.
var shares = []float64{0.5, 0.9, 0.99, 0.999, 0.9999}

// tally counts. It is the core's Meter as well.
type tally struct {
	ids     map[string]uint8
	names   [256]string
	open    map[gateway.ID]time.Duration // openings that are not stored yet: when the contact closed
	lost    map[gateway.ID]lost          // those that were dropped of late: a frame may be on its way still
	made    int
	done    int
	dropped int
	heard   int                     // check-ins
	latency *hdrhistogram.Histogram // ms
	within  [len(limits)]int
	refused map[string]int
	told    Told
	runs    map[uint8][]run // by node
	faults  []Fault

	airtime func(n int) time.Duration
	frame   proto.Raw // that the core is judging
	events  int
	relays  Relays // Mean is the sum
	least   time.Duration
}

type lost struct{ closed, dropped time.Duration }

// run is events made whose counters follow one another.
type run struct{ first, last uint32 }

// onItsWay is longer than any frame is, whatever delays it.
const onItsWay = 10 * time.Minute

func newTally(cards map[string]node.Card) *tally {
	t := &tally{ids: map[string]uint8{}, open: map[gateway.ID]time.Duration{}, lost: map[gateway.ID]lost{}, refused: map[string]int{}, runs: map[uint8][]run{},
		latency: hdrhistogram.New(1, (10 * 365 * 24 * time.Hour).Milliseconds(), 3)}
	for name, c := range cards {
		t.ids[name], t.names[c.Node] = c.Node, name
	}
	t.names[0] = gatewayName
	return t
}

const gatewayName = "gateway"

// firstGen is the generation of every card here.
const firstGen = 1

func (t *tally) observed(at time.Duration, name string, o node.Observed) {
	id := gateway.ID{Node: t.ids[name], Gen: firstGen, Counter: o.Counter}
	if o.What == node.Made {
		t.note(id)
	}
	if o.Kind != node.Opening {
		return
	}
	switch o.What {
	case node.Made:
		t.made++
		t.open[id] = at - o.Age
	case node.Dropped:
		if closed, ok := t.open[id]; ok {
			delete(t.open, id)
			t.dropped++
			maps.DeleteFunc(t.lost, func(_ gateway.ID, l lost) bool { return at-l.dropped > onItsWay })
			t.lost[id] = lost{closed, at}
		}
	}
}

// note remembers that an event was made.
func (t *tally) note(id gateway.ID) {
	runs := t.runs[id.Node]
	if n := len(runs); n > 0 && runs[n-1].last+1 == id.Counter {
		runs[n-1].last++
		return
	}
	t.runs[id.Node] = append(runs, run{id.Counter, id.Counter})
}

func (t *tally) wasMade(id gateway.ID) bool {
	return slices.ContainsFunc(t.runs[id.Node], func(r run) bool { return r.first <= id.Counter && id.Counter <= r.last })
}

func (t *tally) stored(at time.Duration, d gateway.Durable) {
	switch b := d.Body.(type) {
	case *proto.CheckIn:
		t.heard++
		return
	case *proto.Fault:
		t.fault(at, b.Kind.String(), t.names[d.ID.Node], b.Ended)
	}
	hops := t.frame.HopCount()
	t.events++
	for i := range hops + 1 {
		t.least += t.airtime(t.frame.Type.Size()+i*proto.HopSize) + t.airtime(proto.TypeReceipt.Size())
	}
	closed, ok := t.open[d.ID]
	if l, was := t.lost[d.ID]; was {
		closed, ok = l.closed, true
		t.dropped--
	}
	if opens(d.Body) {
		t.tell(d, at+Line-closed, ok)
	}
	if !ok {
		return // a closing or a fault
	}
	delete(t.open, d.ID)
	delete(t.lost, d.ID)
	t.done++
	t.relays.Mean += float64(hops)
	t.relays.Most = max(t.relays.Most, hops)
	for i, limit := range limits {
		if at+Line-closed <= limit {
			t.within[i]++
		}
	}
	_ = t.latency.RecordValue((at + Line - closed).Milliseconds()) // what is beyond ten years is not
}

func opens(b proto.Body) bool {
	held, ok := b.(*proto.TripHeld)
	_, opened := b.(*proto.TripOpened)
	return opened || ok && !held.Closed
}

// tell counts how the house is told of an opening, whose age is known unless it was made up, or was given up long ago.
func (t *tally) tell(d gateway.Durable, age time.Duration, known bool) {
	if !t.wasMade(d.ID) {
		t.told.NeverMade++
	}
	switch {
	case d.Delayed:
		t.told.Old++
		return
	case d.Proof == proto.Unproven:
		t.told.Unproven++
	default:
		t.told.New++
	}
	if known {
		t.told.Oldest = max(t.told.Oldest, age)
	}
}

// fault counts one that began or ended.
func (t *tally) fault(at time.Duration, code, of string, ended bool) {
	i := slices.IndexFunc(t.faults, func(f Fault) bool { return f.Code == code && f.Of == of })
	if i < 0 {
		i = len(t.faults)
		t.faults = append(t.faults, Fault{Code: code, Of: of})
	}
	f := &t.faults[i]
	if ended {
		f.Ended++
		f.LastEnded = at
		return
	}
	if f.Began == 0 {
		f.First = at
	}
	f.Began++
	f.Last = at
}

func (h *house) report() *Report {
	t, s := h.tally, &h.o.Scenario
	r := &Report{Name: s.Name, Seed: h.o.Seed, Asked: h.o.For, Simulated: h.now, Band: h.band, Refused: t.refused}
	r.Trips = Trips{Made: t.made, Delivered: t.done, Dropped: t.dropped, Waiting: len(t.open)}
	r.CheckIns.Heard = t.heard
	r.Distribution = t.distribution()
	for _, share := range shares {
		i := slices.IndexFunc(r.Distribution, func(p Point) bool { return p.Share >= share })
		if i >= 0 && r.Distribution[i].Share < 1 {
			r.Latency = append(r.Latency, Point{share, r.Distribution[i].Within})
		}
	}
	r.Slowest = time.Duration(t.latency.Max()) * time.Millisecond
	for i, limit := range limits {
		r.Within = append(r.Within, Within{limit, t.within[i]})
	}
	r.Told, r.Faults = t.told, slices.Clone(t.faults)
	slices.SortFunc(r.Faults, func(a, b Fault) int { // at one moment the core finds them in any order
		return cmp.Or(cmp.Compare(a.First, b.First), cmp.Compare(a.Code, b.Code), cmp.Compare(a.Of, b.Of))
	})
	r.Relays = Relays{t.relays.Mean / float64(max(t.done, 1)), t.relays.Most}
	r.Events, r.Least, r.Withheld, r.Circulating = t.events, t.least, h.ether.Withheld(), h.ether.Circulating()
	for k, sum := range h.ether.Kinds() {
		r.Spent = append(r.Spent, Spent{k, sum})
	}
	slices.SortFunc(r.Spent, func(a, b Spent) int { return cmp.Or(cmp.Compare(b.For, a.For), cmp.Compare(a.Type, b.Type)) })
	for i := range s.Nodes {
		st := h.ether.Station(s.Nodes[i].Name)
		r.CheckIns.Sent += int(st.CheckIns)
		r.Nodes = append(r.Nodes, h.node(s.Nodes[i].Name, st.Died))
	}
	r.Nodes = append(r.Nodes, h.node(gatewayName, ""))
	for l, n := range h.ether.Losses() {
		r.Losses = append(r.Losses, Loss{l.Direction, l.Why, n})
	}
	slices.SortFunc(r.Losses, func(a, b Loss) int {
		return cmp.Or(cmp.Compare(b.Frames, a.Frames), cmp.Compare(a.Direction, b.Direction), cmp.Compare(a.Why, b.Why))
	})
	return r
}

func (h *house) node(name, died string) Node {
	a := h.ether.OnAir(name)
	limit, _ := h.ether.Limit(name) // there is a region
	return Node{Name: name, Frames: a.Frames, Airtime: a.Total, Hour: a.Hour, Limit: limit, Died: died}
}

func (t *tally) distribution() (points []Point) {
	sum := int64(0)
	for _, bar := range t.latency.Distribution() {
		if bar.Count > 0 {
			sum += bar.Count
			points = append(points, Point{float64(sum) / float64(t.latency.TotalCount()), time.Duration(bar.To) * time.Millisecond})
		}
	}
	return points
}

// Frame and the rest make a gateway.Meter.
func (t *tally) Frame(_, verdict string) {
	if verdict != "accepted" && verdict != "hint" {
		t.refused[verdict]++
	}
}

func (*tally) Hop(string, string, float64, float64, float64, bool) {}
func (*tally) Receipt(string, string)                              {}
func (*tally) Hint(string, string, string)                         {}
func (*tally) Committed(time.Duration, bool)                       {}
func (*tally) Published(string, string, time.Duration, bool)       {}
func (*tally) Session(string, string)                              {}
func (*tally) Heard(string, string, time.Duration)                 {}
func (*tally) Unheard()                                            {}
func (*tally) Tested(string, bool, time.Duration)                  {}
func (t *tally) Dropped(what string)                               { t.refused["dropped: "+what]++ }
