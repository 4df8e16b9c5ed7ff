package gateway

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"math"
	"time"

	"longlane/gateway/roster"
	"longlane/proto"
	"longlane/queue"
)

// ID is an event's identity within its site: the same on every delivery and from every gateway.
type ID struct {
	Node, Gen uint8
	Counter   uint32
}

// String is node.generation.counter.
func (id ID) String() string { return fmt.Sprintf("%d.%d.%d", id.Node, id.Gen, id.Counter) }

// kind is what a stored record is.
type kind uint8

const (
	kindFrame      kind = 1 // a node's trip or fault
	kindCorrection kind = 2 // an earlier frame whose time has since been put right
	kindNotice     kind = 3 // a fault that the gateway itself found
	kindNoticeTime kind = 4 // an earlier notice whose time has since been put right
)

// Event is something that the house is told of, with what was known when it came in. It is stored as the frame that
// came, and made into words only when it is delivered.
type Event struct {
	kind   kind
	ID     ID
	Fresh  proto.Freshness
	Late   time.Duration // what the time held by relays must be corrected by; see before
	Rx     Reception
	Frame  []byte     // as received; kindFrame, kindCorrection
	proven uint8      // bit i: hop record i verified at reception, under a key that was good then
	Body   proto.Body // opened from Frame
	Hops   []HopSeen  // likewise
	Notice Notice     // kindNotice, kindNoticeTime
}

// HopSeen is a hop record and whether it verified.
type HopSeen struct {
	proto.Hop
	Verified bool
}

// Notice is a fault that the gateway itself found. Its ID has node 0: epoch and number in the counter's place.
type Notice struct {
	Code   string // closed list: the Notice constants, health.Codes, and what nodes call what they no longer tell the end of
	Ended  bool
	Node   uint8  // concerned; 0 if none is
	Zone   string // concerned
	Detail string // for people
	about  string // the bearer, sink, annunciator or hop concerned
}

// The codes of Notice.
const (
	NoticeOverdue         = "node-overdue"     // two check-ins of a node were missed
	NoticeBearerDown      = "bearer-down"      // a modem or network interface does not work: nothing can be heard there
	NoticeReceiveOnly     = "receive-only"     // a bearer may not send: no region is set
	NoticeAirtimeShort    = "airtime-short"    // receipts for trips are withheld since the lawful airtime is used up
	NoticeSlowWay         = "slow-way"         // most events of a node come only with a later attempt
	NoticeHeldBack        = "held-back"        // a frame that somebody may have kept and released later
	NoticeMissed          = "missed"           // an optional sink lags too far behind: events are passed over for it
	NoticeUnusedSink      = "unused-sink"      // the queue keeps events for a sink that the config does not have
	NoticeMarksLost       = "marks-lost"       // the queue no longer tells old frames of a node from new ones
	NoticeQueueFull       = "queue-full"       // the disk, or the queue's share of it, has little or no room for further events
	NoticeReplaced        = "queue-replaced"   // the queue's file was damaged or gone: a new one is in its place
	NoticeUnheard         = "unheard"          // no annunciator has confirmed a trip
	NoticeAnnunciatorLost = "annunciator-lost" // one that is to be there is not
	NoticeTestFailed      = "test-failed"      // a test trip was not confirmed by all, or none has come
	NoticeGivenUp         = "given-up"         // a sink's receiver has answered that it will not have an event
	NoticeSetAside        = "set-aside"        // a sink's receiver refuses events, or stored ones cannot be read: others go past them
)

const recordVersion = 1

