package node

import (
	"fmt"
	"slices"
	"testing"
	"time"

	"longlane/proto"
)

// prober is a leaf with a group key in an air that takes 60 ms a frame, and what it has sent and observed.
type prober struct {
	t     *testing.T
	n     *Node
	group *proto.Keys
	now   time.Duration
	wake  time.Duration
	ends  time.Duration // of the frame on the air; never: there is none
	sent  []Transmit
	seen  []string // of what a Probe makes known
	count uint32   // of neighbours' group frames
}

func newProber(t *testing.T) *prober {
	t.Helper()
	key, err := proto.GroupKey(siteSecret, testSite, 1)
	if err != nil {
		t.Fatal(err)
	}
	p := &prober{t: t, group: keysOf(t, key), ends: never}
	p.n, err = New(Config{Site: testSite, Node: testNode, Gen: 1, Key: nodeKey(t, 1), GroupKey: key, GroupGen: 1, Seed: 1, Mains: true,
		CheckIn: 10 * time.Minute}, FirstSaved(), 0)
	if err != nil {
		t.Fatal(err)
	}
	p.step(nil)
	return p
}

func (p *prober) step(in Input) {
	p.t.Helper()
	out, wake := p.n.Step(p.now, in)
	p.wake = wake
	for _, o := range out {
		switch o := o.(type) {
		case Transmit:
			p.sent, p.ends = append(p.sent, o), p.now+60*time.Millisecond
		case Persist:
			p.step(Stored{})
		case Observed:
			switch o.What {
			case Probed, Answered:
				p.seen = append(p.seen, fmt.Sprintf("%s %d", o.What, o.Counter))
			case HeardBy:
				p.seen = append(p.seen, fmt.Sprintf("%s %d: %d at %v dBm, %v dB", o.What, o.Counter, o.Neighbour, o.RSSI.DBm(), o.SNR.DB()))
			case Heard:
				p.seen = append(p.seen, fmt.Sprintf("%s %d at %v dBm, %v dB", o.What, o.Neighbour, o.RSSI.DBm(), o.SNR.DB()))
			}
		}
	}
}

func (p *prober) pass(d time.Duration) {
	p.t.Helper()
	for end := p.now + d; ; {
		at := min(p.wake, p.ends)
		if at > end {
			p.now = end
			return
		}
		if p.now = max(at, p.now); at == p.ends {
			p.ends = never
			p.step(TxDone{})
		} else {
			p.step(nil)
		}
	}
}

// last is the last frame of that type that was sent.
func (p *prober) last(typ proto.Type) proto.Raw {
	p.t.Helper()
	for _, s := range slices.Backward(p.sent) {
		if s.Type == typ {
			raw, err := proto.Parse(s.Frame)
			if err != nil {
				p.t.Fatal(err)
			}
			return raw
		}
	}
	p.t.Fatalf("no %v was sent", typ)
	return proto.Raw{}
}

func (p *prober) frames() (list []string) {
	for _, s := range p.sent {
		list = append(list, fmt.Sprintf("%v %d", s.Type, s.Counter))
	}
	return list
}

func (p *prober) expect(want ...string) {
	p.t.Helper()
	if !slices.Equal(p.seen, want) {
		p.t.Errorf("observed\n%q, want\n%q", p.seen, want)
	}
	p.seen = nil
}

// acknowledges has a neighbour tell that it has the frame with that MAC.
func (p *prober) acknowledges(id uint8, tag []byte, rssi, snr, at, above float64) {
	p.t.Helper()
	p.count++
	f, err := proto.Seal(nil, p.group, proto.Header{Type: proto.TypeHopAck, Site: testSite, Node: id, Gen: 1, Counter: p.count},
		&proto.HopAck{Tag: [4]byte(tag), RSSI: proto.EncodeRSSI(rssi), SNR: proto.EncodeSNR(snr)})
	if err != nil {
		p.t.Fatal(err)
	}
	p.step(Received{f, at, above})
}

