package gateway

import (
	"cmp"
	"encoding/json"
	"fmt"
	"maps"
	"slices"
	"strconv"
	"strings"
	"sync"
	"time"

	"longlane/gateway/health"
	"longlane/gateway/roster"
	"longlane/proto"
)

// Fault is one that stands, as somebody who looks at the gateway is shown it.
type Fault struct {
	// ID is the same for as long as it stands, through a restart as well.
	ID string `json:"id"`
	health.Verdict
	Seen time.Time `json:"seen,omitzero"` // when somebody said that he has seen it; by the clock as it was then
}

// supervision is what the gateway makes of what it sees, through a health.Watcher: node, hop, zone, bearer, sink and itself. The ingest
// goroutine owns it, but for what stands under mu.
type supervision struct {
	w     *health.Watcher
	saved time.Duration // when its state was last written
	// changed says that what stands is not what was written last; writing, that a write is under way.
	changed, writing bool
	set              int                 // in which it is written; see putParts
	wait             time.Duration       // until then no further try, since the last has failed
	rejudge          bool                // nodes' health is to be told anew, though nothing has begun or ended
	air              map[string]airCount // of each bearer, as last looked at

	mu    sync.Mutex
	shown []Fault              // what stands, as of the last tick
	seen  map[string]time.Time // by ID, of what stands
	noted bool                 // seen is not as it was written last
}

// airCount counts tries to send, and those at which the channel was in use.
type airCount struct{ tries, busy int64 }

const (
	healthName = "health" // value: savedHealth as JSON, in parts
	// healthEvery is how often the weeks' readings are written, beside whenever a fault begins or ends: a kill costs an hour of them.
	healthEvery = time.Hour
	// healthAgain is how long after a write that failed the next is tried: the text of a large site is no work for each second.
	healthAgain = time.Minute
)

// savedHealth is what outlives the process.
type savedHealth struct {
	health.State
	Seen map[string]time.Time `json:"seen,omitempty"`
}

// elsewhere are the verdicts that the house hears of by another notice of the gateway's.
var elsewhere = map[health.Code]string{
	health.Overdue:     NoticeOverdue,
	health.ModemAbsent: NoticeBearerDown,
}

// silent are the verdicts of which no notice is made: of the first the queue's own says more; the second could be told to whom it is about
// only when it is over, and a receiver that takes faults but no trips would be believed well by each.
var silent = map[health.Code]bool{health.DiskFilling: true, health.SinkAbsent: true}

// words are what nodes call the faults that they tell of themselves and that last.
var words = map[health.Code]proto.FaultKind{health.Tamper: proto.FaultTamper, health.InputWire: proto.FaultInput, health.BatteryLow: proto.FaultBattery,
	health.Blocked: proto.FaultBlocked, health.Chatter: proto.FaultChatter, health.NumberStore: proto.FaultNumbers}

// newSupervision takes up what was known of the site's health when the last run ended. The house was told of the faults in told, the keys of
// standing notices; what a crash kept the state from knowing of these is made up for, so that each ends once.
func newSupervision(g *Gateway, told map[string]bool) *supervision {
	at := g.moment()
	for _, name := range slices.Sorted(maps.Keys(g.o.LowBattery)) {
		if g.nodeID(name) == 0 {
			g.o.Log.Warn("low_battery names a node that is not enrolled", "node", name)
		}
	}
	s := &supervision{w: health.New(g.watched(), at), saved: at.Mono, rejudge: true, air: map[string]airCount{}, seen: map[string]time.Time{}}
	kept := savedHealth{State: health.State{Version: health.StateVersion}}
	text, set, err := getParts(g.o.Queue, healthName)
	if s.set = set; err != nil {
		g.o.Log.Warn("what was known of the site's health is not: trends of weeks begin anew", "err", err)
	} else if len(text) > 0 {
		if err := json.Unmarshal(text, &kept); err != nil {
			g.o.Log.Warn("what was known of the site's health cannot be read: trends of weeks begin anew", "err", err)
			kept = savedHealth{State: health.State{Version: health.StateVersion}}
		}
	}
	kept.Faults = slices.DeleteFunc(kept.Faults, func(f health.FaultState) bool { // its end was told since
		n := g.noticeOf(health.Change{Verdict: f.Verdict})
		return n.Code != "" && !told[n.key()]
	})
	for key := range told {
		subject, code, ok := g.verdictOf(key)
		if ok && !slices.ContainsFunc(kept.Faults, func(f health.FaultState) bool { return f.Subject == subject && f.Code == code }) {
			kept.Faults = append(kept.Faults, health.FaultState{Verdict: health.Verdict{Subject: subject, Code: code, Severity: health.Trouble,
				Reason: "It stood when the gateway was last stopped; more is not known yet.", Evidence: []health.Figure{}, Since: at}})
		}
	}
	if kept.Seen != nil {
		s.seen = kept.Seen
	}
	if err := s.w.Restore(kept.State, at); err != nil {
		g.o.Log.Warn("the site's health is judged anew", "err", err)
	}
	return s
}

