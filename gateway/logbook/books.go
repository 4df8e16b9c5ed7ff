package logbook

import (
	"math"
	"slices"
	"strconv"
	"strings"
	"sync"
	"time"

	"longlane/gateway"
	"longlane/queue/history"
	"longlane/queue/history/watched"
)

// books turn what is observed into spans and sums. What is told of them is reckoned at once, in a moment and without I/O, so that
// the gateway waits for nothing and nothing is ever dropped: a proof that is lost would only cost watched time, but a broken wire that is
// lost would count as watched.
type books struct {
	clock gateway.Clock

	mu       sync.Mutex // protects what follows
	zones    *watched.Ledger
	sounds   *watched.Ledger
	watching gateway.Watching
	nodes    map[uint8]*node
	contacts map[string]*contact // by zone
	ears     map[string]*ear
	hours    map[hourKey]*history.Hour
}

type node struct {
	life  uint64
	known bool          // life is
	at    time.Duration // of the last check-in
	lost  uint64        // times that it said that events were lost
	said  gateway.ID    // when it last did
}

// contact is what is known of the wire at a zone's input.
type contact struct {
	supervised bool            // as the last trip in this life of the node said
	trip       gateway.ID      // the newest event of a trip
	open       bool            // it has begun and not ended
	clear      time.Duration   // when it was last known not to be tripped; -1: never
	ails       map[string]*ail // by code
}

// ail is a fault that keeps a zone from being watched although its node is there.
type ail struct {
	of       gateway.ID // the event that told of it last
	standing bool
	told     time.Duration // when that was sealed; -1: before this start
}

// why is what a fault's code means for whoever asks whether a zone was watched. Others leave it watched.
var why = map[string]string{
	"input wire": "the wire to its contact was cut or shorted",
	"blocked":    "its contact did not return",
	held:         "its contact was held when the gateway began to listen, or since an opening that never came",
}

// held stands in the place of a code for a contact that a check-in tells of and no event.
const held = "held"

type ear struct {
	at   time.Duration
	life uint64
	bad  bool
}

type hourKey struct {
	node string
	wall bool
	hour int64
}

const (
	// longestEar is the longest time between two words of an annunciator, which come each minute.
	longestEar = 3 * time.Minute
	// mostEars bounds what anybody on the broker can have us keep in mind.
	mostEars = 64
)

func (b *books) begin(c gateway.Clock, patience time.Duration) {
	now := c.Mono()
	*b = books{clock: c, zones: watched.New(watched.ForZones(c.Boot, now, patience)), sounds: watched.New(watched.ForSound(c.Boot, now, longestEar)),
		nodes: map[uint8]*node{}, contacts: map[string]*contact{}, ears: map[string]*ear{}, hours: map[hourKey]*history.Hour{}}
}

func (b *books) observe(o gateway.Observation) {
	b.mu.Lock()
	defer b.mu.Unlock()
	switch o := o.(type) {
	case gateway.Watching:
		b.enrolled(o)
	case gateway.CheckInSeen:
		b.checkIn(o)
	case gateway.EventSeen:
		b.event(o)
	case gateway.Unwatched:
		b.zones.Blame(o.Zone, o.Why)
	case gateway.EarSeen:
		b.ear(o)
	}
}

// enrolled takes in which zones there are. One that has another node now is another one.
func (b *books) enrolled(w gateway.Watching) {
	for zone, was := range b.watching {
		if now, still := w[zone]; !still || now.ID != was.ID || now.Input != was.Input {
			b.zones.Remove(zone)
			delete(b.contacts, zone)
		}
	}
	b.watching = w
	for zone := range w {
		b.zones.Add(zone, b.clock.Mono())
	}
}

func (b *books) node(id uint8) *node {
	if b.nodes[id] == nil {
		b.nodes[id] = &node{}
	}
	return b.nodes[id]
}

func (b *books) contact(zone string) *contact {
	if b.contacts[zone] == nil {
		b.contacts[zone] = &contact{clear: -1, ails: map[string]*ail{}}
	}
	return b.contacts[zone]
}

