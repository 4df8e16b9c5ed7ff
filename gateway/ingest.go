package gateway

import (
	"context"
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"longlane/gateway/health"
	"longlane/gateway/roster"
	"longlane/proto"
	"longlane/queue"
	"longlane/radio"
)

// ingest is the gateway's inward half. One goroutine owns all of it.
type ingest struct {
	g        *Gateway
	epochs   *epoch
	windows  map[windowKey]*window
	flights  int
	repeats  map[uint8]int // receipts sent again of late, by node
	confirms map[ID]confirm
	house    *house
	ears     *ears
	health   *supervision
	short    map[string]bool  // bearers without airtime for trips' receipts, of which the house was told
	tries    map[uint8]*tries // of late, by node

	receipted map[uint8]time.Duration // when a node was last sent a receipt, in this run
	told      map[uint8]bool          // nodes that were shut out and are still heard
	unsaved   []*Event                // notices that could not be stored
	set       bool                    // the clock was set when last looked at
	right     righting
	standing  standing
	copy      copyState
	room      room
	mesh      mesh

	complaint string // about the roster, as last logged
}

type windowKey struct {
	space     space
	node, gen uint8
}

func (k windowKey) bytes() []byte { return []byte{byte(k.space), k.node, k.gen} }

// window is a replay window and what is on its way to the disk.
type window struct {
	proto.Window
	flying   map[uint32]bool
	answered map[uint32]answer // by counter: the receipts of this run
}

func newWindow() *window { return &window{flying: map[uint32]bool{}, answered: map[uint32]answer{}} }

// commitResult is the queue's answer.
type commitResult struct {
	event *Event
	key   windowKey
	count uint32
	seq   queue.Seq
	err   error
	began time.Time
	reply func() // sends the receipt
	again bool   // not the first try to store it

	numbers uint32 // instead of an event: receipt numbers below this have been set aside
	right   bool   // instead of an event: a time has been put right

	standing bool // instead of an event: the standing faults were written
	copied   bool // instead of an event: the second copy was written

	health bool // instead of an event: what is known of the site's health was written, and counts in set
	set    int

	group uint32 // instead of an event: numbers of group frames below this have been set aside
}

// AdvanceMark is the queue's rule for replay marks: it appends to dst the window stored, with counter marked.
func AdvanceMark(dst, old []byte, counter uint32) ([]byte, error) {
	var w proto.Window
	if err := w.UnmarshalBinary(old); err != nil {
		return nil, fmt.Errorf("read replay mark: %w", err)
	}
	w.Mark(counter)
	return w.AppendBinary(dst)
}

func newIngest(g *Gateway) (*ingest, error) {
	in := &ingest{g: g, windows: map[windowKey]*window{}, repeats: map[uint8]int{},
		confirms: map[ID]confirm{}, short: map[string]bool{}, tries: map[uint8]*tries{}, receipted: map[uint8]time.Duration{}, told: map[uint8]bool{}, set: g.o.Clock.Set()}
	lost, err := in.readMarks()
	if err != nil {
		return nil, fmt.Errorf("read replay marks: %w", err)
	}
	copied, err := readCopy(g.o.Copy, g.o.Site, g.o.Roster.Get().Site)
	if err != nil {
		g.o.Log.Error("going on without it", "err", err)
	}
	if copied != nil {
		if lost, err = in.addCopy(copied, lost); err != nil {
			return nil, err
		}
	}
	if in.epochs, err = openEpoch(g.o.Queue, g.o.Clock, len(lost) > 0, copied); err != nil {
		return nil, err
	}
	in.mesh = newMesh()
	if in.mesh.group, err = openGroupCounter(g.o.Queue, g.o.Clock, copied); err != nil {
		return nil, err
	}
	in.copy.changed = true
	if in.g.o.Copy != "" && (copied == nil || copied.Epoch != in.epochs.number) {
		// Before the first receipt: from a copy that lags by an epoch, the lost queue would go on with this one.
		in.lastCopy()
	}
	for _, key := range lost { // only now: frames from before can no longer pass for fresh
		if err := g.o.Queue.ForgetMark(key); err != nil {
			return nil, err
		}
	}
	if len(lost) > 0 || in.epochs.damaged {
		g.notify(Notice{Code: NoticeMarksLost, Detail: marksLost(g, lost)})
	}
	for _, n := range g.o.Faults {
		g.notify(n)
	}
	in.house = newHouse(g, in.notice)
	in.ears = newEars(g, in.notice)
	in.restore()
	in.health = newSupervision(g, in.standing.faults)
	in.unusedSinks()
	in.silentBearers()
	return in, nil
}

