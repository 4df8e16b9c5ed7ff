package ether

import (
	"time"

	"longlane/proto"
	"longlane/radio/node"
)

// thief is what a station is once it has been stolen (Node.Stolen): somebody has all its keys, the group key among them, and does
// the worst that these allow, short of jamming. It still checks in, so that nobody misses it. It sends nothing on. It says by
// beacons that it is the gateway, and that it stands beside it. Whatever frame of another node's it hears, it acknowledges as the gateway would, so that
// relays leave it alone, and makes up a receipt for it. Now and then it plays back what it has heard, and makes up trips of
// others.
type thief struct {
	st      *station
	group   *proto.Keys
	counter uint32   // of its group frames: so high that the gateway's own count as old
	heard   [][]byte // frames of others', to be played back
	queue   [][]byte
	sending bool
}

const (
	thiefCounter = 1 << 31
	thiefSays    = 20 * time.Second // between two beacons
	thiefInvents = 5 * time.Minute  // between two frames that it plays back or makes up
	thiefKeeps   = 256
	thiefDelay   = 3 * time.Millisecond // less than any relay waits
)

// steal makes a thief of the station.
func (st *station) steal() {
	group, err := proto.NewKeys(st.card.GroupKey[:])
	if err != nil {
		panic("ether: " + err.Error()) // enrolment gives a key to each
	}
	st.thief = &thief{st: st, group: group, counter: thiefCounter}
	st.e.record(Record{What: RecordStolen, Node: st.spec.Name})
	st.thief.every(thiefSays, st.thief.say)
	st.thief.every(thiefInvents, st.thief.invent)
}

func (t *thief) every(d time.Duration, do func()) {
	t.st.e.at(t.st.e.now+d, func() {
		do()
		t.every(d, do)
	})
}

// own reports whether a frame is one that the station would have sent, had it not been stolen, and that serves the thief.
func (t *thief) own(tx node.Transmit) bool {
	raw, err := proto.Parse(tx.Frame)
	return err == nil && t.st.is(raw) && raw.HopCount() == 0 && (raw.Type.Event() || raw.Type == proto.TypeCheckIn)
}

// hear acknowledges what others send, and makes up receipts.
func (t *thief) hear(frame []byte) {
	raw, err := proto.Parse(frame)
	if err != nil || t.st.is(raw) {
		return
	}
	if t.heard = append(t.heard, frame); len(t.heard) > thiefKeeps {
		t.heard = t.heard[1:]
	}
	if raw.Type.Group() || raw.Type.Receipt() {
		return
	}
	t.hint(proto.TypeHopAck, &proto.HopAck{Tag: [4]byte(raw.Tag()), RSSI: proto.EncodeRSSI(-80), SNR: proto.EncodeSNR(12)})
	typ := proto.TypeReceipt
	if raw.Type == proto.TypeCheckIn {
		typ = proto.TypeCheckInReceipt
	}
	t.counter++
	h := proto.Header{Type: typ, HopsLeft: proto.MaxHops, Site: raw.Site, Node: raw.Node, Gen: raw.Gen, Counter: raw.Counter & 0xffff, Epoch: 1, Number: t.counter}
	t.send(t.sealed(t.group, h, &proto.Receipt{})) // under a key that is not the node's: it has no other
}

func (t *thief) say() {
	t.hint(proto.TypeBeacon, &proto.Beacon{Epoch: 77, Time: 12345, Noise: proto.NoRSSI})
}

// invent plays back a frame that was heard long ago, and makes up a trip of the node that made it.
func (t *thief) invent() {
	if len(t.heard) == 0 {
		return
	}
	old := t.heard[t.st.e.rand.IntN(len(t.heard))]
	t.send(old)
	if raw, err := proto.Parse(old); err == nil && !raw.Type.Group() {
		t.counter++
		h := proto.Header{Type: proto.TypeTripOpened, HopsLeft: proto.MaxHops, Site: raw.Site, Node: raw.Node, Gen: raw.Gen, Counter: 1000 + t.counter&0xff, Long: true}
		t.send(t.sealed(t.st.keys, h, &proto.TripOpened{Age: 1, Sent: proto.SendTime{Seconds: proto.NoTime}, Battery: proto.NoBattery, Temperature: proto.NoTemperature}))
	}
}

// hint sends a group frame in the gateway's name.
func (t *thief) hint(typ proto.Type, body proto.Body) {
	t.counter++
	h := proto.Header{Type: typ, Site: t.st.card.Site, Node: proto.GatewayBase, Gen: t.st.card.GroupGen, Counter: t.counter}
	t.send(t.sealed(t.group, h, body))
}

func (t *thief) sealed(k *proto.Keys, h proto.Header, body proto.Body) []byte {
	frame, err := proto.Seal(nil, k, h, body)
	if err != nil {
		panic("ether: " + err.Error())
	}
	return frame
}

func (t *thief) send(frame []byte) {
	if t.queue = append(t.queue, frame); !t.sending {
		t.sending = true
		t.next()
	}
}

// next sends what waits, as soon as the station's radio is free. A thief does not listen before it talks.
func (t *thief) next() {
	e, st := t.st.e, t.st
	if len(t.queue) == 0 || st.dead {
		t.sending = false
		return
	}
	e.at(max(e.now+thiefDelay, st.until), func() {
		if e.now < st.until {
			t.next()
			return
		}
		frame := t.queue[0]
		t.queue = t.queue[1:]
		airtime := e.onAir(st.index, frame, func() {
			e.fromStation(st, frame)
			t.next()
		})
		st.until = e.now + airtime
	})
}
