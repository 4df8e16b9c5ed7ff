package health

import "time"

// A fault begins only when what makes it has been so for a while (hold), and ends only when all has been well for longer (calm);
// what lies between the two limits neither begins nor ends it. So it begins once and ends once, however the readings dance
// about a limit. What comes back soon after it has ended must be well for eight times as long before it ends again, up to a day: a plug
// that is loose is one fault, not a hundred.

// state is what a reading says of a fault.
type state uint8

const (
	between state = iota
	bad
	good
)

func stateOf(isBad, isGood bool) state {
	switch {
	case isBad:
		return bad
	case isGood:
		return good
	}
	return between
}

// rule is what is fixed of a code.
type rule struct {
	severity   Severity
	hold, calm time.Duration
}

const day = 24 * time.Hour

// rules: a hold or calm of 0 is for what the reading itself has made sure of, by the time it looks at.
var rules = map[Code]rule{
	Overdue:      {Trouble, 0, 0}, // patience is its hold; a frame that is proven ends it
	Restarts:     {Trouble, 0, 0},
	ClockDrift:   {Watch, 0, day},
	MainsLost:    {Watch, 10 * time.Minute, time.Hour},
	BatteryLow:   {Trouble, 0, day}, // a whole day, or one on a panel would come and go with the sun
	BatteryFades: {Watch, 0, 3 * day},
	Tamper:       {Trouble, 0, 10 * time.Minute},
	EventsLost:   {Trouble, 0, day},
	NumberStore:  {Trouble, 0, 10 * time.Minute},
	Losses:       {Watch, 0, 2 * day},
	MarginLow:    {Watch, 0, 6 * day},
	MarginFalls:  {Watch, 0, 3 * day},
	Blocked:      {Trouble, 0, time.Minute},
	Chatter:      {Trouble, 0, 30 * time.Minute},
	InputWire:    {Trouble, 0, 10 * time.Minute},
	ModemAbsent:  {Trouble, 10 * time.Second, time.Minute}, // one that is plugged in again is back sooner
	BearerDeaf:   {Trouble, 0, 30 * time.Minute},
	Jammed:       {Trouble, 0, 30 * time.Minute},
	ChannelNoisy: {Watch, 10 * time.Minute, 6 * time.Hour},
	ChannelBusy:  {Watch, 10 * time.Minute, 6 * time.Hour},
	Forged:       {Watch, 0, 0},
	Replayed:     {Watch, 0, 0},
	SinkAbsent:   {Trouble, 30 * time.Second, time.Minute},
	DiskFilling:  {Watch, time.Minute, time.Hour},
	ClockNotSet:  {Watch, 5 * time.Minute, time.Minute}, // a gateway that has just started is given time to ask
}

type key struct {
	code    Code
	subject Subject
}

type fault struct {
	verdict  Verdict
	standing bool
	bad      streak
	good     streak
	ended    time.Duration // when it last did, if it is not standing
	back     int           // times that it came back soon
}

const (
	soon    = day // after its end
	damping = 8
)

// calm is for how long all must be well before a fault ends.
func (f *fault) calm(r rule) time.Duration {
	c := r.calm
	for range f.back {
		if c < day {
			c = min(c*damping, day)
		}
	}
	return c
}

// streak is since when something has been so without a break.
type streak struct {
	on    bool
	since time.Duration
}

// lasts notes whether it is so now, and reports for how long it has been.
func (s *streak) lasts(now time.Duration, so bool) time.Duration {
	if so && !s.on {
		s.since = now
	}
	s.on = so
	return now - s.since
}

// judge takes in what is to be said of a subject now. say is asked only if the fault stands or is about to.
func (w *Watcher) judge(at Time, code Code, subject Subject, st state, say func(*Verdict)) {
	k := key{code, subject}
	f := w.faults[k]
	if f == nil {
		if st != bad {
			return
		}
		f = &fault{ended: at.Mono - 2*soon}
		w.faults[k] = f
	}
	r := rules[code]
	long, calm := f.bad.lasts(at.Mono, st == bad), f.good.lasts(at.Mono, st == good)
	switch {
	case st == bad && (f.standing || long >= r.hold):
		v := Verdict{Subject: subject, Code: code, Severity: r.severity, Evidence: []Figure{}, Since: at}
		if say(&v); f.standing {
			v.Since = f.verdict.Since
		}
		f.verdict = v
		if f.standing {
			return
		}
		if f.standing = true; at.Mono-f.ended > soon {
			f.back = 0
		} else {
			f.back = min(f.back+1, 10)
		}
		w.changes = append(w.changes, Change{Verdict: v})
	case f.standing && st == good && calm >= f.calm(r):
		w.changes = append(w.changes, Change{Verdict: f.verdict, Ended: true})
		f.standing, f.ended = false, at.Mono
	case !f.standing && st != bad && at.Mono-f.ended > soon:
		delete(w.faults, k)
	}
}

// stands reports whether a fault does.
func (w *Watcher) stands(code Code, subject Subject) bool {
	f := w.faults[key{code, subject}]
	return f != nil && f.standing
}

// drop ends what stands against a subject that is no longer there.
func (w *Watcher) drop(gone func(Subject) bool) {
	for _, k := range w.sortedFaults() {
		if f := w.faults[k]; gone(k.subject) {
			if f.standing {
				w.changes = append(w.changes, Change{Verdict: f.verdict, Ended: true, Unsaid: f.verdict.Told})
			}
			delete(w.faults, k)
		}
	}
}

// recent remembers when something last happened, n times at the most: it is a fault when all n lie within a short time, and none
// any more when nothing has happened for a long one.
type recent struct {
	times []time.Duration // the newest last
	total int
}

func (r *recent) add(now time.Duration, n int) {
	if r.total++; len(r.times) == n {
		r.times = r.times[:copy(r.times, r.times[1:])]
	}
	r.times = append(r.times, now)
}

// state judges at now what has happened since start, when we began to look.
func (r *recent) state(now, start time.Duration, n int, within, calm time.Duration) state {
	full, last := len(r.times) == n && now-r.times[0] <= within, start
	if len(r.times) > 0 {
		last = r.times[len(r.times)-1]
	}
	return stateOf(full, !full && now-last >= calm)
}
