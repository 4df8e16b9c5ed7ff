package logbook

import (
	"encoding/hex"
	"fmt"
	"math"
	"time"

	"longlane/queue/history"
)

// What is kept, as JSON: what the socket carries, a line each, and what `longlane history --json` prints.

// Trip is one visit.
type Trip struct {
	ID         string     `json:"id"`             // node.generation.counter of the frame that opened it
	Time       *time.Time `json:"time,omitempty"` // absent if it cannot be known
	Earliest   *time.Time `json:"earliest,omitempty"`
	Latest     *time.Time `json:"latest,omitempty"` // bounds of a time that cannot be known
	Boot       string     `json:"boot,omitempty"`   // with since_boot_s, of a time that cannot be known
	Mono       *float64   `json:"since_boot_s,omitempty"`
	Zone       string     `json:"zone"`
	Node       string     `json:"node"`
	Class      string     `json:"class,omitempty"`
	Dwell      *float64   `json:"dwell_s,omitempty"`
	Margin     *float64   `json:"margin_db,omitempty"` // of the weakest hop
	Opened     bool       `json:"opened"`              // its beginning has come
	Closed     bool       `json:"closed"`              // its end has come
	Test       bool       `json:"test"`
	Supervised bool       `json:"wire_supervised"`
	Uncertain  bool       `json:"time_uncertain"`
	Delayed    bool       `json:"delayed"` // it came too late to sound
	Unproven   bool       `json:"unproven"`
	PutRight   bool       `json:"put_right,omitempty"` // the clock was set only afterwards
}

// Fault is a fault that began or ended.
type Fault struct {
	ID       string     `json:"id"`
	Time     *time.Time `json:"time,omitempty"`
	Earliest *time.Time `json:"earliest,omitempty"`
	Latest   *time.Time `json:"latest,omitempty"`
	Boot     string     `json:"boot,omitempty"`
	Mono     *float64   `json:"since_boot_s,omitempty"`
	Code     string     `json:"code"`
	Ended    bool       `json:"ended"`
	Zone     string     `json:"zone,omitempty"`
	Node     string     `json:"node,omitempty"`
	Detail   string     `json:"detail"`
	PutRight bool       `json:"put_right,omitempty"`
}

// Hour sums up a node's check-ins in an hour.
type Hour struct {
	Node    string    `json:"node"`
	Time    time.Time `json:"time"`
	Count   int       `json:"check_ins"`
	Lowest  float64   `json:"lowest_battery_v,omitempty"`
	Battery float64   `json:"battery_v,omitempty"`
	Hops    []HopHour `json:"hops"`
}

// HopHour is how well one radio heard another in an hour.
type HopHour struct {
	From    string       `json:"from"`
	To      string       `json:"to"`
	Margins map[int8]int `json:"margins_db"` // margin: how many check-ins
}

// Span is a time of one zone or annunciator.
type Span struct {
	Subject string    `json:"subject,omitempty"`
	From    time.Time `json:"from"`
	To      time.Time `json:"to"`
	Quality string    `json:"quality"` // "end to end", "radio only", "gap"
	Cause   string    `json:"cause,omitempty"`
}

func timeOf(t time.Time) *time.Time {
	if t.IsZero() {
		return nil
	}
	return &t
}

func orZero(t *time.Time) time.Time {
	if t == nil {
		return time.Time{}
	}
	return *t
}

// when is a moment's place; of one without a time, its boot.
func when(m history.Moment) (t *time.Time, boot string, mono *float64) {
	if !m.Wall.IsZero() {
		return &m.Wall, "", nil
	}
	s := m.Mono.Seconds()
	return nil, hex.EncodeToString(m.Boot[:]), &s
}

func moment(t *time.Time, boot string, mono *float64) (m history.Moment, err error) {
	if t != nil {
		return history.Moment{Wall: *t}, nil
	}
	b, err := hex.DecodeString(boot)
	if err != nil || len(b) != 16 || mono == nil {
		return m, fmt.Errorf("a moment without time, of the boot %q", boot)
	}
	return history.Moment{Boot: [16]byte(b), Mono: time.Duration(*mono * float64(time.Second))}, nil
}