// append writes the stored form, version 1: version, kind, freshness, flags (1 clock set, 2 measured), hop records that
// verified (bit i: record i), node, generation, counter (4), late in 10 ms (4, signed), boot (16), mono ns (8), wall ns
// (8), RSSI (float32), SNR (float32), the bearer or what a notice is about (length byte, text), then the frame or the notice
// to the end. Big-endian.
func (e *Event) append(dst []byte) []byte {
	flags := byte(0)
	if e.Rx.Set {
		flags |= 1
	}
	if e.Rx.Measured {
		flags |= 2
	}
	dst = append(dst, recordVersion, byte(e.kind), byte(e.Fresh), flags, e.proven, e.ID.Node, e.ID.Gen)
	dst = binary.BigEndian.AppendUint32(dst, e.ID.Counter)
	late := min(max(e.Late/lateUnit, math.MinInt32), math.MaxInt32)
	dst = binary.BigEndian.AppendUint32(dst, uint32(int32(late)))
	dst = append(dst, e.Rx.Boot[:]...)
	dst = binary.BigEndian.AppendUint64(dst, uint64(e.Rx.Mono))
	dst = binary.BigEndian.AppendUint64(dst, uint64(e.Rx.Wall.UnixNano()))
	dst = appendFloat(appendFloat(dst, e.Rx.RSSI), e.Rx.SNR)
	if !e.notice() {
		return append(appendText(dst, e.Rx.Bearer), e.Frame...)
	}
	dst = appendText(dst, e.Notice.about) // by which two faults of one code are told apart, long after it was stored
	ended := byte(0)
	if e.Notice.Ended {
		ended = 1
	}
	dst = append(dst, ended, e.Notice.Node)
	dst = appendText(dst, e.Notice.Code)
	dst = appendText(dst, e.Notice.Zone)
	return append(dst, e.Notice.Detail...)
}

func appendText(dst []byte, s string) []byte {
	s = s[:min(len(s), 255)]
	return append(append(dst, byte(len(s))), s...)
}

func appendFloat(dst []byte, v float64) []byte {
	return binary.BigEndian.AppendUint32(dst, math.Float32bits(float32(v)))
}

func readFloat(b []byte) float64 { return float64(math.Float32frombits(binary.BigEndian.Uint32(b))) }

const lateUnit = 10 * time.Millisecond // 248 days fit; a frame is late by 97 at the most

const recordFixed = 7 + 4 + 4 + 16 + 8 + 8 + 4 + 4

// parseEvent reads a stored record. Body and Hops are left for open.
func parseEvent(b []byte) (*Event, error) {
	if len(b) < recordFixed+1 {
		return nil, fmt.Errorf("read stored event: %d bytes, expected at least %d", len(b), recordFixed+1)
	}
	if b[0] != recordVersion {
		return nil, fmt.Errorf("read stored event: version %d, this program reads version %d", b[0], recordVersion)
	}
	e := &Event{kind: kind(b[1]), Fresh: proto.Freshness(b[2]), proven: b[4], ID: ID{b[5], b[6], binary.BigEndian.Uint32(b[7:])},
		Late: time.Duration(int32(binary.BigEndian.Uint32(b[11:]))) * lateUnit}
	if e.kind < kindFrame || e.kind > kindNoticeTime || e.Fresh > proto.Unproven || b[3] > 3 {
		return nil, fmt.Errorf("read stored event: kind %d, freshness %d, flags %d", b[1], b[2], b[3])
	}
	e.Rx = Reception{Boot: [16]byte(b[15:]), Mono: time.Duration(binary.BigEndian.Uint64(b[31:])),
		Wall: time.Unix(0, int64(binary.BigEndian.Uint64(b[39:]))), Set: b[3]&1 != 0, Measured: b[3]&2 != 0,
		RSSI: readFloat(b[47:]), SNR: readFloat(b[51:])}
	if !bytes.Equal(appendFloat(appendFloat(nil, e.Rx.RSSI), e.Rx.SNR), b[47:55]) {
		return nil, fmt.Errorf("read stored event: RSSI and SNR % x are no numbers that are ever written", b[47:55])
	}
	var err error
	text := ""
	if text, b, err = cutText(b[recordFixed:]); err != nil {
		return nil, err
	}
	if !e.notice() {
		e.Rx.Bearer = text
		e.Frame = append([]byte(nil), b...)
		return e, nil
	}
	err = e.parseNotice(b)
	e.Notice.about = text
	return e, err
}

func (e *Event) parseNotice(b []byte) (err error) {
	if len(b) < 2 || b[0] > 1 {
		return fmt.Errorf("read stored event: its notice is cut short")
	}
	e.Notice = Notice{Ended: b[0] == 1, Node: b[1]}
	if e.Notice.Code, b, err = cutText(b[2:]); err != nil {
		return err
	}
	if e.Notice.Zone, b, err = cutText(b); err != nil {
		return err
	}
	e.Notice.Detail = string(b)
	return nil
}