// moment is now, as health has it.
func (g *Gateway) moment() health.Time {
	t := health.Time{Mono: g.o.Clock.Mono()}
	if g.o.Clock.Set() {
		t.Wall = g.o.Clock.Wall()
	}
	return t
}

// watched is the site as the roster and the options have it now.
func (g *Gateway) watched() health.Site {
	s := health.Site{Gateway: g.o.Name}
	for _, n := range g.o.Roster.Get().Nodes {
		if n.Revoked {
			continue
		}
		node := health.Node{Name: n.Name, ID: n.ID, CheckIn: g.o.CheckIn, LowBattery: g.o.LowBattery[n.Name], Zones: map[uint8]string{}}
		for _, in := range n.Inputs {
			node.Zones[in.Number] = in.Zone
		}
		s.Nodes = append(s.Nodes, node)
	}
	for _, l := range g.o.Links {
		air, radio := g.o.Air[l.Name()]
		s.Bearers = append(s.Bearers, health.Bearer{Name: l.Name(), Radio: radio, Settings: air.Settings})
	}
	for _, k := range g.sinks {
		s.Sinks = append(s.Sinks, k.o.Name)
		if !k.o.Required {
			s.Optional = append(s.Optional, k.o.Name)
		}
	}
	return s
}

// saw has a frame's signs of life, margins and words judged. hops are as measure has proven them.
func (in *ingest) saw(e *Event, hops []health.Hop) {
	g, w, at := in.g, in.health.w, in.g.moment()
	name := g.nodeName(e.ID.Node)
	w.Heard(at, health.Frame{Node: name, Bearer: e.Rx.Bearer, Sealed: e.sealed(), Hops: hops,
		Now: e.Fresh == proto.Fresh && e.Rx.Mono-e.sealed() <= in.house.patience()})
	if e.Fresh == proto.Fresh {
		for i, h := range hops { // a relay that wrote a record of it was there, too
			if i > 0 && h.Proven {
				in.house.passedOn(h.From, e.sealed())
			}
		}
	}
	switch b := e.Body.(type) {
	case *proto.CheckIn:
		w.CheckIn(at, health.CheckIn{Node: name, Gen: e.ID.Gen, Counter: e.ID.Counter, Body: b})
		in.offset(e, b, at)
	case *proto.Fault:
		w.Fault(at, health.FaultTold{Node: name, Gen: e.ID.Gen, Counter: e.ID.Counter, Body: b})
	}
}

// offset compares a node's clock with ours, if a receipt of this run has set it.
func (in *ingest) offset(e *Event, b *proto.CheckIn, at health.Time) {
	set, known := in.receipted[e.ID.Node]
	if !known || e.Fresh == proto.Unproven {
		return
	}
	held, _ := transit(e.Hops)
	if off, ok := proto.Offset(b.Sent, in.epochs.at(e.Rx.Mono), held); ok {
		in.health.w.Offset(at, in.g.nodeName(e.ID.Node), off, at.Mono-set)
	}
}

// refused has a frame that was refused judged, if it bears the site's name.
func (in *ingest) refused(verdict string) {
	switch verdict {
	case string(proto.BadMAC):
		in.health.w.Refused(in.g.moment(), health.WrongKey)
	case "old":
		in.health.w.Refused(in.g.moment(), health.Recorded)
	}
}

// supervise looks, once a second, at what frames alone do not tell, and tells the house what has begun and what has ended.
func (in *ingest) supervise() {
	g, s, at := in.g, in.health, in.g.moment()
	for _, l := range g.o.Links {
		name := l.Name()
		s.w.Bearer(at, name, l.Up())
		if air, ok := g.o.Air[name]; ok && air.Noise != nil {
			s.w.Noise(at, name, air.Noise()) // not a number: none was told
		}
		in.tallyBusy(name, at)
	}
	for _, k := range g.sinks {
		s.w.Sink(at, k.o.Name, k.trouble.get() == nil)
	}
	if st := g.o.Queue.Stats(); st.Capacity > 0 {
		s.w.Disk(at, float64(st.BytesUsed)/float64(st.Capacity))
	}
	changes := s.w.Tick(at)
	s.changed = s.changed || s.w.Learned()
	for _, c := range changes {
		s.changed = true
		in.verdict(c, at.Mono)
	}
	in.show(len(changes) > 0)
	in.saveHealth(at.Mono)
}