// readMarks fills windows. The keys of marks that cannot be read are returned.
func (in *ingest) readMarks() (lost [][]byte, err error) {
	damaged, err := in.g.o.Queue.Marks(func(key, value []byte) error {
		w := newWindow()
		if len(key) != 3 || w.UnmarshalBinary(value) != nil {
			lost = append(lost, key)
			return nil
		}
		in.windows[windowKey{space(key[0]), key[1], key[2]}] = w
		return nil
	})
	return append(lost, damaged...), err
}

func marksLost(g *Gateway, lost [][]byte) string {
	var names []string
	for _, key := range lost {
		if len(key) == 3 && !slices.Contains(names, g.nodeName(key[1])) {
			names = append(names, g.nodeName(key[1]))
		}
	}
	slices.Sort(names)
	text := "what the queue's file holds of gateway time was damaged: the disk may be failing"
	if len(lost) > 0 {
		text = "the queue's file no longer tells which frames of " + strings.Join(names, ", ") +
			" were received before: the disk may be failing. What somebody recorded earlier may sound again"
	}
	return text + ". Until they hear from the gateway, all nodes' frames count as unproven"
}

// run works until ctx ends, what was received has been looked at, and everything handed to the queue has been answered.
func (in *ingest) run(ctx context.Context) {
	tick := time.NewTicker(time.Second)
	defer tick.Stop()
	in.putRight()
	for {
		packets, done := in.g.packets, ctx.Done()
		if in.flights >= maxFlights {
			packets = nil // answer before taking in more
		}
		if in.flights > 0 {
			done = nil
		}
		select {
		case <-done:
			if len(in.g.packets) == 0 { // the bearers have stopped: there will be no more
				in.lastCopy()
				in.lastHealth()
				return
			}
		case p := <-packets:
			in.packet(p)
		case r := <-in.g.results:
			in.result(r)
		case n := <-in.g.notices:
			in.notice(n)
		case w := <-in.g.words:
			in.ears.word(w)
		case <-tick.C:
			in.tick()
			in.beacons() // within a second of their time is near enough: their shortest interval is 8 s
		}
	}
}

func (in *ingest) tick() {
	g := in.g
	in.refresh()
	set := g.o.Clock.Set()
	if set && !in.set {
		g.o.Log.Info("the clock has been set")
		in.house.clockSet()
		in.mesh.group.clockSet(g.o.Clock)
	}
	if set && (!in.set || in.right.failed) {
		in.putRight()
	}
	in.set = set // it can be lost again
	in.watchAirtime()
	in.watchRoom()
	in.supervise()
	in.house.overdue(g.o.Clock.Mono(), in.deaf)
	in.unconfirmed()
	in.ears.tick()
	in.easeRepeats()
	in.saveAgain()
	in.saveStanding()
	in.saveCopy()
	in.setAside()
	in.setGroupAside()
	in.mesh.forget(g.o.Clock.Mono())
}

// refresh goes by the roster as it is now. What is wrong with it is said once.
func (in *ingest) refresh() {
	g := in.g
	changed, err := g.o.Roster.Refresh()
	if err == nil {
		in.complaint = ""
	} else if text := err.Error(); text != in.complaint {
		in.complaint = text
		g.o.Log.Error("the roster cannot be read; the one in force stays", "err", err)
	}
	if changed {
		in.house.reload()
		in.health.w.SetSite(g.watched(), g.moment())
		in.health.rejudge = true
		g.o.Log.Info("the roster has changed")
	}
}

// setAside has the next block of receipt numbers written while the last is in use, so that neither a receipt nor an
// alert behind it waits for the disk.
func (in *ingest) setAside() {
	if !in.epochs.low() {
		return
	}
	in.epochs.asking = true
	in.flights++
	upTo := in.epochs.reserved + numberBlock
	go func() { // ends with the write; run waits for its answer
		in.g.results <- commitResult{numbers: upTo, err: in.epochs.setAside(upTo)}
	}()
}

func (in *ingest) numbersSet(r commitResult) {
	in.epochs.asking = false
	if r.err != nil {
		in.g.o.Log.Error("receipt numbers are running out", "err", r.err)
		return
	}
	in.epochs.reserved = r.numbers
}

