package history

import (
	"cmp"
	"errors"
	"math"
	"slices"
	"time"
)

// Moment is when something was, as far as it is known.
type Moment struct {
	Wall     time.Time     // zero: not known
	Boot     [16]byte      // the boot of the gateway in which it was; zero: not known
	Mono     time.Duration // on the gateway's clock since that boot
	PutRight bool          // the clock was set only afterwards
}

// TripID is the identity of the frame that opened a trip; see the gateway's events.
type TripID struct {
	Node, Gen uint8
	Counter   uint32
}

// Trip is one visit: the frame that opened it and the one that closed it are one record, whichever comes first.
type Trip struct {
	ID         TripID
	At         Moment // when it opened
	Zone, Node string
	Class      string        // what the dwell is taken for; empty: not told
	Dwell      time.Duration // how long the contact was held; negative: not known
	Margin     float64       // of the weakest hop, dB; NaN: none was measured
	Opened     bool          // the frame that opened it has come
	Closed     bool          // the frame that closed it has come
	Test       bool
	Supervised bool // the wire to the contact was
	Uncertain  bool // its time is
	Delayed    bool // it came too late to sound
	Unproven   bool // nothing proved that it was not held back
	// Earliest and Latest bound a trip of a boot whose clock was never set; zero: not bounded.
	Earliest, Latest time.Time
}

// Fault is a fault that began or ended.
type Fault struct {
	ID               string
	At               Moment
	Code             string
	Zone, Node       string // empty: of none
	Detail           string
	Ended            bool
	Earliest, Latest time.Time // as in Trip
}

// Hour sums up what came of a node's check-ins in one hour.
type Hour struct {
	Node    string
	At      Moment // the hour's beginning; of one without a clock, some moment within it
	Count   int
	Lowest  float64 // battery, V, in steps of 10 mV; 0: not told
	Battery float64 // as last told, V; 0: not told
	Hops    []Hop
}

// Hop is how well one radio heard another in an hour: how often which margin was measured.
type Hop struct {
	From, To string
	Margins  map[int8]int // margin in whole dB: how many check-ins
}

// Add counts a check-in's margin, dB; NaN is not counted.
func (h *Hop) Add(margin float64) {
	if math.IsNaN(margin) {
		return
	}
	if h.Margins == nil {
		h.Margins = map[int8]int{}
	}
	h.Margins[int8(max(-127, min(127, math.Round(margin))))]++
}

// Lowest is the lowest margin, dB; NaN if none was measured.
func (h *Hop) Lowest() float64 {
	low, found := int8(math.MaxInt8), false
	for m := range h.Margins {
		low, found = min(low, m), true
	}
	if !found {
		return math.NaN()
	}
	return float64(low)
}

// Median is the median margin, dB, the lower one of an even number; NaN if none was measured.
func (h *Hop) Median() float64 {
	total := 0
	for _, n := range h.Margins {
		total += n
	}
	seen := 0
	for _, m := range sortedMargins(h.Margins) {
		if seen += h.Margins[m]; 2*seen >= total {
			return float64(m)
		}
	}
	return math.NaN()
}

func sortedMargins(m map[int8]int) []int8 {
	list := make([]int8, 0, len(m))
	for k := range m {
		list = append(list, k)
	}
	slices.SortFunc(list, cmp.Compare[int8])
	return list
}

// Kind is what a span is about.
type Kind uint8

// The closed list of kinds.
const (
	Watch Kind = 'w' // a zone: whether somebody who came would have been told of
	Sound Kind = 's' // an annunciator: whether a trip would have sounded there
)

// Quality is what is known of a span.
type Quality uint8

// The closed list of qualities.
const (
	Gap       Quality = iota // it was not so, for the cause
	RadioOnly                // the node was there, but its wire to the contact is not supervised
	EndToEnd                 // from the contact to the gateway
)

// String is the quality in words.
func (q Quality) String() string {
	switch q {
	case RadioOnly:
		return "radio only"
	case EndToEnd:
		return "end to end"
	}
	return "gap"
}

// Span is a time of one subject. Written again with the same subject, quality and beginning on the same boot it replaces what was
// written before: it has grown. Where spans overlap a gap counts, and then what is more than radio only.
type Span struct {
	Kind    Kind
	Subject string // a zone, or an annunciator
	From    Moment
	Length  time.Duration
	Quality Quality
	Cause   string // of a gap, in words
}

// Until is the end of a span whose time is known.
func (s *Span) Until() time.Time { return s.From.Wall.Add(s.Length) }

// Batch is what goes to the disk in one transaction.
type Batch struct {
	Trips  []Trip
	Faults []Fault
	Hours  []Hour // are added to what the file holds of the hour: to be written once
	Spans  []Span
}

// Len is the number of records.
func (b *Batch) Len() int { return len(b.Trips) + len(b.Faults) + len(b.Hours) + len(b.Spans) }

// Errors that callers branch on; test with errors.Is.
var (
	// ErrFull refuses a batch for which the disk has no room, or would soon have none for the queue.
	ErrFull = errors.New("no room for history")
	// ErrBroken refuses everything after a write failed in the operating system: close the store and open it again.
	ErrBroken = errors.New("history file can no longer be trusted after a failed write")
	// ErrRecord refuses a batch with a record that no history can hold.
	ErrRecord = errors.New("no such record can be kept")
	// ErrDamaged is returned for a file that is not as the store wrote it.
	ErrDamaged = errors.New("history file is damaged")
	// ErrLocked is returned while another process holds the file: a gateway that runs.
	ErrLocked = errors.New("another process holds the history file")
	// ErrNone is returned by OpenRead if there is no file.
	ErrNone = errors.New("there is no history yet")
	// ErrFormat refuses the file of a newer version.
	ErrFormat = errors.New("history file has a format that this version does not know")
)

// MaxText is the greatest length of a name, in bytes; a longer one, or one with a zero byte, is refused. A cause or detail
// is cut to MaxDetail.
const (
	MaxText   = 128
	MaxDetail = 512
)

// merge takes into t what other, the same trip, knows better; of two times that are as good the first is kept, so that a
// delivery that comes again moves nothing.
func (t *Trip) merge(other *Trip) {
	if other.rank() > t.rank() {
		t.At, t.Uncertain, t.Delayed, t.Unproven = other.At, other.Uncertain, other.Delayed, other.Unproven
	}
	if other.Closed && (!t.Closed || t.Dwell < 0) {
		t.Dwell = other.Dwell
	}
	if t.Class == "" || other.Closed && other.Class != "" {
		t.Class = other.Class
	}
	if math.IsNaN(t.Margin) || other.Margin < t.Margin {
		t.Margin = other.Margin
	}
	t.Opened, t.Closed = t.Opened || other.Opened, t.Closed || other.Closed
	t.Test, t.Supervised = t.Test || other.Test, t.Supervised || other.Supervised
}

// rank says how good the time of a trip is.
func (t *Trip) rank() (r int) {
	if !t.At.Wall.IsZero() {
		r += 4
	}
	if !t.Uncertain {
		r += 2
	}
	if t.Opened {
		r++
	}
	return r
}