// tallyBusy tells of the tries to send since the last look.
func (in *ingest) tallyBusy(bearer string, at health.Time) {
	sender := in.g.senders[bearer]
	now := airCount{sender.tries.Load(), sender.busy.Load()}
	before := in.health.air[bearer]
	in.health.air[bearer] = now
	busy := now.busy - before.busy
	for i := range min(now.tries-before.tries, 64) {
		in.health.w.Busy(at, bearer, i < busy)
	}
}

// verdict tells the house of a verdict that begins or ends.
func (in *ingest) verdict(c health.Change, now time.Duration) {
	n := in.g.noticeOf(c)
	if word, lasts := words[c.Code]; c.Unsaid && lasts { // or it would stand for ever with whoever has heard the node
		said := Notice{Code: word.String(), Ended: true, Node: n.Node, Zone: n.Zone, Detail: "over, though its node has not said so: it was shut out or replaced, or has started anew. It was: " + c.Reason}
		if n.Zone != "" {
			said.Node = in.g.watcherOf(n.Zone)
		}
		in.notice(said)
	}
	if c.Code == health.Overdue {
		name := c.Subject.Name
		if c.Ended {
			in.house.absolve(name, now)
			n.Node, n.Detail = in.blamed(name), name+" is heard again"
			if r := in.g.o.Roster.Get().Node(n.Node); r == nil || r.Revoked {
				n.Detail = name + " is shut out and no longer waited for"
			}
		} else {
			n.Detail = name + ": " + in.house.blame(name, c.Verdict, now)
		}
	}
	switch {
	case c.Ended && n.Code != "" && !in.standing.faults[n.key()]: // its beginning was a node's own word
	case n.Code != "":
		in.notice(n)
	case silent[c.Code]:
		in.g.o.Log.Warn("fault", "code", string(c.Code), "ended", c.Ended, "detail", n.Detail)
	}
}

// blamed is the id of the node of that name that was told to be overdue: a spare may have taken over the name since.
func (in *ingest) blamed(name string) uint8 {
	for key := range in.standing.faults {
		if id, ok := strings.CutPrefix(key, NoticeOverdue+" "); ok {
			if id, err := strconv.ParseUint(id, 10, 8); err == nil && in.g.nodeName(uint8(id)) == name {
				return uint8(id)
			}
		}
	}
	return in.g.nodeID(name)
}

// noticeOf makes the notice of a verdict. Its code is empty if none is to be made: of what a node has told itself the house knows already.
func (g *Gateway) noticeOf(c health.Change) Notice {
	n := Notice{Code: string(c.Code), Ended: c.Ended, about: about(c.Subject), Detail: c.Reason + " " + c.Remedy}
	if other := elsewhere[c.Code]; other != "" {
		n.Code = other
	}
	if c.Told && !c.Ended || silent[c.Code] {
		n.Code = ""
	}
	if c.Ended {
		n.Detail = "over: " + c.Reason
	}
	switch c.Subject.Kind {
	case health.KindNode, health.KindHop:
		n.Node = g.nodeID(c.Subject.Name)
	case health.KindZone:
		n.Zone = c.Subject.Name
	case health.KindBearer:
		if c.Code != health.ModemAbsent {
			break
		}
		if n.about = c.Subject.Name; c.Ended {
			n.Detail = c.Subject.Name + " works again"
		}
	}
	return n
}

// about is a subject as it stands in a notice's key.
func about(s health.Subject) string {
	return strings.TrimSuffix(string(s.Kind)+"/"+s.Name+"/"+s.To, "/")
}

// verdictOf reads the key of a standing notice that a verdict was told by.
func (g *Gateway) verdictOf(key string) (health.Subject, health.Code, bool) {
	word, rest, _ := strings.Cut(key, " ")
	switch word {
	case NoticeOverdue:
		id, err := strconv.ParseUint(rest, 10, 8)
		return health.Subject{Kind: health.KindNode, Name: g.nodeName(uint8(id))}, health.Overdue, err == nil
	case NoticeBearerDown:
		return health.Subject{Kind: health.KindBearer, Name: rest}, health.ModemAbsent, true
	}
	code := health.Code(word)
	if !slices.Contains(health.Codes, code) {
		return health.Subject{}, "", false
	}
	parts := strings.SplitN(rest, "/", 3)
	if len(parts) < 2 {
		return health.Subject{}, "", false
	}
	s := health.Subject{Kind: health.Kind(parts[0]), Name: parts[1]}
	if len(parts) == 3 {
		s.To = parts[2]
	}
	return s, code, true
}

// nodeID is the id of the node that has a name now or, if none has, of one that was shut out: what stood against that is to end.
func (g *Gateway) nodeID(name string) (id uint8) {
	for _, n := range g.o.Roster.Get().Nodes {
		if n.Name == name {
			if id = n.ID; !n.Revoked {
				break
			}
		}
	}
	return id
}

