package passage

import (
	"cmp"
	"errors"
	"fmt"
	"longlane/radio/beam"
	"slices"
	"time"
)

// Break is one interruption of one beam.
type Break struct {
	ID          string // whose it is; it comes back in answers
	Beam        string
	At          time.Time     // when it began
	Early, Late time.Duration // the truth lies from Early before At to Late after it; see Timed
	Dwell       time.Duration // for how long it lasted; negative: not known
	DwellError  time.Duration // either way; see DwellError
}

func (b Break) check() error {
	switch {
	case b.At.IsZero():
		return fmt.Errorf("passage: break %s has no time, expected one; leave out what may have been at any time", b.ID)
	case b.Early < 0 || b.Late < 0 || b.DwellError < 0:
		return fmt.Errorf("passage: break %s may be wrong by %v, %v and %v (dwell), expected 0 or more", b.ID, b.Early, b.Late, b.DwellError)
	}
	return nil
}

// Beside a time's steps: the modem's line and the host take up to so long, and a copy of a frame is heard so much after the frame was sealed
// without showing it: the send time in it has whole seconds, its node's clock drifts, and is ahead by a receipt's way (proto/PROTOCOL.md, sections 8 and 9).
const (
	line   = 20 * time.Millisecond
	copied = 2 * time.Second
)

// Timed is how wrong the time of a break may be that came in a frame of that age, over relays that held it for so long each: half a step of
// each that travelled as a proto.Dur8, and what does not show. It is not for events whose time is uncertain, or that were held for long.
func Timed(age time.Duration, held ...time.Duration) (early, late time.Duration) {
	late = line + ageError(age)
	for _, h := range held {
		late += ageError(h)
	}
	return late + copied, late
}

// ageError is half a step of a proto.Dur8: 10 ms, and 1/32 of what is longer than 0.32 s.
func ageError(d time.Duration) time.Duration { return max(10*time.Millisecond, d/32) }

// DwellError is half a step of a proto.Dur16: 0.5 ms, and 1/8192 of what is longer than 4.1 s. What contact and beam add, which may
// prolong a break by half a second, is for you to know.
func DwellError(d time.Duration) time.Duration { return max(500*time.Microsecond, d/8192) }

// Pair is two beams across the same lane. Who comes in breaks the outer one first.
type Pair struct {
	Outer, Inner  string
	Distance      float64 // m
	DistanceError float64 // m, either way
}

func (p Pair) check() error {
	switch {
	case p.Outer == "" || p.Inner == "" || p.Outer == p.Inner:
		return fmt.Errorf("passage: the beams are %q and %q, expected two names", p.Outer, p.Inner)
	case !(p.DistanceError >= 0):
		return fmt.Errorf("passage: DistanceError is %v, expected 0 m or more", p.DistanceError)
	case !(p.Distance > p.DistanceError && p.Distance <= 10000):
		return fmt.Errorf("passage: Distance is %v m, expected more than DistanceError, %v, and at most 10,000 m", p.Distance, p.DistanceError)
	}
	return nil
}

// Direction is which way something went.
type Direction uint8

// The directions.
const (
	NoDirection Direction = iota // it cannot be told
	In
	Out
)

func (d Direction) String() string { return [...]string{"cannot tell", "in", "out"}[min(d, Out)] }

// Measure is a quantity that was measured, and the range that holds the truth. The zero value is none.
type Measure struct {
	Value float64
	beam.Range
}

// Known reports whether it was measured, and well enough to be told.
func (m Measure) Known() bool { return m.Most > 0 }

// Reason is why something cannot be told.
type Reason string

// The reasons, for people to read.
const (
	None       Reason = ""
	OneBeam    Reason = "only one beam was broken: somebody turned back, or the other beam's break was not heard of"
	TimesVague Reason = "the times are not certain enough to tell which beam was broken first"
	Several    Reason = "several passed so closely that their breaks cannot be told apart"
	Unlike     Reason = "the two beams were broken for times so different that it may have been two who turned back"
)

// Passage is what came through.
type Passage struct {
	Breaks    []Break   // two, one on each beam, the earlier first; of OneBeam, one or two; more, if it is Several
	Direction Direction // always sure, or not told
	Why       Reason    // there is no direction
	Speed     Measure   // m/s, the mean between the beams
	Length    Measure   // m; if it did not stop between the beams, nor speed up and slow down again
	Judgement beam.Judgement
}

// when is between which times it began.
func (p *Passage) when() (earliest, latest time.Time) {
	b := p.Breaks[0]
	return b.At.Add(-b.Early), b.At.Add(b.Late)
}

