package node

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"longlane/proto"
)

// station is one node with the group key, mostly a relay, and the hand that is everybody else: it knows all keys, makes frames, has
// the node hear them, and sees what the node sends.
type station struct {
	t       *testing.T
	cfg     Config
	n       *Node
	now     time.Duration
	wake    time.Duration
	ends    time.Duration // of the frame on the air; never: there is none
	done    TxDone        // what the next sendings come to
	saved   []byte
	group   *proto.Keys
	counter map[uint8]uint32 // of others' group frames
	number  uint32           // of the gateway's receipts
	frames  []heardFrame     // of which receipts, acknowledgements and solicits tell
	sent    []sending
	listens []Listen
	groups  map[uint32]bool // counters of the node's own group frames
	seen    []Observed
	log     func(string)
}

// sending is a frame that the node has sent.
type sending struct {
	at    time.Duration
	frame []byte
	raw   proto.Raw
}

// heardFrame is a frame that an origin has made.
type heardFrame struct {
	raw     proto.Raw
	counter uint32
}

// tripMS is the airtime of a trip, in ms, at SF7: the unit of distances.
const tripMS = 62

func keysOfNode(t testing.TB, id uint8) *proto.Keys {
	t.Helper()
	k, err := proto.NodeKey(siteSecret, testSite, id, 1)
	if err != nil {
		t.Fatal(err)
	}
	return keysOf(t, k)
}

func groupKey(t testing.TB, gen uint8) []byte {
	t.Helper()
	k, err := proto.GroupKey(siteSecret, testSite, gen)
	if err != nil {
		t.Fatal(err)
	}
	return k
}

func newStation(t *testing.T, seed uint64, cfg Config) *station {
	t.Helper()
	cfg.Site, cfg.Node, cfg.Gen, cfg.Key = testSite, testNode, 1, nodeKey(t, 1)
	cfg.GroupKey, cfg.GroupGen, cfg.Seed = groupKey(t, 1), 1, seed
	if cfg.CheckIn == 0 {
		cfg.CheckIn = 12 * time.Hour
	}
	s := &station{t: t, cfg: cfg, saved: FirstSaved(), group: keysOf(t, cfg.GroupKey), counter: map[uint8]uint32{}, groups: map[uint32]bool{}, log: func(string) {}}
	s.start()
	return s
}

func (s *station) start() {
	s.t.Helper()
	s.cfg.Seed += 1 << 32
	n, err := New(s.cfg, s.saved, s.now)
	if err != nil {
		s.t.Fatal(err)
	}
	s.n, s.ends = n, never
	s.step(nil)
}

// newRelayAt is a relay that stands so many trips' airtime from the gateway, by node 4, or by the gateway if it is one trip. It has
// checked in, and been quiet for long enough.
func newRelayAt(t *testing.T, seed uint64, trips float64) *station {
	t.Helper()
	s := newStation(t, seed, Config{Relay: true})
	parent := uint8(4)
	if trips == 1 {
		parent = proto.GatewayBase
	}
	s.beacon(parent, uint16(math.Round((trips-1)*tripMS)))
	s.settle()
	return s
}

// settle lets it check in and tell its neighbours.
func (s *station) settle() {
	s.t.Helper()
	s.until(s.now + 4*time.Second)
	if f := s.last(proto.TypeCheckIn); f != nil {
		s.hear(s.receipt(s.origin(f.frame), proto.MaxHops-1))
	}
	s.until(s.now + 16*time.Second)
	s.sent, s.seen = nil, nil
}

func (s *station) step(in Input) {
	s.t.Helper()
	out, wake := s.n.Step(s.now, in)
	if wake <= s.now {
		s.t.Fatalf("Step(%v, %+v) wants to be called again at %v", s.now, in, wake)
	}
	s.wake = wake
	for _, o := range out {
		switch o := o.(type) {
		case Persist:
			s.saved = o.Saved
			s.step(Stored{})
		case Transmit:
			s.transmit(o)
		case Listen:
			s.listens = append(s.listens, o)
		case Observed:
			s.seen = append(s.seen, o)
			if o.What == Way {
				s.log(fmt.Sprintf("%s way by %s", ms(s.now), called(o.Neighbour)))
			}
		}
	}
}

