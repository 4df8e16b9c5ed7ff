package health

import (
	"fmt"
	"math"
	"slices"
	"time"
)

// Refusal is why a frame in the site's name was refused.
type Refusal uint8

// The refusals that are looked at. Others are noise, or quite usual: a frame that comes by two ways.
const (
	WrongKey Refusal = iota // its MAC is wrong: damaged, or made by somebody without the key
	Recorded                // it is a node's own frame, but one from long ago
)

const (
	forgedMany     = 10 // within an hour are no accident: each has passed the modem's check sum
	replayedMany   = 5
	refusedWithin  = time.Hour
	refusedCalm    = day
	diskHigh       = 0.80
	diskFine       = 0.70
	diskTrouble    = 0.95
	diskEvery      = time.Hour
	diskKept       = 24
	shortestFilled = 2 // hours of which a pace is told
)

// Refused takes in a frame that was refused.
func (w *Watcher) Refused(at Time, why Refusal) {
	if why == WrongKey {
		w.forged.add(at.Mono, forgedMany)
	} else {
		w.stale.add(at.Mono, replayedMany)
	}
}

func (w *Watcher) refusals(at Time) {
	w.judge(at, Forged, w.gateway(), w.forged.state(at.Mono, w.start, forgedMany, refusedWithin, refusedCalm), func(v *Verdict) {
		v.Evidence = []Figure{{"frames with a wrong key within the hour, at least", forgedMany, ""}, {"since the gateway started", float64(w.forged.total), ""}}
		v.Reason = "Frames come in the name of this place that were not made with its keys. They are refused and change nothing."
		v.Remedy = "See whether a node of yours was enrolled for something else or has an old card. If not, somebody may be trying: look more often."
	})
	w.judge(at, Replayed, w.gateway(), w.stale.state(at.Mono, w.start, replayedMany, refusedWithin, refusedCalm), func(v *Verdict) {
		v.Evidence = []Figure{{"old frames within the hour, at least", replayedMany, ""}, {"since the gateway started", float64(w.stale.total), ""}}
		v.Reason = "Frames of your own nodes come again that were heard long ago: somebody may have recorded them. They are refused and sound nothing."
		v.Remedy = "A relay whose memory is broken can do it, too: see whether it stops when you switch relays off, one after the other. If not, somebody is near with a radio."
	})
}

// Sink takes in whether a sink's receiver (the broker, a webhook's server) is there. It is to be told once a second.
func (w *Watcher) Sink(at Time, name string, up bool) {
	w.judge(at, SinkAbsent, Subject{Kind: KindSink, Name: name}, stateOf(!up, up), func(v *Verdict) {
		if slices.Contains(w.site.Optional, name) {
			v.Severity = Watch
		}
		since := at.Mono
		if f := w.faults[key{SinkAbsent, v.Subject}]; f != nil {
			since = f.bad.since
		}
		v.Evidence = []Figure{{"absent for", (at.Mono - since).Seconds(), "s"}}
		v.Reason = fmt.Sprintf("%s is not there: what the gateway hears does not get any further by it. Events are kept until it is.", name)
		v.Remedy = "See whether that machine and the network between are on; the log says what the connection ended with."
	})
}

// Disk takes in how much of the room for events is used, from 0 to 1. It is to be told once a second.
func (w *Watcher) Disk(at Time, used float64) {
	d := &w.disk
	if len(d.values) == 0 || at.Mono-d.at >= diskEvery {
		d.at = at.Mono
		d.add(used, diskKept)
	}
	w.judge(at, DiskFilling, w.gateway(), stateOf(used >= diskHigh, used <= diskFine), func(v *Verdict) {
		v.Evidence = []Figure{{"used", round(100*used, 0), "%"}}
		v.Reason = fmt.Sprintf("The room for events is %.0f %% full.", 100*used)
		if hours := float64(len(d.values) - 1); hours >= shortestFilled && used > d.values[0] {
			left := (1 - used) / (used - d.values[0]) * hours
			v.Evidence = append(v.Evidence, Figure{"full in, at the pace of the last day", math.Round(left), "h"})
			v.Reason += fmt.Sprintf(" At the pace of the last %.0f hours it is full in %.0f hours; then nodes keep their trips until they have no room either.", hours, left)
		}
		v.Remedy = "See which sink does not take its events: they wait for it. Bring it back, or take it out of the config; or give the queue more room."
		if used >= diskTrouble {
			v.Severity = Trouble
		}
	})
}

func (w *Watcher) clock(at Time) {
	set := !at.Wall.IsZero()
	w.judge(at, ClockNotSet, w.gateway(), stateOf(!set, set), func(v *Verdict) {
		v.Evidence = []Figure{{"running since", (at.Mono - w.start).Seconds(), "s"}}
		v.Reason = "The gateway does not know what time it is. Trips sound as ever, but they are told without a time until it does."
		v.Remedy = "It asks over the internet. If that is not back soon, set the clock by hand; a small battery clock on the board ends this for good."
	})
	w.days.of(at)
}