// setGroupAside does the same for the numbers of group frames.
func (in *ingest) setGroupAside() {
	n := in.mesh.group
	if !n.low() {
		return
	}
	n.asking = true
	in.flights++
	upTo := n.block()
	go func() { // ends with the write; run waits for its answer
		in.g.results <- commitResult{group: upTo, err: n.setAside(upTo)}
	}()
}

func (in *ingest) groupSet(r commitResult) {
	n := in.mesh.group
	n.asking = false
	if r.err != nil {
		in.g.o.Log.Error("numbers of beacons are running out", "err", r.err)
		return
	}
	n.reserved = max(n.reserved, r.group)
	in.copy.changed = true
}

// packet takes one packet through all checks, in the order: shape, place, key, replay, freshness.
func (in *ingest) packet(p radio.Packet) {
	verdict := in.judge(p)
	in.g.o.Meter.Frame(p.Bearer, verdict)
	if verdict != "accepted" && verdict != "hint" {
		in.refused(verdict)
		in.g.o.Log.Debug("frame refused", "bearer", p.Bearer, "verdict", verdict, "bytes", len(p.Frame))
	}
}

func (in *ingest) judge(p radio.Packet) (verdict string) {
	raw, err := proto.Parse(p.Frame)
	if err != nil {
		return reason(err)
	}
	r := in.g.o.Roster.Get()
	switch {
	case raw.Site != r.Site:
		return "site"
	case raw.Type.Receipt():
		return "direction"
	case raw.Type.Group():
		return in.hint(raw, p, r)
	}
	key := windowKey{spaceOf(raw.Type), raw.Node, raw.Gen}
	if v := in.admit(r, key); v != "" {
		return v
	}
	w := in.windows[key]
	if w == nil {
		w = newWindow() // kept only once a frame has been authenticated
	}
	highest, _ := w.Highest()
	counter := raw.Counter
	if !raw.WholeCounter() {
		counter = proto.Resolve(uint16(raw.Counter), highest)
	}
	keys, err := r.Keys(raw.Node, raw.Gen)
	if err != nil {
		return "unknown-node"
	}
	body, err := raw.Open(keys, counter)
	if err != nil {
		// Of an old frame the low bits of its counter pass for a number that is still to come. That it is a node's own, somebody's recording
		// and no forgery, is worth another look.
		if verdict := reason(err); verdict != string(proto.BadMAC) || raw.WholeCounter() || counter <= highest || counter < 1<<16 {
			return verdict
		}
		if _, err := raw.Open(keys, counter-1<<16); err != nil {
			return reason(err)
		}
		return "old"
	}
	in.windows[key] = w
	e := &Event{kind: kindFrame, ID: ID{raw.Node, raw.Gen, counter}, Frame: p.Frame, Body: body,
		proven: in.prove(raw, r), Rx: in.g.reception(p)}
	e.Hops = seenHops(raw, e.proven)
	return in.authentic(e, raw, p, key, w)
}

// prove verifies the hop records. A relay's key is good for as long as a frame of its own would be taken under it.
func (in *ingest) prove(raw proto.Raw, r *roster.Roster) (proven uint8) {
	for i := range raw.HopCount() {
		hop := raw.Hop(i)
		if in.admit(r, windowKey{node: hop.Relay, gen: hop.Gen}) != "" {
			continue
		}
		if k, err := r.Keys(hop.Relay, hop.Gen); err == nil && raw.VerifyHop(i, k) {
			proven |= 1 << i
		}
	}
	return proven
}

func reason(err error) string {
	var pe *proto.Error
	if errors.As(err, &pe) {
		return string(pe.Reason)
	}
	return "type"
}

// admit decides whether a node's generation may speak at all.
func (in *ingest) admit(r *roster.Roster, key windowKey) string {
	n := r.Node(key.node)
	switch {
	case n == nil:
		return "unknown-node"
	case n.Revoked:
		in.shutOut(n)
		return "revoked"
	case key.gen == n.Gen:
		return ""
	case key.gen+1 != n.Gen || key.gen == 0:
		return "generation"
	}
	// The generation before: until the first frame of the new one, at most OldGenerationFor. While the clock is unset, or
	// if it was when the node was re-keyed, the first half of the rule stands alone.
	for _, s := range []space{eventSpace, checkInSpace} {
		if w := in.windows[windowKey{s, key.node, n.Gen}]; w != nil {
			return "generation"
		}
	}
	if n.Rekeyed.IsZero() || !in.g.o.Clock.Set() {
		return ""
	}
	// A re-keying more than a day ahead was dated by a clock that was wrong, and its date says nothing: without this
	// bound the old key would be good until then. A day covers a battery clock that keeps local time.
	if ago := in.g.o.Clock.Wall().Sub(n.Rekeyed); ago > roster.OldGenerationFor || ago < -24*time.Hour {
		return "generation"
	}
	return ""
}

