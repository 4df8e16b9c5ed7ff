package survey

import (
	"bytes"
	"container/heap"
	"fmt"
	"math"
	"testing"
	"time"

	"longlane/proto"
	"longlane/radio/ether/air"
	"longlane/radio/lora"
	"longlane/radio/node"
)

// lane is simulated air with nodes in it, whose code is the real one, and a gateway that answers check-ins with receipts and
// solicits with hop acknowledgements, and says every 10 s that it is there. The first node is at the place that is surveyed.
type lane struct {
	t       *testing.T
	now     time.Duration
	todo    agenda
	seq     int
	air     *air.Air
	units   []*unit // beside the gateway, which is the last station
	group   *proto.Keys
	counter uint32 // of the gateway's group frames
	number  uint32
	last    struct { // check-in of the surveyed node that the gateway itself has heard
		tag       []byte
		rssi, snr float64
	}
	walk *Walk
}

type unit struct {
	l    *lane
	keys *proto.Keys
	n    *node.Node
	plan time.Duration
	sent func(t node.Transmit) // after its end
	seen func(o node.Observed)
}

type due struct {
	at  time.Duration
	seq int
	do  func()
}
type agenda []due

func (a agenda) Len() int { return len(a) }
func (a agenda) Less(i, j int) bool {
	return a[i].at < a[j].at || a[i].at == a[j].at && a[i].seq < a[j].seq
}
func (a agenda) Swap(i, j int) { a[i], a[j] = a[j], a[i] }
func (a *agenda) Push(x any)   { *a = append(*a, x.(due)) }
func (a *agenda) Pop() any {
	x := (*a)[len(*a)-1]
	*a = (*a)[:len(*a)-1]
	return x
}

func (l *lane) at(t time.Duration, do func()) {
	l.seq++
	heap.Push(&l.todo, due{max(t, l.now), l.seq, do})
}

const power, laneSite = 14, 4711

// newLane has a node, so many relays (numbered from 2 on) and the gateway, of which station a hears b at rssi(b, a) dBm.
func newLane(t *testing.T, relays int, rssi func(from, to int) float64, fading air.Fading) *lane {
	t.Helper()
	l := &lane{t: t}
	var err error
	l.air, err = air.New(air.Options{Seed: 1, Stations: relays + 2, NoiseFigure: 6, Fading: fading, Capture: air.Computed,
		Loss: func(a, b int) float64 { return power - rssi(a, b) }})
	if err != nil {
		t.Fatal(err)
	}
	secret := bytes.Repeat([]byte{0x5e}, proto.KeySize)
	groupKey, err := proto.GroupKey(secret, laneSite, 1)
	if err != nil {
		t.Fatal(err)
	}
	l.group = keysOf(t, groupKey)
	for i := range relays + 1 {
		key, err := proto.NodeKey(secret, laneSite, uint8(i+1), 1)
		if err != nil {
			t.Fatal(err)
		}
		u := &unit{l: l, keys: keysOf(t, key), sent: func(node.Transmit) {}, seen: func(node.Observed) {}}
		u.n, err = node.New(node.Config{Site: laneSite, Node: uint8(i + 1), Gen: 1, Key: key, GroupKey: groupKey, GroupGen: 1, Mains: true, Relay: i > 0,
			Seed: uint64(i), Modem: sf7}, node.FirstSaved(), 0)
		if err != nil {
			t.Fatal(err)
		}
		l.units = append(l.units, u)
		l.at(0, func() { u.step(nil) })
	}
	l.at(time.Second, l.beacon)
	return l
}

func keysOf(t *testing.T, key []byte) *proto.Keys {
	t.Helper()
	k, err := proto.NewKeys(key)
	if err != nil {
		t.Fatal(err)
	}
	return k
}

func (l *lane) until(t time.Duration) {
	for len(l.todo) > 0 && l.todo[0].at <= t && (l.walk == nil || !l.walk.Over()) {
		d := heap.Pop(&l.todo).(due)
		l.now = d.at
		d.do()
	}
}

func (u *unit) step(in node.Input) {
	l := u.l
	out, wake := u.n.Step(l.now, in)
	u.plan = wake
	l.at(wake, func() {
		if u.plan == wake {
			u.step(nil)
		}
	})
	for _, o := range out {
		switch o := o.(type) {
		case node.Persist:
			u.step(node.Stored{})
		case node.Observed:
			u.seen(o)
		case node.Transmit:
			l.send(l.index(u), o.Frame, func(busy bool) {
				if !busy {
					u.sent(o)
				}
				u.step(node.TxDone{Failed: busy, Busy: busy})
			})
		}
	}
}

func (l *lane) index(u *unit) int {
	for i := range l.units {
		if l.units[i] == u {
			return i
		}
	}
	return -1
}