// Pairing finds out which breaks of two beams belong together, as they come. It is not safe for concurrent use.
type Pairing struct {
	s       Settings
	pair    Pair
	waiting []Break
}

// mostWaiting bounds what Settle has not judged yet.
const mostWaiting = 1 << 14

// ErrFull is returned by Add while more breaks wait than anybody can make who passes.
var ErrFull = errors.New("passage: too many breaks wait to be paired; Settle has not been called, or a contact chatters")

// NewPairing begins. The error names the setting that it is about.
func NewPairing(s Settings, pair Pair) (*Pairing, error) {
	if err := errors.Join(s.Check(), pair.check()); err != nil {
		return nil, err
	}
	return &Pairing{s: s, pair: pair}, nil
}

// Reach is the longest that anybody takes from one beam to the other.
func (p *Pairing) Reach() time.Duration { return p.between().Most }

// between is how long whoever passes takes from one beam to the other.
func (p *Pairing) between() beam.Span {
	seconds := func(s float64) time.Duration { return time.Duration(s * float64(time.Second)) }
	return beam.Span{Least: seconds((p.pair.Distance - p.pair.DistanceError) / p.s.Fastest), Most: seconds((p.pair.Distance + p.pair.DistanceError) / p.s.Slowest)}
}

// Add takes in a break, in whatever order they come. One whose ID waits already takes its place: so an opening can be added at once and again
// with its dwell. A break of another beam is not taken, and neither is one without a time.
func (p *Pairing) Add(b Break) error {
	if b.Beam != p.pair.Outer && b.Beam != p.pair.Inner {
		return fmt.Errorf("passage: break %s is of the beam %q, expected %q or %q", b.ID, b.Beam, p.pair.Outer, p.pair.Inner)
	}
	if err := b.check(); err != nil {
		return err
	}
	if i := slices.IndexFunc(p.waiting, func(w Break) bool { return w.ID == b.ID }); i >= 0 {
		p.waiting[i] = b
		return nil
	}
	if len(p.waiting) >= mostWaiting {
		return ErrFull
	}
	p.waiting = append(p.waiting, b)
	return nil
}

// Waiting is how many breaks are not judged yet.
func (p *Pairing) Waiting() int { return len(p.waiting) }

// Settle judges all that no break after until can change, and forgets it. Each break comes back in one Passage, ordered by their first ones. Give it
// a time by which all that was before has come, and ended: what is late, such as what a node has held through an outage, comes back
// as a Passage of OneBeam.
func (p *Pairing) Settle(until time.Time) (out []Passage) {
	var rest []Break
	for _, group := range p.groups() {
		last := func(b Break) bool { return !b.At.Add(b.Late + p.Reach()).Before(until) }
		if slices.ContainsFunc(group, last) {
			rest = append(rest, group...)
			continue
		}
		out = append(out, p.judge(group))
	}
	p.waiting = rest
	return out
}

// Passages judges all breaks of two beams at once. Those of other beams are left out, and of two with one ID the second is.
func Passages(s Settings, pair Pair, breaks []Break) ([]Passage, error) {
	p, err := NewPairing(s, pair)
	if err != nil {
		return nil, err
	}
	seen := map[string]bool{}
	for _, b := range breaks {
		if b.Beam != pair.Outer && b.Beam != pair.Inner || seen[b.ID] {
			continue
		}
		if err := b.check(); err != nil {
			return nil, err
		}
		seen[b.ID] = true
		p.waiting = append(p.waiting, b)
	}
	var out []Passage
	for _, group := range p.groups() {
		out = append(out, p.judge(group))
	}
	return out, nil
}

// groups puts together what may belong together, directly or by others.
func (p *Pairing) groups() [][]Break {
	w := p.waiting
	slices.SortStableFunc(w, func(a, b Break) int { return cmp.Or(a.At.Compare(b.At), cmp.Compare(a.ID, b.ID)) })
	widest := time.Duration(0)
	for _, b := range w {
		widest = max(widest, b.Early, b.Late)
	}
	of := make([]int, len(w)) // of which group each is: the first break in it
	root := func(i int) int {
		for of[i] != i {
			of[i] = of[of[i]]
			i = of[i]
		}
		return i
	}
	for i := range w {
		of[i] = i
		for j := i - 1; j >= 0 && w[i].At.Sub(w[j].At) <= p.Reach()+2*widest; j-- {
			if p.mayBelong(w[i], w[j]) {
				a, b := root(i), root(j)
				of[max(a, b)] = min(a, b)
			}
		}
	}
	at := map[int]int{}
	var groups [][]Break
	for i, b := range w {
		r := root(i)
		if _, there := at[r]; !there {
			at[r] = len(groups)
			groups = append(groups, nil)
		}
		groups[at[r]] = append(groups[at[r]], b)
	}
	return groups
}