func (b *books) checkIn(o gateway.CheckInSeen) {
	n := b.node(o.ID)
	last, anew := n.at, n.known && n.life != o.Life
	n.life, n.known, n.at = o.Life, true, max(n.at, o.At)
	for zone, w := range b.watching {
		if w.ID != o.ID {
			continue
		}
		c := b.contact(zone)
		if anew {
			b.restarted(zone, c, last, o.At)
		}
		b.position(zone, c, w.Input, o)
		q := history.RadioOnly
		if c.supervised {
			q = history.EndToEnd
		}
		b.zones.Proven(zone, watched.Proof{At: o.At, Life: o.Life | n.lost<<32, Complete: o.Complete, Quality: q})
	}
	b.count(o)
}

// restarted forgets what a node said in an earlier life, up to its last check-in at last: its wire may be another one now, and if
// something is wrong with it the node says so again.
func (b *books) restarted(zone string, c *contact, last, at time.Duration) {
	c.supervised, c.open = false, false
	for code, a := range c.ails {
		if a.told <= last && code != held {
			b.ended(zone, c, code, a.of, at)
		}
	}
}

// lastReported is the last input whose position a check-in tells.
const lastReported = 3

// position goes by how a check-in says that the contact stands.
func (b *books) position(zone string, c *contact, input uint8, o gateway.CheckInSeen) {
	switch {
	case input > lastReported:
	case o.Active>>input&1 == 0:
		c.open, c.clear = false, o.At
		b.ended(zone, c, "blocked", c.last("blocked"), o.At)
		b.ended(zone, c, held, gateway.ID{}, o.At)
	case !c.open && !c.standing("blocked"):
		b.began(zone, c, held, ail{told: o.At}, c.clear)
	}
}

func (c *contact) last(code string) gateway.ID {
	if a := c.ails[code]; a != nil {
		return a.of
	}
	return gateway.ID{}
}

func (c *contact) standing(code string) bool { return c.ails[code] != nil && c.ails[code].standing }

func (b *books) event(o gateway.EventSeen) {
	lost := o.Entry.Fault != nil && o.Entry.Fault.Lost && !o.Entry.Fault.Ended
	if n := b.node(o.ID.Node); lost {
		n.lost++
		if newer(o.ID, n.said) {
			n.said = o.ID
		}
	}
	for zone, w := range b.watching {
		if w.ID != o.ID.Node {
			continue
		}
		if o.Proof {
			b.zones.Proven(zone, watched.Proof{At: o.At})
		}
		if lost { // one of the events may have told that a wire was cut: it must show anew that it is not
			b.contact(zone).supervised = false
			b.zones.Blame(zone, "its node has lost events, in a restart or since its store was full")
		}
	}
	if o.Entry.Trip != nil && b.watches(o.Entry, o.ID) {
		b.trip(o)
	}
	b.fault(o.Entry, o.At)
}

// trip follows a contact.
func (b *books) trip(o gateway.EventSeen) {
	t, zone := o.Entry.Trip, o.Entry.Zone
	c := b.contact(zone)
	if o.Proof && newer(o.ID, b.node(o.ID.Node).said) {
		c.supervised = t.Supervised
	}
	if t.Test || !newer(o.ID, c.trip) {
		return
	}
	c.trip, c.open = o.ID, !t.Closed
	at := b.on(o.Entry)
	b.ended(zone, c, held, gateway.ID{}, at)
	if a := c.ails["input wire"]; a != nil && newer(o.ID, a.of) { // through a broken wire nothing would have come
		b.ended(zone, c, "input wire", o.ID, at)
	}
}

// watches reports whether an entry's zone is watched by the node of the event, now.
func (b *books) watches(e *gateway.Entry, of gateway.ID) bool {
	w, ok := b.watching[e.Zone]
	return ok && w.ID == of.Node && w.Node == e.Node
}

// entry takes in what the queue had kept from before this start.
func (b *books) entry(e *gateway.Entry) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.fault(e, -1)
}

// fault takes in one that was told of in a frame sealed at told.
func (b *books) fault(e *gateway.Entry, told time.Duration) {
	f := e.Fault
	if f == nil || why[f.Code] == "" || !b.watches(e, f.Of) {
		return
	}
	c := b.contact(e.Zone)
	if f.Ended {
		b.ended(e.Zone, c, f.Code, f.Of, b.on(e))
	} else {
		b.began(e.Zone, c, f.Code, ail{of: f.Of, told: told}, b.on(e))
	}
}

