package logbook

import (
	"longlane/radio/beam"
	"time"

	"longlane/gateway"
	"longlane/gateway/passage"
	"longlane/queue/history"
)

// Classify says what a trip's dwell is taken for. One whose dwell is not known may be anything, and is nothing.
func Classify(s *passage.Settings, t *history.Trip) (j beam.Judgement) {
	if !t.Closed || t.Dwell < 0 {
		return j
	}
	return s.OfDwell(t.Dwell, passage.DwellError(t.Dwell))
}

// How wrong the time of a trip may be that came at once: its frame's age and what relays held it for are in a byte each, and the history
// keeps neither. So the worst counts that is usual, an age of 2 s and three relays of a second each.
var tripEarly, tripLate = passage.Timed(2*time.Second, time.Second, time.Second, time.Second)

// Break is a trip as the interruption of its zone's beam; ok is false for what tells of no time that can be compared: tests, and trips that
// came late or whose time is not certain.
func Break(t *history.Trip) (b passage.Break, ok bool) {
	if t.Test || t.Uncertain || t.Delayed || !t.Opened || t.At.Wall.IsZero() {
		return b, false
	}
	b = passage.Break{ID: gateway.ID{Node: t.ID.Node, Gen: t.ID.Gen, Counter: t.ID.Counter}.String(), Beam: t.Zone, At: t.At.Wall, Early: tripEarly, Late: tripLate, Dwell: -1}
	if t.Closed && t.Dwell >= 0 {
		b.Dwell, b.DwellError = t.Dwell, passage.DwellError(t.Dwell)
	}
	return b, true
}