// mayBelong reports whether one who passes may have made both, or one who turned back at a beam.
func (p *Pairing) mayBelong(a, b Break) bool {
	if a.Beam == b.Beam {
		t := p.apart(a, b)
		return t.Meets(beam.Span{Least: -p.Reach(), Most: p.Reach()})
	}
	in, out := p.ways(a, b)
	return in || out
}

// ways tells in which directions one who passes may have made both.
func (p *Pairing) ways(a, b Break) (in, out bool) {
	if a.Beam == b.Beam {
		return false, false
	}
	t, between := p.apart(a, b), p.between()
	return t.Meets(between), t.Meets(beam.Span{Least: -between.Most, Most: -between.Least})
}

// apart is how long the inner beam was broken after the outer; of breaks of one beam, how long either was after the other.
func (p *Pairing) apart(a, b Break) beam.Span {
	if a.Beam == p.pair.Inner {
		a, b = b, a
	}
	t := b.At.Sub(a.At)
	return beam.Span{Least: t - b.Early - a.Late, Most: t + b.Late + a.Early}
}

// judge makes of a group what can be told of it.
func (p *Pairing) judge(group []Break) Passage {
	out := Passage{Breaks: group}
	switch len(group) {
	case 1:
		out.Why, out.Judgement = OneBeam, p.s.OfDwell(group[0].Dwell, group[0].DwellError)
	case 2:
		p.judgePair(&out, group[0], group[1])
	default:
		out.Why, out.Judgement = Several, p.s.OfDwell(-1, 0)
	}
	return out
}

func (p *Pairing) judgePair(out *Passage, a, b Break) {
	short, long := a, b
	if b.Dwell < a.Dwell {
		short, long = b, a
	}
	dwells := beam.Span{Least: max(short.Dwell-short.DwellError, 0), Most: long.Dwell + long.DwellError}
	known := short.Dwell >= 0
	unlike := p.s.Steady * p.s.Steady * float64(short.Dwell+short.DwellError)
	in, back := p.ways(a, b)
	switch {
	case a.Beam == b.Beam:
		out.Why, out.Judgement = OneBeam, p.s.OfDwell(-1, 0)
		return
	case known && float64(long.Dwell-long.DwellError) > unlike:
		out.Why, out.Judgement = Unlike, p.s.OfDwell(-1, 0)
		return
	case in && back:
		out.Why = TimesVague
	case in:
		out.Direction = In
	default:
		out.Direction = Out
	}
	if !known {
		out.Judgement = p.s.OfDwell(-1, 0)
	} else {
		out.Judgement = and(p.s.OfDwell(short.Dwell, short.DwellError), p.s.OfDwell(long.Dwell, long.DwellError))
	}
	if out.Direction == NoDirection {
		return
	}
	speed := p.speed(a, b, out.Direction)
	out.Speed = p.told(speed)
	if !known {
		return
	}
	// Who is faster at one beam than at the other is, at the one, faster than the mean between them, and at the other slower: so the mean and the
	// longer dwell give too much, the mean and the shorter too little.
	length := Measure{Value: speed.Value*(short.Dwell+long.Dwell).Seconds()/2 - p.s.Width,
		Range: beam.Range{Least: max(speed.Least*dwells.Least.Seconds()-p.s.Width, 0), Most: speed.Most*dwells.Most.Seconds() - p.s.Width}}
	out.Length = p.told(length)
	least := speed.Least/p.s.Steady*dwells.Least.Seconds() - p.s.Width
	out.Judgement = p.s.ofLength(out.Judgement, dwells, least, out.Length)
}

// speed is the mean between the beams, of whoever went that way.
func (p *Pairing) speed(a, b Break, d Direction) Measure {
	took, between := p.apart(a, b), p.between()
	if d == Out {
		took = beam.Span{Least: -took.Most, Most: -took.Least}
	}
	took = beam.Span{Least: max(took.Least, between.Least), Most: min(took.Most, between.Most)}
	m := Measure{Range: beam.Range{Least: (p.pair.Distance - p.pair.DistanceError) / took.Most.Seconds(), Most: (p.pair.Distance + p.pair.DistanceError) / took.Least.Seconds()}}
	m.Value = p.pair.Distance / min(max(b.At.Sub(a.At).Abs(), took.Least), took.Most).Seconds()
	return m
}

// told is a measure that is certain enough to be told, or none.
func (p *Pairing) told(m Measure) Measure {
	if !(m.Least > 0 && m.Most <= p.s.Vague*m.Least) {
		return Measure{}
	}
	m.Value = min(max(m.Value, m.Least), m.Most)
	return m
}