// on is when something happened, on the clock of this boot; -1 if that was before it.
func (b *books) on(e *gateway.Entry) time.Duration {
	if e.Boot != b.clock.Boot {
		return -1
	}
	return max(e.Mono, -1)
}

// newer reports whether a node told of id later than of other. IDs of another node are no other's.
func newer(id, other gateway.ID) bool {
	return id.Node != other.Node || id.Gen > other.Gen || id.Gen == other.Gen && id.Counter > other.Counter
}

// began notes that something is wrong since at; -1: since before the ledger began. What is older than what is known changes nothing.
func (b *books) began(zone string, c *contact, code string, a ail, at time.Duration) {
	was := c.ails[code]
	switch {
	case was == nil:
	case a.of != gateway.ID{} && !newer(a.of, was.of):
		return
	case was.standing: // its node has restarted, and says it again
		was.of, was.told = a.of, a.told
		return
	}
	a.standing = true
	c.ails[code] = &a
	if at < 0 {
		at = b.zones.Start()
	}
	b.zones.Bad(zone, at, why[code])
}

func (b *books) ended(zone string, c *contact, code string, of gateway.ID, at time.Duration) {
	a := c.ails[code]
	switch {
	case a == nil && of != gateway.ID{}:
		c.ails[code] = &ail{of: of} // its beginning may come later
		return
	case a == nil, of != gateway.ID{} && of != a.of && !newer(of, a.of):
		return
	}
	was := a.standing
	a.standing, a.of = false, of
	if !was {
		return
	}
	at = max(at, b.zones.Start())
	for code := range c.ails {
		if c.standing(code) {
			b.zones.Bad(zone, at, why[code])
			return
		}
	}
	b.zones.Good(zone, at)
}

