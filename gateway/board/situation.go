package board

import (
	"context"
	"errors"
	"math"
	"time"

	"longlane/gateway/health"
)

// Source is where the board gets what it shows. Its methods are called at any time, several at once. What it returns is
// not changed by either side.
type Source interface {
	// Now is all that is current. It is called for every request and reads no disk.
	Now() Situation
	// Trips are the newest that opened from from to before to, the newest first, limit at most.
	Trips(ctx context.Context, from, to time.Time, limit int) ([]Trip, error)
	// Watched tells whether a zone was watched in that time.
	Watched(ctx context.Context, zone string, from, to time.Time) (Watched, error)
	// Curves are the hours of a node, in order of time; hours in which nothing came are left out.
	Curves(ctx context.Context, node string, from, to time.Time) ([]Hour, error)
	// Acknowledge notes that a fault has been seen. Again changes nothing. ErrNoFault: no such fault stands.
	Acknowledge(ctx context.Context, fault string) error
}

// ErrNoFault is returned by Acknowledge for a fault that does not stand, or no more.
var ErrNoFault = errors.New("no such fault stands")

// Situation is a site as it is now. The lists are in the order in which they are to be shown.
type Situation struct {
	Site    string    `json:"site"`
	Gateway string    `json:"gateway"`
	At      time.Time `json:"at"`    // by the gateway's clock, even if nobody has set it
	Clock   string    `json:"clock"` // "set" or "unset"
	Serving *Past     `json:"serving,omitempty"`

	Plan         *Plan         `json:"plan,omitempty"` // nil: the places are not known
	Zones        []Zone        `json:"zones"`
	Nodes        []Node        `json:"nodes"`
	Faults       []Fault       `json:"faults"` // those that stand
	Bearers      []Bearer      `json:"bearers"`
	Queue        Queue         `json:"queue"`
	Sinks        []Sink        `json:"sinks"`
	Annunciators []Annunciator `json:"annunciators"`
}

// ClockSet and ClockUnset are what a gateway's clock is.
const (
	ClockSet   = "set"
	ClockUnset = "unset"
)

// Past is a moment that has passed. At is zero while no clock is set; how long ago it was is known all the same.
type Past struct {
	At  time.Time `json:"at,omitzero"`
	Ago float64   `json:"ago_s"`
}

// Plan is the lane from above, in metres in any system of east and north.
type Plan struct {
	Places []Place `json:"places"`
	Course [][]XY  `json:"course"` // the lane itself: lines, each from end to end
}

// Place is a place with a name.
type Place struct {
	Name string `json:"name"`
	XY
}

// XY is a point, in metres: X to the east, Y to the north.
type XY struct {
	X float64 `json:"x_m"`
	Y float64 `json:"y_m"`
}

// The states of a zone.
const (
	Clear     = "clear"
	Tripped   = "tripped"
	Blocked   = "blocked"
	Unwatched = "unwatched"
)

// Zone is a place that an input watches.
type Zone struct {
	Name  string `json:"zone"`
	Title string `json:"title"`
	Node  string `json:"node"`
	State string `json:"state"`           // one of Clear, Tripped, Blocked, Unwatched
	Why   string `json:"why,omitempty"`   // of a state that is not Clear or Tripped, in words
	Since *Past  `json:"since,omitempty"` // the state
	Last  *Past  `json:"last_trip,omitempty"`
}

// Node is a radio unit.
type Node struct {
	Name        string          `json:"node"`
	Place       string          `json:"place,omitempty"` // in the plan; empty: its own name, if the plan has that
	Relay       bool            `json:"relay"`
	Severity    health.Severity `json:"severity"`
	Reason      string          `json:"reason,omitempty"`
	Heard       *Past           `json:"last_heard,omitempty"` // nil: not since the gateway started
	Bearer      string          `json:"bearer,omitempty"`
	Mains       bool            `json:"mains"`
	Battery     *float64        `json:"battery_v,omitempty"`
	Low         *float64        `json:"battery_low_v,omitempty"` // below which it cannot be relied on
	Temperature *int            `json:"temperature_c,omitempty"`
	// Hops are those by which it sends, the one last used first: to the gateway itself, or to a relay.
	Hops []Hop `json:"hops"`
}

// Hop is how one radio hears another. A figure that is nil was not measured; by Wi-Fi none is.
type Hop struct {
	From string `json:"from"`
	To   string `json:"to"`
	// RSSI in dBm, SNR in dB, and Margin in dB above what the spreading factor needs, all as last heard.
	RSSI   *float64 `json:"rssi_dbm,omitempty"`
	SNR    *float64 `json:"snr_db,omitempty"`
	Margin *float64 `json:"margin_db,omitempty"`
	// Lowest, Median and Highest are the margin's over the last day.
	Lowest  *float64 `json:"margin_lowest_db,omitempty"`
	Median  *float64 `json:"margin_median_db,omitempty"`
	Highest *float64 `json:"margin_highest_db,omitempty"`
}