func (s *station) transmit(o Transmit) {
	s.t.Helper()
	if s.ends != never {
		s.t.Errorf("at %v a second frame goes into the air", s.now)
	}
	raw, err := proto.Parse(o.Frame)
	if err != nil {
		s.t.Fatalf("it sent %x: %v", o.Frame, err)
	}
	s.ends = s.now + s.n.Modem.Airtime(len(o.Frame))
	if s.done.Failed {
		s.ends = s.now + 5*time.Millisecond
		s.log(ms(s.now) + " finds no free channel")
		return
	}
	if raw.Type.Group() {
		s.checkNumber(raw.Counter)
	}
	f := sending{s.now, slices.Clone(o.Frame), raw}
	s.sent = append(s.sent, f)
	s.log(ms(s.now) + " sends " + s.describe(f))
}

// checkNumber: a group counter is reserved in lasting memory before it is used, and comes once, restarts or not.
func (s *station) checkNumber(counter uint32) {
	s.t.Helper()
	var saved Saved
	if err := saved.UnmarshalBinary(s.saved); err != nil {
		s.t.Fatal(err)
	}
	if counter >= saved.Group {
		s.t.Errorf("at %v group counter %d is sent, and memory reserves up to %d only", s.now, counter, saved.Group)
	}
	if s.groups[counter] {
		s.t.Errorf("at %v group counter %d is used again", s.now, counter)
	}
	s.groups[counter] = true
}

// until lets time pass.
func (s *station) until(t time.Duration) {
	s.t.Helper()
	for {
		at := min(s.wake, s.ends)
		if at > t {
			break
		}
		if s.now = max(at, s.now); at == s.ends {
			s.ends = never
			s.step(s.done)
		} else {
			s.step(nil)
		}
	}
	s.now = t
}

func (s *station) wait(d time.Duration) { s.t.Helper(); s.until(s.now + d) }

// hear has the node hear a frame, at no strength, so that links count as good.
func (s *station) hear(frame []byte) {
	s.t.Helper()
	s.step(Received{slices.Clone(frame), math.NaN(), math.NaN()})
}

// take gives all that was sent but beacons, and forgets it.
func (s *station) take() (sent []sending) {
	sent = slices.DeleteFunc(s.sent, func(f sending) bool { return f.raw.Type == proto.TypeBeacon })
	s.sent = nil
	return sent
}

// last is the last frame of that type that was sent; nil: there is none.
func (s *station) last(typ proto.Type) *sending {
	for i := range slices.Backward(s.sent) {
		if s.sent[i].raw.Type == typ {
			return &s.sent[i]
		}
	}
	return nil
}

func (s *station) seal(k *proto.Keys, h proto.Header, b proto.Body) []byte {
	s.t.Helper()
	f, err := proto.Seal(nil, k, h, b)
	if err != nil {
		s.t.Fatal(err)
	}
	return f
}

// trip is an attempt of an opening.
func (s *station) trip(origin uint8, counter uint32, attempt uint16) []byte {
	s.t.Helper()
	h := proto.Header{Type: proto.TypeTripOpened, HopsLeft: proto.MaxHops, Site: testSite, Node: origin, Gen: 1, Counter: counter, Attempt: attempt,
		Long: attempt >= longFrom}
	return s.remember(s.seal(keysOfNode(s.t, origin), h, &proto.TripOpened{Sent: proto.SendTime{Seconds: proto.NoTime}}), counter)
}

// checkInOf is a check-in; one with a long counter insists.
func (s *station) checkInOf(origin uint8, counter uint32, long bool) []byte {
	s.t.Helper()
	h := proto.Header{Type: proto.TypeCheckIn, HopsLeft: proto.MaxHops, Site: testSite, Node: origin, Gen: 1, Counter: counter, Long: long}
	return s.remember(s.seal(keysOfNode(s.t, origin), h, &proto.CheckIn{Sent: proto.SendTime{Seconds: proto.NoTime}}), counter)
}

func (s *station) remember(frame []byte, counter uint32) []byte {
	raw, err := proto.Parse(frame)
	if err != nil {
		s.t.Fatal(err)
	}
	s.frames = append(s.frames, heardFrame{raw, counter})
	return frame
}

// origin finds the frame that this is a copy of.
func (s *station) origin(frame []byte) heardFrame {
	s.t.Helper()
	raw, err := proto.Parse(frame)
	if err != nil {
		s.t.Fatal(err)
	}
	for _, f := range s.frames {
		if string(f.raw.Tag()) == string(raw.Tag()) {
			return f
		}
	}
	return heardFrame{raw, raw.Counter}
}

// via is a frame as it is when these relays have sent it on, one after the other.
func (s *station) via(frame []byte, relays ...uint8) []byte {
	s.t.Helper()
	for _, id := range relays {
		var err error
		if frame, err = proto.AppendHop(frame, keysOfNode(s.t, id), proto.Hop{Relay: id, Gen: 1, RSSI: proto.NoRSSI, SNR: proto.NoSNR}); err != nil {
			s.t.Fatal(err)
		}
	}
	return frame
}