func (p *prober) answers(counter uint32, hopsLeft uint8) {
	p.t.Helper()
	f, err := proto.Seal(nil, keysOf(p.t, nodeKey(p.t, 1)), proto.Header{Type: proto.TypeCheckInReceipt, HopsLeft: hopsLeft, Site: testSite, Node: testNode,
		Gen: 1, Counter: counter, Epoch: 1, Number: counter}, &proto.Receipt{Time: proto.EncodeGatewayTime(time.Hour + p.now)})
	if err != nil {
		p.t.Fatal(err)
	}
	p.step(Received{f, -97, 6.5})
}

// TestProbeAlone: a check-in at once and once, the question who has heard it, and no more by itself before the period is over:
// what is lost must not be made up for.
func TestProbeAlone(t *testing.T) {
	p := newProber(t)
	p.step(Probe{})
	if got := p.frames(); !slices.Equal(got, []string{"check-in 1"}) {
		t.Fatalf("at once it sends %q", got)
	}
	p.pass(8 * time.Minute)
	if got, want := p.frames(), []string{"check-in 1", "solicit 1"}; !slices.Equal(got, want) {
		t.Errorf("with nobody there it sends %q, want %q", got, want)
	}
	raw := p.last(proto.TypeSolicit)
	body, err := raw.Open(p.group, raw.Counter)
	if err != nil {
		t.Fatal(err)
	}
	if s := body.(*proto.Solicit); !s.Receipt || string(s.Tag[:]) != string(p.last(proto.TypeCheckIn).Tag()[:4]) {
		t.Errorf("it asks %+v, want for what became of the check-in", s)
	}
	p.expect("probed 1")
}

// TestProbeAnswers: who has heard the check-in how, and who was heard how, by each way in which that can be learned; and nothing
// of what the node sends otherwise.
func TestProbeAnswers(t *testing.T) {
	p := newProber(t)
	p.step(Probe{})
	p.pass(100 * time.Millisecond)
	tag := p.last(proto.TypeCheckIn).Tag()
	relayed, err := proto.AppendHop(p.sent[0].Frame, keysOf(t, nodeKey(t, 3)), proto.Hop{Relay: 3, Gen: 1, RSSI: proto.EncodeRSSI(-104), SNR: proto.EncodeSNR(2.5)})
	if err != nil {
		t.Fatal(err)
	}
	p.step(Received{relayed, -99, 4.25})
	further, err := proto.AppendHop(relayed, keysOf(t, nodeKey(t, 4)), proto.Hop{Relay: 4, Gen: 1, RSSI: proto.EncodeRSSI(-80), SNR: proto.EncodeSNR(9)})
	if err != nil {
		t.Fatal(err)
	}
	p.step(Received{further, -120, -6})
	p.answers(1, proto.MaxHops-1) // by a relay, which it does not name
	p.expect("probed 1", "heard 3 at -99 dBm, 4.25 dB", "heard by 1: 3 at -104 dBm, 2.5 dB",
		"heard 4 at -120 dBm, -6 dB", "heard by 1: 3 at -104 dBm, 2.5 dB", "answered 1")
	p.pass(time.Second)
	p.acknowledges(proto.GatewayBase, tag, -118, -5.5, -117, -4)
	p.acknowledges(5, []byte{1, 2, 3, 4}, -90, 8, -91, 7) // of another frame
	p.expect("heard 240 at -117 dBm, -4 dB", "heard by 1: 240 at -118 dBm, -5.5 dB", "heard 5 at -91 dBm, 7 dB")
	p.pass(4 * time.Second)
	p.step(Probe{})
	p.pass(100 * time.Millisecond)
	p.answers(2, proto.MaxHops)
	p.expect("probed 2", "heard 240 at -97 dBm, 6.5 dB", "answered 2")
	p.pass(15 * time.Minute) // the node's own check-in, which is none of a Probe's
	counter := p.last(proto.TypeCheckIn).Counter
	if counter <= 2 {
		t.Fatalf("the last check-in has counter %d, want one after the period", counter)
	}
	p.seen = nil
	p.acknowledges(3, p.last(proto.TypeCheckIn).Tag(), -104, 2.5, -99, 4)
	p.expect("heard 3 at -99 dBm, 4 dB")
}