// recall takes from the history what was wrong with the contacts before this start: nodes say it only once.
func (b *books) recall(r Reader) error {
	type key struct{ zone, code string }
	last := map[key]history.Fault{}
	note := func(f *history.Fault) error {
		k := key{f.Zone, f.Code}
		id, ok := parseID(f.ID)
		if why[f.Code] == "" || !ok {
			return nil
		}
		if was, ok := last[k]; ok {
			if old, _ := parseID(was.ID); old.Node == id.Node && !newer(id, old) {
				return nil
			}
		}
		last[k] = *f
		return nil
	}
	if err := r.Faults(time.Unix(0, 0), farAhead, note); err != nil {
		return err
	}
	if err := r.Unplaced(nil, note); err != nil {
		return err
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	for _, f := range last {
		id, _ := parseID(f.ID)
		if !f.Ended {
			b.fault(&gateway.Entry{ID: f.ID, Node: f.Node, Zone: f.Zone, Fault: &gateway.FaultEntry{Code: f.Code, Of: id}}, -1)
		}
	}
	return nil
}

// farAhead is later than whatever a clock can be set to.
var farAhead = time.Date(2200, 1, 1, 0, 0, 0, 0, time.UTC)

// parseID reads node.generation.counter.
func parseID(s string) (id gateway.ID, ok bool) {
	parts := strings.Split(s, ".")
	if len(parts) != 3 {
		return id, false
	}
	var n [3]uint64
	for i, bits := range []int{8, 8, 32} {
		v, err := strconv.ParseUint(parts[i], 10, bits)
		if err != nil {
			return id, false
		}
		n[i] = v
	}
	return gateway.ID{Node: uint8(n[0]), Gen: uint8(n[1]), Counter: uint32(n[2])}, true
}

// ear takes in an annunciator's word. Ticks that had a break since its last word begin a new life.
func (b *books) ear(o gateway.EarSeen) {
	e := b.ears[o.Annunciator]
	if e == nil {
		if len(b.ears) >= mostEars {
			return
		}
		e = &ear{at: -1}
		b.ears[o.Annunciator] = e
	}
	if e.at >= 0 && o.Since > e.at {
		e.life++
	}
	e.at = max(e.at, o.At)
	b.sounds.Proven(o.Annunciator, watched.Proof{At: o.At, Life: e.life, Complete: true, Quality: history.EndToEnd})
	switch bad := o.Trouble != ""; {
	case bad:
		b.sounds.Bad(o.Annunciator, o.At, "it had trouble: "+o.Trouble)
		e.bad = true
	case e.bad:
		b.sounds.Good(o.Annunciator, o.At)
		e.bad = false
	}
}

// count adds a check-in to the sum of its hour.
func (b *books) count(o gateway.CheckInSeen) {
	at, c := history.Moment{Boot: b.clock.Boot, Mono: o.At}, b.clock
	k := hourKey{node: o.Node, hour: int64(o.At / time.Hour)}
	if c.Set() {
		at.Wall = c.Wall().Add(o.At - c.Mono())
		k.wall, k.hour = true, at.Wall.Unix()/3600
	}
	h := b.hours[k]
	if h == nil {
		h = &history.Hour{Node: o.Node, At: at}
		b.hours[k] = h
	}
	h.Count++
	if v := math.Round(o.Battery*100) / 100; v > 0 {
		if h.Battery = v; h.Lowest == 0 || v < h.Lowest {
			h.Lowest = v
		}
	}
	for _, m := range o.Hops {
		addHop(h, m)
	}
}

func addHop(h *history.Hour, m gateway.HopMargin) {
	i := slices.IndexFunc(h.Hops, func(x history.Hop) bool { return x.From == m.From && x.To == m.To })
	if i < 0 {
		i = len(h.Hops)
		h.Hops = append(h.Hops, history.Hop{From: m.From, To: m.To})
	}
	h.Hops[i].Add(m.Margin)
}

// take moves what is new to s.
func (b *books) take(s *sums) {
	b.mu.Lock()
	defer b.mu.Unlock()
	now := b.clock.Mono()
	for _, sp := range append(b.zones.Take(now), b.sounds.Take(now)...) {
		s.span(sp)
	}
	for _, h := range b.hours {
		s.hours = append(s.hours, *h)
	}
	clear(b.hours)
}

// sums are what has not been written yet. Whatever goes wrong with the disk they stay within bounds.
type sums struct {
	spans []history.Span
	at    map[spanKey]int // where in spans
	hours []history.Hour
}

type spanKey struct {
	kind    history.Kind
	subject string
	quality history.Quality
	from    history.Moment
}

const mostSums = 4096 // spans, and as many hours

// span takes in a span, in the place of a shorter version of it.
func (s *sums) span(sp history.Span) {
	k := spanKey{sp.Kind, sp.Subject, sp.Quality, sp.From}
	if s.at == nil {
		s.at = map[spanKey]int{}
	}
	if i, ok := s.at[k]; ok {
		s.spans[i] = sp
		return
	}
	s.at[k] = len(s.spans)
	s.spans = append(s.spans, sp)
}

// next takes out a batch of up to n records.
func (s *sums) next(n int) (b history.Batch) {
	k := min(n, len(s.spans))
	b.Spans, s.spans = s.spans[:k:k], s.spans[k:]
	h := min(n-k, len(s.hours))
	b.Hours, s.hours = s.hours[:h:h], s.hours[h:]
	s.index()
	return b
}

// back puts a batch back that could not be written. What there is no room for any more is what says that a zone was watched: that it was
// not is kept as long as possible.
func (s *sums) back(b history.Batch) {
	s.spans = append(b.Spans, s.spans...)
	s.hours = append(b.Hours, s.hours...)
	s.hours = s.hours[max(0, len(s.hours)-mostSums):]
	for i := 0; i < len(s.spans) && len(s.spans) > mostSums; {
		if s.spans[i].Quality != history.Gap {
			s.spans = append(s.spans[:i], s.spans[i+1:]...)
			continue
		}
		i++
	}
	s.spans = s.spans[max(0, len(s.spans)-mostSums):]
	s.index()
}

func (s *sums) index() {
	s.at = map[spanKey]int{}
	for i, sp := range s.spans {
		s.at[spanKey{sp.Kind, sp.Subject, sp.Quality, sp.From}] = i
	}
}
