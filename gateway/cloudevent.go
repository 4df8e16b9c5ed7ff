package gateway

import (
	"encoding/hex"
	"encoding/json"
	"fmt"
	"math"
	"time"

	"longlane/proto"
	"longlane/radio/lora"
)

// Message is one publication.
type Message struct {
	Topic   string
	QoS     byte
	Retain  bool
	Payload []byte
	entry   *Entry // instead of all these; see Taker
}

// cloudEvent is the envelope of CloudEvents 1.0, JSON format. Source and id together are the key by which a consumer
// drops repeats.
type cloudEvent struct {
	SpecVersion string `json:"specversion"`
	ID          string `json:"id"`
	Source      string `json:"source"`
	Type        string `json:"type"`
	Subject     string `json:"subject,omitempty"`
	Time        string `json:"time,omitempty"` // absent while it cannot be known
	ContentType string `json:"datacontenttype"`
	Data        any    `json:"data"`
}

// The event types on the wire to the house.
const (
	typeOpened     = "longlane.trip.opened"
	typeClosed     = "longlane.trip.closed"
	typeTestOpened = "longlane.test.opened" // on a topic of their own, too: who listens for trips must not take one for a visit
	typeTestClosed = "longlane.test.closed"
	typeCorrection = "longlane.trip.time-corrected"
	typeFaultBegan = "longlane.fault.began"
	typeFaultEnded = "longlane.fault.ended"
	typeFaultTime  = "longlane.fault.time-corrected"
)

// timing says where an event stands in time. Every delivery carries it: what makes noise or light goes by it.
type timing struct {
	Clock      string   `json:"clock"`                  // set, unset, or earlier boot
	Age        *float64 `json:"age_s"`                  // at publication; null if it cannot be known, hence old
	Delayed    bool     `json:"delayed"`                // too old to sound, or told before
	Uncertain  bool     `json:"time_uncertain"`         // a hop record did not verify, the frame is unproven, or it went later than it was sealed: then within a second
	Proof      string   `json:"proof"`                  // fresh, late, unproven
	Boot       string   `json:"boot,omitempty"`         // with monotonic_s: the gateway's clock since boot,
	Monotonic  *float64 `json:"monotonic_s,omitempty"`  // to be compared with the tick
	ClockFixed bool     `json:"put_right,omitempty"`    // received with the clock unset, put right since
	Corrects   string   `json:"corrects_id,omitempty"`  // of a correction: the event it is about
	Received   string   `json:"received_at,omitempty"`  // RFC 3339, when the clock was set
	Unproven   string   `json:"unproven_why,omitempty"` // in words
}

type tripData struct {
	Zone        string   `json:"zone"`
	Title       string   `json:"zone_title,omitempty"`
	Node        string   `json:"node"`
	NodeID      uint8    `json:"node_id"`
	Generation  uint8    `json:"generation"`
	Counter     uint32   `json:"counter"`
	Attempt     uint16   `json:"attempt"`
	Input       uint8    `json:"input"`
	Phase       string   `json:"phase"` // opened, closed
	OpenedID    string   `json:"opened_id,omitempty"`
	Dwell       *float64 `json:"dwell_s,omitempty"`
	Test        bool     `json:"test"`
	Supervised  bool     `json:"wire_supervised"`
	Battery     *float64 `json:"battery_v,omitempty"`
	Temperature *int     `json:"temperature_c,omitempty"`
	timing
	Gateway string    `json:"gateway"`
	Bearer  string    `json:"bearer"`
	Hops    []hopData `json:"hops"`
}

type faultData struct {
	Code     string `json:"code"`
	Zone     string `json:"zone,omitempty"`
	Node     string `json:"node,omitempty"`
	NodeID   uint8  `json:"node_id,omitempty"`
	About    string `json:"about,omitempty"` // the bearer, sink, annunciator or hop: it tells faults of one code apart
	Argument uint16 `json:"argument,omitempty"`
	Detail   string `json:"detail"`
	timing
	Gateway string    `json:"gateway"`
	Bearer  string    `json:"bearer,omitempty"`
	Hops    []hopData `json:"hops,omitempty"`
}

// hopData is one hop in the order travelled: who heard whom, how well, how long it kept the frame. The last hop is the
// gateway's own modem, whose figures need no proof; it is verified if who was heard there is.
type hopData struct {
	From     string   `json:"from"`
	To       string   `json:"to"`
	RSSI     *float64 `json:"rssi_dbm"`
	SNR      *float64 `json:"snr_db"`
	Margin   *float64 `json:"margin_db"` // above what the spreading factor needs; see lora.Margin
	Held     float64  `json:"held_s"`
	Verified bool     `json:"verified"`
}