// shutOut says once in a run that a node that was shut out is still sending, or that somebody does so in its name.
func (in *ingest) shutOut(n *roster.Node) {
	if !in.told[n.ID] {
		in.told[n.ID] = true
		in.g.o.Log.Warn("frames come from a node that is shut out; they are refused", "node", n.Name, "id", n.ID)
	}
}

// authentic goes on with a frame whose MAC is good.
func (in *ingest) authentic(e *Event, raw proto.Raw, p radio.Packet, key windowKey, w *window) string {
	in.remember(e, raw, p, key)
	reply := func() { in.receipt(e, raw, p, w, e.Rx.Mono) }
	flying, place := w.flying[e.ID.Counter], w.Check(e.ID.Counter)
	switch {
	case flying && key.space == eventSpace:
		return "in-flight" // by another way, or a retry that crossed its receipt: no second sound, no receipt yet
	case place == proto.TooOld:
		return "old"
	case flying || place == proto.Seen:
		if in.mayRepeat(e.ID, e.Rx.Bearer, raw, w) {
			if key.space == checkInSpace {
				in.judgeTime(e) // its receipt says what came of that
			}
			reply()
		}
		if flying {
			return "in-flight"
		}
		return "repeat"
	}
	in.judgeTime(e)
	in.saw(e, in.measure(e))
	if b, ok := e.Body.(*proto.CheckIn); ok {
		in.checkIn(e, b, key, reply)
	} else {
		in.event(e, key, reply)
		in.tried(e, raw.Attempt)
	}
	return "accepted"
}

// judgeTime sets Fresh and Late.
func (in *ingest) judgeTime(e *Event) {
	held, _ := transit(e.Hops)
	at, now, within := sent(e.Body), in.epochs.at(e.Rx.Mono), in.g.o.FreshWithin
	e.Fresh, e.Late = proto.Judge(at, now, held, within)
	if e.Fresh == proto.Unproven {
		e.Late = -held // nothing bears out what relays say, and such a trip is to sound
	}
	if e.Fresh != proto.Fresh {
		return
	}
	e.Late = max(e.Late-time.Second-in.drift(e.ID.Node), 0) // the rest is rounding and drift, not delay
	if f, underWay := proto.Judge(at, now, 0, within); f != proto.Unproven && held > underWay {
		e.Late = underWay - held // no relay can make a trip older than its frame is
	}
}

// drift is by how much a node's clock may have gone wrong since it was set: by the last receipt, or by one up to an hour earlier, if
// that was lost.
func (in *ingest) drift(node uint8) time.Duration {
	at, ok := in.receipted[node]
	if !ok {
		return time.Duration(proto.MaxDrift * float64(proto.TimeHolds))
	}
	return time.Duration(proto.MaxDrift * float64(min(in.g.o.Clock.Mono()-at+time.Hour, proto.TimeHolds)))
}

func sent(b proto.Body) proto.SendTime {
	switch b := b.(type) {
	case *proto.TripOpened:
		return b.Sent
	case *proto.TripClosed:
		return b.Sent
	case *proto.TripHeld:
		return b.Sent
	case *proto.Fault:
		return b.Sent
	case *proto.CheckIn:
		return b.Sent
	}
	return proto.SendTime{Seconds: proto.NoTime}
}

// measure tells of each hop. What a hop says counts only if it is proven who sent there as well as who heard. A relay that
// nobody has enrolled is in a record that somebody made up, and all of those are one.
func (in *ingest) measure(e *Event) (seen []health.Hop) {
	r := in.g.o.Roster.Get()
	proven := true
	for i, h := range in.g.hopData(e) {
		if i < len(e.Hops) && r.Node(e.Hops[i].Relay) == nil {
			h.To = UnknownRelay
		}
		if i > 0 && r.Node(e.Hops[i-1].Relay) == nil {
			h.From = UnknownRelay
		}
		in.g.o.Meter.Hop(h.From, h.To, orNaN(h.RSSI), orNaN(h.SNR), orNaN(h.Margin), h.Verified && proven)
		seen = append(seen, seenHop(h, h.Verified && proven))
		proven = h.Verified
	}
	return seen
}