// send puts a frame on the air unless another one is heard there.
func (l *lane) send(from int, frame []byte, ended func(busy bool)) {
	l.at(l.now+air.Sensing(sf7), func() {
		if l.air.Busy(from, l.now, 0, sf7) {
			ended(true)
			return
		}
		until := l.now + sf7.Airtime(len(frame))
		f := l.air.Send(air.Sending{From: from, At: l.now, Until: until, Power: power, Settings: sf7})
		l.at(until, func() {
			var heard []air.Reception
			for i := range len(l.units) + 1 {
				heard = append(heard, l.air.Heard(f, i, 0))
			}
			ended(false)
			for i, r := range heard {
				switch {
				case i == from || r.Loss != air.Heard:
				case i == len(l.units):
					l.gateway(frame, r)
				default:
					l.units[i].step(node.Received{Frame: bytes.Clone(frame), RSSI: r.RSSI(), SNR: min(r.SNR(), 10)})
				}
			}
		})
	})
}

// answer sends the gateway's frame, a little later, when the channel is free.
func (l *lane) answer(frame []byte) {
	l.at(l.now+15*time.Millisecond, func() {
		l.send(len(l.units), frame, func(busy bool) {
			if busy {
				l.answer(frame)
			}
		})
	})
}

func (l *lane) hint(typ proto.Type, b proto.Body) {
	l.counter++
	f, err := proto.Seal(nil, l.group, proto.Header{Type: typ, Site: laneSite, Node: gw, Gen: 1, Counter: l.counter}, b)
	if err != nil {
		l.t.Fatal(err)
	}
	l.answer(f)
}

func (l *lane) beacon() {
	l.hint(proto.TypeBeacon, &proto.Beacon{Epoch: 1, Time: proto.EncodeGatewayTime(l.now), Noise: proto.NoRSSI})
	l.at(l.now+10*time.Second, l.beacon)
}

func (l *lane) gateway(frame []byte, r air.Reception) {
	raw, err := proto.Parse(frame)
	if err != nil {
		l.t.Fatal(err)
	}
	switch {
	case raw.Type == proto.TypeSolicit && raw.Node == 1:
		if body, err := raw.Open(l.group, raw.Counter); err != nil {
			l.t.Fatal(err)
		} else if s := body.(*proto.Solicit); l.last.tag != nil && string(s.Tag[:]) == string(l.last.tag) {
			l.hint(proto.TypeHopAck, &proto.HopAck{Tag: s.Tag, RSSI: proto.EncodeRSSI(l.last.rssi), SNR: proto.EncodeSNR(l.last.snr)})
		}
	case raw.Type == proto.TypeCheckIn:
		if raw.Node == 1 && raw.HopCount() == 0 {
			l.last.tag, l.last.rssi, l.last.snr = bytes.Clone(raw.Tag()[:4]), r.RSSI(), min(r.SNR(), 10)
		}
		l.number++
		f, err := proto.Seal(nil, l.units[raw.Node-1].keys, proto.Header{Type: proto.TypeCheckInReceipt, HopsLeft: proto.MaxHops, Site: laneSite, Node: raw.Node,
			Gen: 1, Counter: raw.Counter, Epoch: 1, Number: l.number}, &proto.Receipt{Time: proto.EncodeGatewayTime(time.Hour + l.now)})
		if err != nil {
			l.t.Fatal(err)
		}
		l.answer(f)
	}
}

// survey makes the walk test.
func (l *lane) survey(o Options) (Figures, Verdict) {
	l.t.Helper()
	u := l.units[0]
	l.until(30 * time.Second) // relays have found their way
	l.walk = NewWalk(l.now, o)
	u.sent = func(t node.Transmit) { l.walk.Sent(l.now, t, nil) }
	u.seen = func(o node.Observed) { l.walk.Observed(l.now, o) }
	var next func()
	next = func() {
		probe, wake := l.walk.Next(l.now)
		if probe {
			u.step(node.Probe{})
			_, wake = l.walk.Next(l.now)
		}
		at := min(wake, l.now+200*time.Millisecond) // its end changes as frames are sent
		l.at(at, next)
	}
	l.at(l.now, next)
	l.until(time.Hour)
	if !l.walk.Over() {
		l.t.Fatalf("after an hour the walk test is not over: %s", l.walk.Line(l.now))
	}
	return l.walk.Figures(), l.walk.Verdict()
}