// NewTrip is a trip as JSON.
func NewTrip(t *history.Trip) *Trip {
	w := &Trip{ID: fmt.Sprintf("%d.%d.%d", t.ID.Node, t.ID.Gen, t.ID.Counter), Earliest: timeOf(t.Earliest), Latest: timeOf(t.Latest), Zone: t.Zone, Node: t.Node,
		Class: t.Class, Opened: t.Opened, Closed: t.Closed, Test: t.Test, Supervised: t.Supervised, Uncertain: t.Uncertain, Delayed: t.Delayed, Unproven: t.Unproven, PutRight: t.At.PutRight}
	w.Time, w.Boot, w.Mono = when(t.At)
	if t.Dwell >= 0 && t.Closed {
		d := float64(t.Dwell.Milliseconds()) / 1000 // Seconds adds two parts, and may be off by the last bit
		w.Dwell = &d
	}
	if m := t.Margin; !math.IsNaN(m) {
		m = math.Round(m*10) / 10
		w.Margin = &m
	}
	return w
}

func (w *Trip) record() (t history.Trip, err error) {
	id, ok := parseID(w.ID)
	if !ok {
		return t, fmt.Errorf("a trip has the id %q", w.ID)
	}
	t = history.Trip{ID: history.TripID{Node: id.Node, Gen: id.Gen, Counter: id.Counter}, Zone: w.Zone, Node: w.Node, Class: w.Class, Dwell: -time.Millisecond, Margin: math.NaN(),
		Opened: w.Opened, Closed: w.Closed, Test: w.Test, Supervised: w.Supervised, Uncertain: w.Uncertain, Delayed: w.Delayed, Unproven: w.Unproven,
		Earliest: orZero(w.Earliest), Latest: orZero(w.Latest)}
	if w.Dwell != nil {
		t.Dwell = time.Duration(math.Round(*w.Dwell*1e3)) * time.Millisecond
	}
	if w.Margin != nil {
		t.Margin = *w.Margin
	}
	t.At, err = moment(w.Time, w.Boot, w.Mono)
	t.At.PutRight = w.PutRight
	return t, err
}

// NewFault is a fault as JSON.
func NewFault(f *history.Fault) *Fault {
	w := &Fault{ID: f.ID, Earliest: timeOf(f.Earliest), Latest: timeOf(f.Latest), Code: f.Code, Ended: f.Ended, Zone: f.Zone, Node: f.Node, Detail: f.Detail, PutRight: f.At.PutRight}
	w.Time, w.Boot, w.Mono = when(f.At)
	return w
}

func (w *Fault) record() (f history.Fault, err error) {
	f = history.Fault{ID: w.ID, Code: w.Code, Ended: w.Ended, Zone: w.Zone, Node: w.Node, Detail: w.Detail, Earliest: orZero(w.Earliest), Latest: orZero(w.Latest)}
	f.At, err = moment(w.Time, w.Boot, w.Mono)
	f.At.PutRight = w.PutRight
	return f, err
}

// NewHour is an hour as JSON.
func NewHour(h *history.Hour) *Hour {
	w := &Hour{Node: h.Node, Time: h.At.Wall, Count: h.Count, Lowest: h.Lowest, Battery: h.Battery, Hops: []HopHour{}}
	for _, hop := range h.Hops {
		w.Hops = append(w.Hops, HopHour{hop.From, hop.To, hop.Margins})
	}
	return w
}

func (w *Hour) record() (history.Hour, error) {
	h := history.Hour{Node: w.Node, At: history.Moment{Wall: w.Time}, Count: w.Count, Lowest: w.Lowest, Battery: w.Battery}
	for _, hop := range w.Hops {
		h.Hops = append(h.Hops, history.Hop{From: hop.From, To: hop.To, Margins: hop.Margins})
	}
	return h, nil
}

// NewSpan is a span as JSON.
func NewSpan(s *history.Span) *Span {
	return &Span{s.Subject, s.From.Wall, s.Until(), s.Quality.String(), s.Cause}
}

func (w *Span) record() (history.Span, error) {
	s := history.Span{Subject: w.Subject, From: history.Moment{Wall: w.From}, Length: w.To.Sub(w.From), Cause: w.Cause}
	for q := history.Gap; q <= history.EndToEnd; q++ {
		if q.String() == w.Quality {
			s.Quality = q
			return s, nil
		}
	}
	return s, fmt.Errorf("a span of the quality %q", w.Quality)
}