// receipt is one for f, genuine, with the next number.
func (s *station) receipt(f heardFrame, hopsLeft uint8) []byte {
	s.t.Helper()
	s.number++
	typ := proto.TypeReceipt
	if f.raw.Type == proto.TypeCheckIn {
		typ = proto.TypeCheckInReceipt
	}
	h := proto.Header{Type: typ, HopsLeft: hopsLeft, Site: testSite, Node: f.raw.Node, Gen: 1, Counter: f.counter, Epoch: 1, Number: s.number}
	return s.seal(keysOfNode(s.t, f.raw.Node), h, &proto.Receipt{Attempt: uint8(f.raw.Attempt), Time: proto.EncodeGatewayTime(s.now)})
}

// hint is a group frame of id's, with its next counter.
func (s *station) hint(id uint8, b proto.Body) []byte {
	s.t.Helper()
	typ := proto.TypeBeacon
	switch b.(type) {
	case *proto.HopAck:
		typ = proto.TypeHopAck
	case *proto.Solicit:
		typ = proto.TypeSolicit
	}
	s.counter[id]++
	return s.seal(s.group, proto.Header{Type: typ, Site: testSite, Node: id, Gen: 1, Counter: s.counter[id]}, b)
}

func (s *station) beacon(id uint8, distance uint16) {
	s.t.Helper()
	s.hear(s.hint(id, &proto.Beacon{Distance: distance, Noise: proto.NoRSSI}))
}

func (s *station) ack(id uint8, frame []byte, distance uint16) {
	s.t.Helper()
	s.hear(s.hint(id, &proto.HopAck{Tag: [4]byte(s.origin(frame).raw.Tag()), Distance: distance, RSSI: proto.NoRSSI, SNR: proto.NoSNR}))
}

// asks has id ask for the receipt of a frame.
func (s *station) asks(id uint8, frame []byte) {
	s.t.Helper()
	s.hear(s.hint(id, &proto.Solicit{Receipt: true, Tag: [4]byte(s.origin(frame).raw.Tag()), Distance: proto.NoDistance, Noise: proto.NoRSSI}))
}

// called is how transcripts name who speaks in a group frame.
func called(id uint8) string {
	switch {
	case id == 0:
		return "nobody"
	case id >= proto.GatewayBase:
		return "the gateway"
	}
	return fmt.Sprint("node ", id)
}

// name is a frame's origin, counter and attempt.
func (f heardFrame) name() string {
	if f.raw.Type == proto.TypeCheckIn {
		return fmt.Sprintf("check-in %d.%d", f.raw.Node, f.counter)
	}
	return fmt.Sprintf("trip %d.%d.%d", f.raw.Node, f.counter, f.raw.Attempt)
}

func (s *station) describe(f sending) string {
	s.t.Helper()
	raw := f.raw
	switch {
	case raw.Type.Receipt():
		return fmt.Sprintf("receipt %d for %d.%d, %d hops left", raw.Number, raw.Node, raw.Counter, raw.HopsLeft)
	case !raw.Type.Group():
		var via strings.Builder
		for i := range raw.HopCount() {
			fmt.Fprintf(&via, " by %d", raw.Hop(i).Relay)
		}
		if n := raw.HopCount(); n > 0 {
			fmt.Fprintf(&via, ", held %s, %d hops left", ms(raw.Hop(n-1).Held.Duration()), raw.HopsLeft)
		}
		return s.origin(f.frame).name() + via.String()
	}
	body, err := raw.Open(s.group, raw.Counter)
	if err != nil {
		s.t.Fatal(err)
	}
	switch b := body.(type) {
	case *proto.HopAck:
		return "acknowledgement of " + s.tagged(b.Tag)
	case *proto.Solicit:
		if b.Receipt {
			return "question for the receipt of " + s.tagged(b.Tag)
		}
		return "question for a way"
	}
	return fmt.Sprintf("beacon, distance %s", distanceOf(body.(*proto.Beacon).Distance))
}

func distanceOf(d uint16) string {
	if d == proto.NoDistance {
		return "none"
	}
	return fmt.Sprint(d)
}

func (s *station) tagged(tag [4]byte) string {
	for _, f := range s.frames {
		if string(f.raw.Tag()[:4]) == string(tag[:]) {
			return f.name()
		}
	}
	return fmt.Sprintf("an own frame (%x)", tag)
}

// list describes what was sent but beacons, and forgets it.
func (s *station) list() (lines []string) {
	s.t.Helper()
	for _, f := range s.take() {
		lines = append(lines, s.describe(f))
	}
	return lines
}