func cutText(b []byte) (string, []byte, error) {
	if len(b) == 0 || len(b) < 1+int(b[0]) {
		return "", nil, fmt.Errorf("read stored event: a text is cut short")
	}
	n := int(b[0])
	return string(b[1 : 1+n]), b[1+n:], nil
}

// open fills Body and Hops from Frame. It authenticates the frame again: a record that was damaged on the disk, or put
// there by somebody, is not delivered. Which hop records verified is as it was at reception: a relay that is shut out
// since changes nothing about what it said before.
func (e *Event) open(r *roster.Roster) error {
	if e.notice() {
		return nil
	}
	raw, err := proto.Parse(e.Frame)
	if err != nil {
		return err
	}
	keys, err := r.Keys(e.ID.Node, e.ID.Gen)
	if err != nil {
		return err
	}
	if e.Body, err = raw.Open(keys, e.ID.Counter); err != nil {
		return err
	}
	e.Hops = seenHops(raw, e.proven)
	return nil
}

func seenHops(raw proto.Raw, proven uint8) []HopSeen {
	hops := make([]HopSeen, raw.HopCount())
	for i := range hops {
		hops[i] = HopSeen{raw.Hop(i), proven>>i&1 == 1}
	}
	return hops
}

// transit is how long verified relays say they held the frame; whole is false if a record does not verify.
func transit(hops []HopSeen) (held time.Duration, whole bool) {
	whole = true
	for _, h := range hops {
		if h.Verified {
			held += h.Held.Duration()
		} else {
			whole = false
		}
	}
	return held, whole
}

// age is how long before the frame was sealed the thing it tells of happened.
func (e *Event) age() time.Duration {
	switch b := e.Body.(type) {
	case *proto.TripOpened:
		return b.Age.Duration()
	case *proto.TripClosed:
		return b.Age.Duration()
	case *proto.TripHeld:
		return b.Age.Duration()
	case *proto.Fault:
		return b.Age.Duration()
	}
	return 0
}

// before is how long before its reception the event happened: age, time held by relays, and Late. That is what the frame
// took beyond the time held, if it is proven to be late; and if relays say that they held it for longer than it can
// have been under way, it takes back what is too much. For an unproven frame neither can be known, and it takes back all of the time held:
// a relay that is stolen would silence a trip by it.
func (e *Event) before() time.Duration {
	held, _ := transit(e.Hops)
	return e.age() + held + e.Late
}

// sealed is when the node sealed the frame, on our clock: what before says, without the age.
func (e *Event) sealed() time.Duration { return e.Rx.Mono - e.before() + e.age() }

// input is the input the event is about; ok is false if it is about none.
func (e *Event) input() (proto.Input, bool) {
	switch b := e.Body.(type) {
	case *proto.TripOpened:
		return b.Input, true
	case *proto.TripClosed:
		return b.Input, true
	case *proto.TripHeld:
		return b.Input, true
	}
	return proto.Input{}, false
}

// test reports whether it is of a test trip.
func (e *Event) test() bool { in, ok := e.input(); return ok && in.Test }

// notice reports whether it is about a fault that the gateway itself found.
func (e *Event) notice() bool { return e.kind == kindNotice || e.kind == kindNoticeTime }

// correction makes of e the event that tells its time again.
func (e *Event) correction() {
	if e.notice() {
		e.kind = kindNoticeTime
	} else {
		e.kind = kindCorrection
	}
}

// corrects reports whether it only tells an earlier event's time again.
func (e *Event) corrects() bool { return e.kind == kindCorrection || e.kind == kindNoticeTime }

// priority is the lane of the queue that the event is stored in.
func (e *Event) priority() queue.Priority {
	if e.kind == kindFrame && !isFault(e.Body) {
		return queue.Alarm
	}
	return queue.Notice
}

// closed reports whether the event is the end of a trip.
func (e *Event) closed() bool {
	switch b := e.Body.(type) {
	case *proto.TripClosed:
		return true
	case *proto.TripHeld:
		return b.Closed
	}
	return false
}