func number(v float64) *float64 {
	if math.IsNaN(v) || math.IsInf(v, 0) { // JSON has neither
		return nil
	}
	v = math.Round(v*1000) / 1000
	return &v
}

func seconds(d time.Duration) *float64 { return number(d.Seconds()) }

// message makes the publication of e as things stand now.
func (g *Gateway) message(e *Event) (Message, error) {
	ce := cloudEvent{SpecVersion: "1.0", ID: e.id(), Source: "/longlane/" + g.o.Site, Type: e.typ(), ContentType: "application/json"}
	w := g.o.Clock.when(e.Rx, e.before())
	if !w.Time.IsZero() {
		ce.Time = w.Time.UTC().Format(time.RFC3339Nano)
	}
	topic := g.topic("fault")
	switch {
	case e.notice():
		ce.Data = g.noticeData(e, w)
		ce.Subject = e.Notice.Zone
	case isFault(e.Body):
		b := e.Body.(*proto.Fault)
		ce.Data = g.faultData(e, b, w)
		ce.Subject = g.nodeName(e.ID.Node)
	default:
		d := g.tripData(e, w)
		ce.Data, ce.Subject = d, d.Zone
		topic = g.topic("zone", d.Zone, "trip")
		if d.Test {
			topic = g.topic("zone", d.Zone, "test")
		}
	}
	payload, err := json.Marshal(ce)
	if err != nil {
		return Message{}, fmt.Errorf("write event %s: %w", e.ID, err)
	}
	return Message{Topic: topic, QoS: 1, Payload: payload}, nil
}

// id is the CloudEvents id. A correction's is its own: the event it is about keeps the old one.
func (e *Event) id() string {
	if e.corrects() {
		return e.original() + ".time"
	}
	return e.original()
}

// original is the id of the event that e is, or corrects.
func (e *Event) original() string {
	if e.notice() {
		return "gateway." + hex.EncodeToString(e.Rx.Boot[:4]) + fmt.Sprintf(".%d.%d", e.ID.Gen, e.ID.Counter)
	}
	return e.ID.String()
}

func isFault(b proto.Body) bool { _, ok := b.(*proto.Fault); return ok }

// typ is the CloudEvents type.
func (e *Event) typ() string {
	b, ofNode := e.Body.(*proto.Fault)
	switch fault := ofNode || e.notice(); {
	case fault && e.corrects():
		return typeFaultTime
	case ofNode && b.Ended, e.notice() && e.Notice.Ended:
		return typeFaultEnded
	case fault:
		return typeFaultBegan
	case e.corrects():
		return typeCorrection
	case e.test() && e.closed():
		return typeTestClosed
	case e.test():
		return typeTestOpened
	case e.closed():
		return typeClosed
	}
	return typeOpened
}

func (g *Gateway) timing(e *Event, w When) timing {
	t := timing{Clock: w.Clock, Delayed: e.corrects() || !w.AgeKnown || w.Age > g.o.OldAfter, Proof: e.Fresh.String(), ClockFixed: w.Corrected}
	if _, whole := transit(e.Hops); !whole || e.Fresh == proto.Unproven && !e.notice() || e.Fresh == proto.Fresh && e.Late > 0 {
		t.Uncertain = true
	}
	if w.AgeKnown {
		t.Age = seconds(w.Age)
	}
	if w.SameBoot {
		t.Boot, t.Monotonic = hex.EncodeToString(e.Rx.Boot[:]), seconds(w.Mono)
	}
	if e.corrects() {
		t.Corrects = e.original()
	}
	if e.Rx.Set {
		t.Received = e.Rx.Wall.UTC().Format(time.RFC3339Nano)
	}
	if e.Fresh == proto.Unproven && !e.notice() {
		t.Unproven = "the node does not know the gateway's time, so the frame could have been held back; its next frame tells"
	}
	return t
}