// Fault is a verdict that stands.
type Fault struct {
	ID string `json:"id"` // of letters, digits, "-", ".", "_" and "~"; of this one time that it stands
	health.Verdict
	Began *Past `json:"began,omitempty"`
	Seen  *Past `json:"seen,omitempty"` // when somebody acknowledged it
}

// Bearer is a way in.
type Bearer struct {
	Name   string `json:"bearer"`
	Radio  bool   `json:"radio"` // by LoRa; else there is no airtime and no noise
	Up     bool   `json:"up"`
	Why    string `json:"why,omitempty"`    // it is not up, in words
	Silent string `json:"silent,omitempty"` // why it only listens
	// Used of Lawful seconds of airtime within the sliding hour that the law speaks of; Lawful 0: it may not send.
	Used   float64 `json:"airtime_used_s"`
	Lawful float64 `json:"airtime_lawful_s"`
	Rule   string  `json:"rule,omitempty"` // by which it sends, for people
	// Noise is the noise floor now, and its range over the last day, dBm.
	Noise        *float64 `json:"noise_dbm,omitempty"`
	NoiseLowest  *float64 `json:"noise_lowest_dbm,omitempty"`
	NoiseHighest *float64 `json:"noise_highest_dbm,omitempty"`
}

// Queue is what is on the disk and not everywhere yet.
type Queue struct {
	Waiting  int   `json:"waiting"` // events that some sink has not taken
	Used     int64 `json:"used_bytes"`
	Capacity int64 `json:"capacity_bytes"`
}

// Sink is a receiver of events.
type Sink struct {
	Name     string  `json:"sink"`
	To       string  `json:"to,omitempty"`
	Required bool    `json:"required"`
	Up       bool    `json:"up"`
	Why      string  `json:"why,omitempty"`
	Waiting  int     `json:"waiting"`
	Oldest   float64 `json:"oldest_age_s"` // of what waits for it
}

// Annunciator is the unit in a building.
type Annunciator struct {
	Name  string `json:"annunciator"`
	Up    bool   `json:"up"`
	Why   string `json:"why,omitempty"`
	Heard *Past  `json:"last_heard,omitempty"`
}

// Trip is a visit.
type Trip struct {
	ID         string    `json:"id"`
	Zone       string    `json:"zone"`
	Title      string    `json:"title"`
	Node       string    `json:"node"`
	At         time.Time `json:"at,omitzero"` // when it opened; zero: not known
	Dwell      *float64  `json:"dwell_s,omitempty"`
	Class      string    `json:"class,omitempty"`
	Margin     *float64  `json:"margin_db,omitempty"` // of the weakest hop
	Test       bool      `json:"test"`
	Uncertain  bool      `json:"time_uncertain"`
	Delayed    bool      `json:"delayed"`
	Unproven   bool      `json:"unproven"`
	Supervised bool      `json:"wire_supervised"`
}

// Watched says when a zone was watched. The seconds add up to those from From to To.
type Watched struct {
	Zone      string    `json:"zone"`
	From      time.Time `json:"from"`
	To        time.Time `json:"to"`
	EndToEnd  float64   `json:"end_to_end_s"` // from the contact to the gateway
	RadioOnly float64   `json:"radio_only_s"` // the node was there, but its wire is not supervised
	Gap       float64   `json:"gap_s"`
	Spans     []Span    `json:"spans"` // in order, without overlap
}

// The qualities of a Span.
const (
	EndToEnd  = "end-to-end"
	RadioOnly = "radio-only"
	Gap       = "gap"
)

// Span is a part of a Watched.
type Span struct {
	From    time.Time `json:"from"`
	To      time.Time `json:"to"`
	Quality string    `json:"quality"`
	Cause   string    `json:"cause,omitempty"` // of a gap, in words
}

// Hour sums up an hour of a node's check-ins.
type Hour struct {
	At      time.Time   `json:"at"`
	Battery *float64    `json:"battery_v,omitempty"` // the lowest
	Hops    []HopMargin `json:"hops"`
}

// HopMargin is a hop's margin within an hour, dB.
type HopMargin struct {
	From   string  `json:"from"`
	To     string  `json:"to"`
	Lowest float64 `json:"lowest_db"`
	Median float64 `json:"median_db"`
}

// Figure is a number that may be missing: nil if v is none.
func Figure(v float64) *float64 {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return nil
	}
	return &v
}

// The kinds of an Event; they are the names of the events in the stream.
const (
	OnTrip    = "trip"    // one has opened, or closed: then it comes again with its dwell
	OnFault   = "fault"   // one began, was acknowledged or ended
	OnZone    = "zone"    // a zone's state has changed
	OnChange  = "change"  // something else has: look at the Situation
	onReset   = "reset"   // what came meanwhile is not known any more: look at the Situation
	onWelcome = "welcome" // the first of a stream
)

// Event is something that happens. Exactly what Kind says is set.
type Event struct {
	Kind  string       `json:"kind"`
	Trip  *Trip        `json:"trip,omitempty"`
	Fault *FaultChange `json:"fault,omitempty"`
	Zone  *Zone        `json:"zone,omitempty"`
}

// FaultChange is a fault that began, was seen or ended.
type FaultChange struct {
	Fault
	Ended bool `json:"ended"`
}
