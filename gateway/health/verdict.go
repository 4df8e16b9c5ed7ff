package health

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
)

// Severity says how bad a subject is off.
type Severity uint8

// The severities.
const (
	Well    Severity = iota // nothing stands against it
	Watch                   // it works, and something should be seen to before it does not
	Trouble                 // silence can no longer be trusted there
)

var severities = [...]string{"well", "watch", "trouble"}

func (s Severity) String() string { return severities[s] }

// MarshalText gives the word.
func (s Severity) MarshalText() ([]byte, error) { return []byte(s.String()), nil }

// UnmarshalText reads it.
func (s *Severity) UnmarshalText(text []byte) error {
	i := slices.Index(severities[:], string(text))
	if i < 0 {
		return fmt.Errorf("read a severity: %q is none, expected one of %s", text, strings.Join(severities[:], ", "))
	}
	*s = Severity(i)
	return nil
}

// Code is what is wrong. The list is closed.
type Code string

// The codes.
const (
	Overdue      Code = "overdue"       // node: two check-ins in a row were missed
	Restarts     Code = "restarts"      // node: it starts over and over again
	ClockDrift   Code = "clock-drift"   // node: its clock runs wrong by more than the protocol allows for
	MainsLost    Code = "mains-lost"    // node: it ran from the mains and runs from its battery now
	BatteryLow   Code = "battery-low"   // node
	BatteryFades Code = "battery-fades" // node: it will be low soon
	Tamper       Code = "tamper"        // node: its case is open
	EventsLost   Code = "events-lost"   // node: it could not keep all that it had seen
	NumberStore  Code = "number-store"  // node: it cannot write down its counters
	Losses       Code = "losses"        // hop: frames are lost there
	MarginLow    Code = "margin-low"    // hop: it hardly hears
	MarginFalls  Code = "margin-falls"  // hop: it hears worse week by week
	Blocked      Code = "blocked"       // zone: the contact does not return
	Chatter      Code = "chatter"       // zone: the contact changes all the time
	InputWire    Code = "input-wire"    // zone: its wire is cut or shorted
	ModemAbsent  Code = "modem-absent"  // bearer: no working device is behind it
	BearerDeaf   Code = "bearer-deaf"   // bearer: no node at all is heard any more, and the channel is quiet
	Jammed       Code = "jammed"        // bearer: no node at all is heard any more, and the channel is not quiet
	ChannelNoisy Code = "channel-noisy" // bearer: the noise floor is high
	ChannelBusy  Code = "channel-busy"  // bearer: when the gateway wants to send, others do
	Forged       Code = "forged"        // gateway: frames come in the site's name that were not made with its keys
	Replayed     Code = "replayed"      // gateway: frames come that somebody recorded earlier
	SinkAbsent   Code = "sink-absent"   // sink: the broker, or a webhook's server, is not there
	DiskFilling  Code = "disk-filling"  // gateway: the room for events is running out
	ClockNotSet  Code = "clock-not-set" // gateway: it does not know what time it is
)

// Codes lists every Code.
var Codes = []Code{Overdue, Restarts, ClockDrift, MainsLost, BatteryLow, BatteryFades, Tamper, EventsLost, NumberStore, Losses,
	MarginLow, MarginFalls, Blocked, Chatter, InputWire, ModemAbsent, BearerDeaf, Jammed, ChannelNoisy, ChannelBusy, Forged, Replayed,
	SinkAbsent, DiskFilling, ClockNotSet}

// Kind is what a Subject is.
type Kind string

// The kinds.
const (
	KindNode    Kind = "node"
	KindHop     Kind = "hop"
	KindZone    Kind = "zone"
	KindBearer  Kind = "bearer"
	KindSink    Kind = "sink"
	KindGateway Kind = "gateway"
	// KindAnnunciator is for what the gateway's core finds of annunciators; nothing here judges them.
	KindAnnunciator Kind = "annunciator"
)

// Subject is what a verdict is about. A hop has both ends: Name sends, To hears.
type Subject struct {
	Kind Kind   `json:"kind"`
	Name string `json:"name"`
	To   string `json:"to,omitempty"`
}

// String is for people.
func (s Subject) String() string {
	if s.Kind == KindHop {
		return "the hop from " + s.Name + " to " + s.To
	}
	return string(s.Kind) + " " + s.Name
}

func (s Subject) compare(o Subject) int {
	return cmp.Or(strings.Compare(string(s.Kind), string(o.Kind)), strings.Compare(s.Name, o.Name), strings.Compare(s.To, o.To))
}

// Figure is a number that a verdict rests on.
type Figure struct {
	Name  string  `json:"name"`
	Value float64 `json:"value"`
	Unit  string  `json:"unit,omitempty"`
}

// Verdict is one thing that is wrong with one subject.
type Verdict struct {
	Subject  Subject  `json:"subject"`
	Code     Code     `json:"code"`
	Severity Severity `json:"severity"`
	Reason   string   `json:"reason"` // a sentence for the owner
	Evidence []Figure `json:"evidence"`
	Remedy   string   `json:"remedy"` // what to do
	Since    Time     `json:"since"`  // when it began; Mono is of the run in which it did
	// Told says that it rests on the word of a node, which has told the house of it by an event of its own.
	Told bool `json:"told_by_node,omitempty"`
}

// Change is a verdict that begins to stand or, with Ended, no longer does. For one subject and code the two alternate.
type Change struct {
	Verdict
	Ended bool `json:"ended"`
	// Unsaid says that the node which has told of it has not told of its end, and will not: it was shut out or replaced, or has started
	// anew and does not find it again.
	Unsaid bool `json:"unsaid,omitempty"`
}

func (v Verdict) compare(o Verdict) int {
	return cmp.Or(v.Subject.compare(o.Subject), strings.Compare(string(v.Code), string(o.Code)))
}