func (g *Gateway) tripData(e *Event, w When) *tripData {
	in, _ := e.input()
	d := &tripData{Zone: g.zone(e.ID.Node, in.Number), Node: g.nodeName(e.ID.Node), NodeID: e.ID.Node, Generation: e.ID.Gen,
		Counter: e.ID.Counter, Input: in.Number, Phase: "opened", Test: in.Test, Supervised: in.Supervised,
		timing: g.timing(e, w), Gateway: g.o.Name, Bearer: e.Rx.Bearer, Hops: g.hopData(e)}
	d.Title = g.o.Titles[d.Zone]
	if raw, err := proto.Parse(e.Frame); err == nil {
		d.Attempt = raw.Attempt
	}
	dwell, opened := proto.Dur16(0), uint8(0)
	switch b := e.Body.(type) {
	case *proto.TripOpened:
		d.setSupply(b.Battery, b.Temperature)
	case *proto.TripClosed:
		dwell, opened = b.Dwell, b.Opened
	case *proto.TripHeld:
		dwell, opened = b.Dwell, b.Opened
		d.setSupply(b.Battery, proto.NoTemperature)
	}
	if e.closed() {
		d.Phase = "closed"
		if dwell != proto.Dur16Max {
			d.Dwell = seconds(dwell.Duration())
		}
		if opened != 0 && uint32(opened) <= e.ID.Counter {
			d.OpenedID = ID{e.ID.Node, e.ID.Gen, e.ID.Counter - uint32(opened)}.String()
		}
	}
	return d
}

func (d *tripData) setSupply(b proto.Battery, t proto.Temperature) {
	if v, ok := b.Volts(); ok {
		v = math.Round(v*100) / 100
		d.Battery = &v
	}
	if t != proto.NoTemperature {
		c := int(t)
		d.Temperature = &c
	}
}

func (g *Gateway) faultData(e *Event, b *proto.Fault, w When) *faultData {
	d := &faultData{Code: b.Kind.String(), Node: g.nodeName(e.ID.Node), NodeID: e.ID.Node, Argument: b.Argument,
		Detail: fmt.Sprintf("%s reports: %s", g.nodeName(e.ID.Node), b.Kind), timing: g.timing(e, w),
		Gateway: g.o.Name, Bearer: e.Rx.Bearer, Hops: g.hopData(e)}
	switch b.Kind {
	case proto.FaultInput, proto.FaultBlocked, proto.FaultChatter:
		d.Zone = g.zone(e.ID.Node, b.Input.Number)
	}
	return d
}

func (g *Gateway) noticeData(e *Event, w When) *faultData {
	d := &faultData{Code: e.Notice.Code, Zone: e.Notice.Zone, NodeID: e.Notice.Node, About: e.Notice.about, Detail: e.Notice.Detail,
		timing: g.timing(e, w), Gateway: g.o.Name}
	if e.Notice.Node != 0 {
		d.Node = g.nodeName(e.Notice.Node)
	}
	return d
}

func (g *Gateway) hopData(e *Event) []hopData {
	hops := make([]hopData, 0, len(e.Hops)+1)
	from, proven := g.nodeName(e.ID.Node), true
	for _, h := range e.Hops {
		to := g.nodeName(h.Relay)
		hops = append(hops, g.hop(e.Rx.Bearer, from, to, h.RSSI.DBm(), h.SNR.DB(), h.Held.Duration(), h.Verified))
		from, proven = to, h.Verified
	}
	rssi, snr := math.NaN(), math.NaN()
	if e.Rx.Measured {
		rssi, snr = e.Rx.RSSI, e.Rx.SNR
	}
	return append(hops, g.hop(e.Rx.Bearer, from, g.o.Name, rssi, snr, 0, proven))
}

func (g *Gateway) hop(bearer, from, to string, rssi, snr float64, held time.Duration, verified bool) hopData {
	margin := math.NaN()
	if air, ok := g.o.Air[bearer]; ok {
		margin = lora.Margin(air.Settings, rssi, snr)
	}
	return hopData{From: from, To: to, RSSI: number(rssi), SNR: number(snr), Margin: number(margin),
		Held: held.Seconds(), Verified: verified}
}

func (g *Gateway) topic(parts ...string) string {
	t := "longlane/" + g.o.Site
	for _, p := range parts {
		t += "/" + p
	}
	return t
}

func (g *Gateway) nodeName(id uint8) string {
	if n := g.o.Roster.Get().Node(id); n != nil {
		return n.Name
	}
	return fmt.Sprintf("node-%d", id)
}

func (g *Gateway) zone(node, input uint8) string {
	if n := g.o.Roster.Get().Node(node); n != nil {
		return n.Zone(input)
	}
	return fmt.Sprintf("node-%d-input-%d", node, input)
}