// watcherOf is the id of the node that watches a zone or, if none does, of one that was shut out and did.
func (g *Gateway) watcherOf(zone string) (id uint8) {
	for _, n := range g.o.Roster.Get().Nodes {
		if slices.ContainsFunc(n.Inputs, func(in roster.Input) bool { return in.Zone == zone }) {
			if id = n.ID; !n.Revoked {
				break
			}
		}
	}
	return id
}

// show has whoever looks see what stands, with the numbers of now. Nodes' health is told anew only when something has changed.
func (in *ingest) show(changed bool) {
	s := in.health
	faults, verdicts := []Fault{}, s.w.Standing()
	if changed || s.rejudge {
		s.rejudge = false
		in.house.judged(verdicts)
	}
	s.mu.Lock()
	none := len(s.shown)+len(s.seen) == 0
	s.mu.Unlock()
	if none && len(verdicts)+len(in.standing.faults) == 0 {
		return // as nearly always
	}
	for _, v := range verdicts {
		faults = append(faults, Fault{ID: string(v.Code) + " " + about(v.Subject), Verdict: v})
	}
	faults = append(faults, in.standing.others(in.g)...)
	slices.SortStableFunc(faults, func(a, b Fault) int { return cmp.Compare(b.Severity, a.Severity) })
	s.mu.Lock()
	defer s.mu.Unlock()
	stood := map[string]bool{}
	for _, f := range s.shown {
		stood[f.ID] = true
	}
	stands := map[string]bool{}
	for i := range faults {
		stands[faults[i].ID] = true
		faults[i].Seen = s.seen[faults[i].ID]
	}
	for id := range s.seen {
		if !stands[id] {
			delete(s.seen, id)
			s.noted = true
		}
	}
	for _, f := range s.shown {
		if !stands[f.ID] {
			in.g.observe(FaultIs{Fault: f, Ended: true})
		}
	}
	for _, f := range faults {
		if !stood[f.ID] {
			in.g.observe(FaultIs{Fault: f})
		}
	}
	s.shown = faults
	s.changed = s.changed || s.noted
	s.noted = false
}

// Faults are those that stand, the worst first, as of the last second.
func (g *Gateway) Faults() []Fault {
	s := g.in.health
	s.mu.Lock()
	defer s.mu.Unlock()
	return slices.Clone(s.shown)
}

// ErrNoFault is returned by Seen for a fault that does not stand.
var ErrNoFault = fmt.Errorf("no such fault stands: it may just have ended")

// Seen notes that somebody has seen the fault with that ID. It stands until it ends, all the same.
func (g *Gateway) Seen(id string) error {
	s := g.in.health
	s.mu.Lock()
	defer s.mu.Unlock()
	i := slices.IndexFunc(s.shown, func(f Fault) bool { return f.ID == id })
	if i < 0 {
		return ErrNoFault
	}
	if _, already := s.seen[id]; !already {
		s.seen[id], s.noted = g.o.Clock.Wall(), true
		s.shown = slices.Clone(s.shown) // others may still look at the old ones
		s.shown[i].Seen = s.seen[id]
	}
	return nil
}

// saveHealth writes what is known if something began or ended, and every hour.
func (in *ingest) saveHealth(now time.Duration) {
	s := in.health
	if s.writing || now < s.wait || !s.changed && now-s.saved < healthEvery {
		return
	}
	s.changed, s.writing, s.saved = false, true, now
	in.flights++
	text, set := in.healthText(), s.set
	go func() { // ends with the write; run waits for its answer
		set, err := putParts(in.g.o.Queue, healthName, text, set)
		in.g.results <- commitResult{health: true, set: set, err: err}
	}()
}

func (in *ingest) healthText() []byte {
	s := in.health
	s.mu.Lock()
	defer s.mu.Unlock()
	text, _ := json.Marshal(savedHealth{s.w.State(), s.seen}) // no NaN is kept: cannot fail
	return text
}

func (in *ingest) healthSaved(set int, err error) {
	s := in.health
	s.writing, s.set = false, set
	if err == nil {
		s.wait = 0
		return
	}
	if s.wait == 0 { // it is said once
		in.g.o.Log.Warn("what is known of the site's health was not written; it is tried again each minute", "err", err)
	}
	s.changed, s.wait = true, in.g.o.Clock.Mono()+healthAgain
}

// lastHealth writes it as the gateway stops.
func (in *ingest) lastHealth() {
	if _, err := putParts(in.g.o.Queue, healthName, in.healthText(), in.health.set); err != nil {
		in.g.o.Log.Warn("what is known of the site's health was not written", "err", err)
	}
}

// seenHop is a hop as health takes it; one that is not proven says nothing there.
func seenHop(h hopData, proven bool) health.Hop {
	return health.Hop{From: h.From, To: h.To, Proven: proven, RSSI: orNaN(h.RSSI), SNR: orNaN(h.SNR)}
}