func orNaN(v *float64) float64 {
	if v == nil {
		return math.NaN()
	}
	return *v
}

// event offers a new trip or fault to the sinks and, beside that, hands it to the queue. The offer comes first: nothing
// that makes no noise is to be in an alert's way.
func (in *ingest) event(e *Event, key windowKey, reply func()) {
	for _, s := range in.g.sinks {
		s.offer(e)
	}
	in.log(e)
	in.house.event(e)
	in.observeEvent(e)
	in.ears.opened(e)
	in.commit(e, key, reply)
}

func (in *ingest) log(e *Event) {
	what := "trip opened"
	switch b := e.Body.(type) {
	case *proto.Fault:
		what = "fault of a node: " + b.Kind.String()
	default:
		if e.closed() {
			what = "trip closed"
		}
	}
	args := []any{"node", in.g.nodeName(e.ID.Node), "event", e.ID.String(), "proof", e.Fresh.String(), "ago", e.before().Round(time.Millisecond), "bearer", e.Rx.Bearer}
	if i, ok := e.input(); ok {
		args = append(args, "zone", in.g.zone(e.ID.Node, i.Number))
		if i.Test {
			what = "test " + what
		}
	}
	in.g.o.Log.Info(what, args...)
}

// checkIn takes in a check-in. Only its mark is stored; its receipt promises nothing and does not wait.
func (in *ingest) checkIn(e *Event, b *proto.CheckIn, key windowKey, reply func()) {
	highest := uint32(0)
	if w := in.windows[windowKey{eventSpace, key.node, key.gen}]; w != nil {
		highest, _ = w.Highest()
	}
	in.house.checkIn(e, b, highest)
	in.observeCheckIn(e, b, highest)
	in.confirmed(e, b)
	reply()
	in.commit(e, key, nil)
}

func (in *ingest) commit(e *Event, key windowKey, reply func()) {
	w := in.windows[key]
	w.flying[e.ID.Counter] = true
	in.flights++
	rec := queue.Record{Priority: e.priority(), Mark: &queue.Mark{Key: key.bytes(), Counter: e.ID.Counter}}
	if key.space == checkInSpace {
		rec.Priority, rec.NoStore = queue.Routine, true
	}
	if !rec.NoStore {
		rec.Value = e.append(nil)
		rec.Aside = !e.Rx.Set
	}
	res := commitResult{event: e, key: key, count: e.ID.Counter, began: time.Now(), reply: reply}
	in.g.o.Queue.Append(rec, func(seq queue.Seq, err error) {
		res.seq, res.err = seq, err
		in.g.results <- res // never blocks: at most maxFlights are out
	})
}

// result is told what became of a commit. Only here does an event become durable.
func (in *ingest) result(r commitResult) {
	in.flights--
	switch {
	case r.numbers != 0:
		in.numbersSet(r)
		return
	case r.group != 0:
		in.groupSet(r)
		return
	case r.right:
		in.righted(r.err)
		return
	case r.standing:
		in.standingSaved(r.err)
		return
	case r.health:
		in.healthSaved(r.set, r.err)
		return
	case r.copied:
		in.copySaved(r.err)
		return
	}
	in.g.o.Meter.Committed(time.Since(r.began), r.err != nil)
	w := in.windows[r.key]
	if w != nil {
		delete(w.flying, r.count)
	}
	stored := r.key.space == eventSpace || r.event.notice()
	if r.err != nil {
		if errors.Is(r.err, queue.ErrCorruptMark) {
			in.g.giveUp(fmt.Errorf("%w: starting anew mends it", r.err))
		}
		if !r.again && !(in.room.told && errors.Is(r.err, queue.ErrFull)) { // else it is said already
			in.g.o.Log.Error("an event was not stored; if it came from a node, no receipt is sent and the node will try again",
				"event", r.event.ID, "err", r.err)
		}
		if stored {
			for _, s := range in.g.sinks {
				s.failed(r.event)
			}
		}
		if r.event.notice() && len(in.unsaved) < cap(in.g.notices) {
			in.unsaved = append(in.unsaved, r.event) // no node will try again
		}
		return
	}
	if w != nil {
		w.Mark(r.count)
		in.copy.changed = true
	}
	if stored {
		for _, s := range in.g.sinks {
			s.committed(r.event, r.seq)
		}
		in.ears.stored(r.event)
	}
	if r.reply != nil {
		r.reply()
	}
	if stored && !r.event.Rx.Set && in.set {
		in.putRight() // the clock was set while it was on its way to the disk
	}
}
