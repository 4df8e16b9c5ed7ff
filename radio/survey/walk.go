package survey

import (
	"fmt"
	"math"
	"slices"
	"time"

	"longlane/proto"
	"longlane/radio/node"
)

// Probe is one check-in of a walk test, and all that was heard of it. Times are in seconds since the walk test began.
type Probe struct {
	Counter  uint32  `json:"counter"`
	Sent     float64 `json:"sent_s"`               // the end of its sending
	Answered float64 `json:"answered_s,omitempty"` // 0: it was not
	HeardBy  []Heard `json:"heard_by,omitempty"`   // each neighbour once
	Heard    []Heard `json:"heard,omitempty"`      // each frame
}

// Heard is a frame that was heard by a neighbour, or from it; nil where no modem told.
type Heard struct {
	Neighbour uint8    `json:"id"`
	RSSI      *float64 `json:"rssi_dbm,omitempty"`
	SNR       *float64 `json:"snr_db,omitempty"`
}

func heard(o node.Observed) Heard {
	h := Heard{Neighbour: o.Neighbour}
	if v := o.RSSI.DBm(); !math.IsNaN(v) {
		h.RSSI = &v
	}
	if v := o.SNR.DB(); !math.IsNaN(v) {
		h.SNR = &v
	}
	return h
}

// Walk is a walk test under way. It is not safe for concurrent use. The times that it is given must not run backwards.
type Walk struct {
	pacer
	began   time.Duration
	probes  []Probe // sent
	current *Probe  // made, and not yet sent
	whole   int     // of probes: those that are over
}

// NewWalk begins a walk test.
func NewWalk(now time.Duration, o Options) *Walk {
	return &Walk{pacer: newPacer(now, o), began: now}
}

// Next reports whether to probe now, and when to ask again at the latest.
func (w *Walk) Next(now time.Duration) (probe bool, wake time.Duration) {
	probe, wake = w.step(now)
	if probe || !w.busy {
		w.whole, w.current = len(w.probes), nil
	}
	return probe, wake
}

// Sent takes what became of a frame of the node's.
func (w *Walk) Sent(now time.Duration, t node.Transmit, err error) {
	if w.sent(now, t, err) && w.current != nil {
		w.current.Sent = w.seconds(now)
		if p := w.current; p.Answered > 0 { // the modem told late that it was sent
			p.Sent = min(p.Sent, p.Answered)
		}
		w.probes, w.current = append(w.probes, *w.current), nil
	}
}

// Observed takes what the node observed.
func (w *Walk) Observed(now time.Duration, o node.Observed) {
	switch o.What {
	case node.Probed:
		w.counter, w.current = o.Counter, &Probe{Counter: o.Counter}
	case node.Answered:
		if p := w.of(o.Counter); p != nil && p.Answered == 0 {
			p.Answered = w.seconds(now)
		}
	case node.HeardBy:
		w.met(o.Neighbour)
		if p := w.of(o.Counter); p != nil && !slices.ContainsFunc(p.HeardBy, func(h Heard) bool { return h.Neighbour == o.Neighbour }) {
			p.HeardBy = append(p.HeardBy, heard(o))
		}
	case node.Heard:
		w.met(o.Neighbour)
		if len(w.probes) > 0 && w.current == nil {
			p := &w.probes[len(w.probes)-1]
			p.Heard = append(p.Heard, heard(o))
		}
	}
}

// seconds since it began, in whole milliseconds: the record need not have more digits.
func (w *Walk) seconds(now time.Duration) float64 {
	return (now - w.began).Round(time.Millisecond).Seconds()
}

func (w *Walk) met(id uint8) { w.relays = w.relays || id < proto.GatewayBase }

func (w *Walk) of(counter uint32) *Probe {
	if w.current != nil && w.current.Counter == counter {
		return w.current
	}
	for i := range w.probes {
		if w.probes[i].Counter == counter {
			return &w.probes[i]
		}
	}
	return nil
}

// Figures are those of the probes that are over.
func (w *Walk) Figures() Figures { return figures(w.o.Settings, w.probes[:w.whole]) }

// Verdict is that of the probes that are over.
func (w *Walk) Verdict() Verdict { return Judge(w.Figures(), w.o.Probes) }

// Over reports whether there is a verdict.
func (w *Walk) Over() bool { return w.Verdict().Word != Undecided }

// Line tells how it goes, on one line.
func (w *Walk) Line(now time.Duration) string {
	if text := w.line(now); text != "" {
		return fmt.Sprintf("probe %d of %d: %s", len(w.probes)+1, w.o.Probes, text)
	}
	f := w.Figures()
	line := fmt.Sprintf("keep standing still: %d of %d probes, %d answered", f.Probes, w.o.Probes, f.Answered)
	if n := f.best(); n != nil {
		if d, to := n.weak(); d != nil {
			from := "from"
			if to {
				from = "to"
			}
			line += fmt.Sprintf(", %.0f dB %s %s", math.Floor(d.Margin.Median), from, Name(n.ID))
		}
	}
	return line
}