// TestWalkInTheAir: over real nodes and relays, in simulated air, the figures are those of the air, the verdict is right, and a relay that
// limits each origin refuses no probe.
func TestWalkInTheAir(t *testing.T) {
	floor := lora.Sensitivity(sf7, 6)
	never := math.Inf(-1)
	for _, c := range []struct {
		what     string
		relays   int
		margin   func(from, to int) float64 // dB; 0 is the place, the highest the gateway
		want     Word
		weak     *Weak
		answered int
		to, from map[uint8]float64 // median margins
	}{
		{"the gateway, near", 0, func(int, int) float64 { return 16 }, Step, &Weak{gw, true, 16}, 20,
			map[uint8]float64{gw: 16}, map[uint8]float64{gw: 16}},
		{"the gateway, nearer than SNR can tell", 0, func(int, int) float64 { return 27 }, Mount, &Weak{gw, true, 27}, 20,
			map[uint8]float64{gw: 27}, map[uint8]float64{gw: 27}},
		{"the gateway hears worse", 0, func(from, _ int) float64 { return []float64{11, 15}[from] }, Step, &Weak{gw, true, 11}, 20,
			map[uint8]float64{gw: 11}, map[uint8]float64{gw: 15}},
		{"the gateway is heard worse", 0, func(from, _ int) float64 { return []float64{15, 3}[from] }, Relay, &Weak{gw, false, 3}, 20,
			map[uint8]float64{gw: 15}, map[uint8]float64{gw: 3}},
		{"a relay between", 1, func(from, to int) float64 {
			if from+to == 2 {
				return never // the place and the gateway
			}
			return []float64{26, 24, 23}[from]
		}, Mount, &Weak{2, false, 24}, 20, map[uint8]float64{2: 26}, map[uint8]float64{2: 24}},
		{"a weak relay, and the gateway at the edge", 1, func(from, to int) float64 {
			if from+to == 2 {
				return 2
			}
			return 14
		}, Step, &Weak{2, true, 14}, 20, map[uint8]float64{2: 14, gw: 2}, map[uint8]float64{2: 14, gw: 2}},
		{"two relays in a line", 2, func(from, to int) float64 {
			if from-to == 1 || to-from == 1 {
				return 25
			}
			return never
		}, Mount, &Weak{2, true, 25}, 20, map[uint8]float64{2: 25}, map[uint8]float64{2: 25}},
		{"the gateway is too far from the relay", 1, func(from, to int) float64 {
			if from+to == 1 {
				return 25
			}
			return never
		}, Relay, &Weak{2, true, 25}, 0, map[uint8]float64{2: 25}, map[uint8]float64{2: 25}},
		{"nobody", 1, func(int, int) float64 { return never }, Relay, nil, 0, nil, nil},
	} {
		l := newLane(t, c.relays, func(a, b int) float64 { return floor + c.margin(a, b) }, air.Fading{})
		f, v := l.survey(options)
		if v.Word != c.want || f.Answered != c.answered || (v.Weak == nil) != (c.weak == nil) {
			t.Errorf("%s: %q with %d of %d answered, weak %+v, want %q with %d, %+v:\n%q\n%+v", c.what, v.Word, f.Answered, f.Probes, v.Weak, c.want, c.answered, c.weak, v.Reasons, f.Neighbours)
			continue
		}
		if c.weak != nil && (v.Weak.Neighbour != c.weak.Neighbour || !near(v.Weak.Margin, c.weak.Margin, 0.75)) {
			t.Errorf("%s: weak %+v, want %+v", c.what, v.Weak, c.weak)
		}
		t.Logf("%s: %q, %d of %d, %+v", c.what, v.Word, f.Answered, f.Probes, v.Weak)
		to, from := map[uint8]float64{}, map[uint8]float64{}
		for _, n := range f.Neighbours {
			if n.To.Margin != nil {
				to[n.ID] = n.To.Margin.Median
			}
			if n.From.Margin != nil {
				from[n.ID] = n.From.Margin.Median
			}
			if n.To.Heard > f.Probes || n.From.Heard > f.Probes {
				t.Errorf("%s: %+v of %d probes", c.what, n, f.Probes)
			}
		}
		for way, both := range map[string][2]map[uint8]float64{"to": {to, c.to}, "from": {from, c.from}} {
			if fmt.Sprint(len(both[0])) != fmt.Sprint(len(both[1])) {
				t.Errorf("%s: %s the neighbours %v dB, want %v", c.what, way, both[0], both[1])
			}
			for id, want := range both[1] {
				if !near(both[0][id], want, 0.75) { // whole dBm, quarters of a dB
					t.Errorf("%s: %s %d %.2f dB, want %v", c.what, way, id, both[0][id], want)
				}
			}
		}
	}
}

// TestWalkInFadingAir: at a mean margin of 10 dB each way Rayleigh fading loses one frame in ten, and the walk test shows both: the
// margin within what 200 draws scatter, and about a fifth of the probes lost.
func TestWalkInFadingAir(t *testing.T) {
	floor := lora.Sensitivity(sf7, 6)
	l := newLane(t, 0, func(int, int) float64 { return floor + 10 }, air.Fading{Kind: air.Rayleigh, Coherence: 50 * time.Millisecond})
	o := options
	o.Probes = 200
	f, v := l.survey(o)
	n := f.Neighbours[0]
	// Of an exponential distribution the median is 1.6 dB below the mean; what was lost does not count, which lifts it by about 0.6 dB.
	for _, d := range []Direction{n.To, n.From} {
		if !near(d.Margin.Median, 10-1.6+0.6, 1) {
			t.Errorf("median margin %.1f dB, want about 9", d.Margin.Median)
		}
		if d.Margin.WorstTenth > 4 || d.Margin.WorstTenth < 0 {
			t.Errorf("worst tenth %.1f dB, want a little above 0", d.Margin.WorstTenth)
		}
	}
	if lost := 1 - float64(f.Answered)/float64(f.Probes); lost < 0.1 || lost > 0.28 {
		t.Errorf("%.0f %% of the probes were lost, want about 18", 100*lost)
	}
	if v.Word == Mount {
		t.Errorf("verdict %q", v.Word)
	}
}
