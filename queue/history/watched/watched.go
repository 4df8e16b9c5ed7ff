// Package watched is the ledger of watched time: from what proves that a zone was supervised it makes spans for the
// history, and from these the answer to "was the gate watched last night?". It has no clock and does no I/O.
//
// Watched at a moment means: somebody who came then would have been told of, or the silence been noticed, within
// [Options.Longest]. That is known only afterwards, and only of a stretch between two proofs that are no further apart, of
// one life of the node, at the end of which the node holds nothing back: it was there all the time, its frames came
// through at both ends, and all that it saw has been told. So a stretch counts when the proof at its end has come, and not
// before. Nothing is assumed across a restart of the gateway: a new [Ledger] knows nothing.
//
// What turns out to be wrong later, such as a broken wire whose fault was long under way, is told as a gap over time that
// counted before: a gap always wins.
package watched

import (
	"slices"
	"time"

	"longlane/queue/history"
)

// Options say what a ledger is about.
type Options struct {
	Kind    history.Kind
	Boot    [16]byte      // of the gateway's machine
	Start   time.Duration // when the gateway started, on its clock since that boot, as all times here
	Longest time.Duration // between two proofs; more is a gap
	Never   string        // cause of the gap from the start to the first proof
	Silent  string        // cause of a gap of which nothing else is known
	Again   string        // cause of a gap in which a new life began
}

// ForZones are the options for a site's zones: longest is how long a node may be silent before it is called overdue.
func ForZones(boot [16]byte, start, longest time.Duration) Options {
	return Options{Kind: history.Watch, Boot: boot, Start: start, Longest: longest,
		Never:  "nothing had been heard from its node since the gateway started",
		Silent: "its node was silent",
		Again:  "its node had restarted, or nobody can tell that it had not"}
}

// ForSound are the options for the annunciators, whose proofs are that they heard the tick.
func ForSound(boot [16]byte, start, longest time.Duration) Options {
	return Options{Kind: history.Sound, Boot: boot, Start: start, Longest: longest,
		Never:  "it had not been heard since the gateway started",
		Silent: "it did not say that it heard the tick",
		Again:  "it had restarted"}
}

// Proof is that a subject was there.
type Proof struct {
	At time.Duration // when the node sealed the frame, not when it came
	// Life is the node's, and Complete says that it is known and that the node holds back nothing that has not been told.
	// A trip tells neither: it counts once a check-in of the same life has come.
	Life     uint64
	Complete bool
	Quality  history.Quality // history.RadioOnly or history.EndToEnd; of a proof that is not complete it is not looked at
}

// maxSpan is the greatest length of a span. A day in which nothing happened is one record, and the store can forget by days.
const maxSpan = 24 * time.Hour

// maxPoints bounds the proofs that wait for one that is complete.
const maxPoints = 64

// Ledger turns proofs into spans. It is not safe for concurrent use.
type Ledger struct {
	o        Options
	subjects map[string]*subject
	out      []history.Span
}

type subject struct {
	name    string
	from    time.Duration // the last complete proof, or when we began to listen
	proven  bool          // it was a proof
	life    uint64
	quality history.Quality
	points  []time.Duration // proofs since, not complete
	cause   string          // told since
	span    history.Span    // the last stretch that was watched
	silent  bool            // a gap from from on has been told
	bad     string          // why it is not watched though its node is there; "": it is
	badAt   time.Duration
}

// New begins a ledger.
func New(o Options) *Ledger { return &Ledger{o: o, subjects: map[string]*subject{}} }

// Start is when the gateway started.
func (l *Ledger) Start() time.Duration { return l.o.Start }

// Add has a subject waited for from now on. One that is there already stays as it is.
func (l *Ledger) Add(name string, now time.Duration) { l.of(name, now) }

func (l *Ledger) of(name string, since time.Duration) *subject {
	s := l.subjects[name]
	if s == nil {
		s = &subject{name: name, from: max(l.o.Start, since)}
		l.subjects[name] = s
	}
	return s
}

// Remove ends the waiting for a subject that is no more.
func (l *Ledger) Remove(name string) { delete(l.subjects, name) }

// Proven takes in a proof. One that is not newer than the last is nothing new.
func (l *Ledger) Proven(name string, p Proof) {
	p.At &^= 1 // see Bad
	s := l.of(name, l.o.Start)
	last := s.from
	if n := len(s.points); n > 0 {
		last = s.points[n-1]
	}
	first := p.Complete && !s.proven && p.At >= s.from
	if p.At <= last && !first && !(p.Complete && p.At > s.from) {
		return
	}
	if !p.Complete {
		s.wait(p.At, l.o.Longest)
		return
	}
	whole := s.proven && s.life == p.Life
	if s.silent { // told as a gap up to now: the truth replaces it
		l.gap(s, s.from, s.from)
	}
	if !whole {
		l.gap(s, s.from, p.At)
	} else {
		l.stretches(s, p)
	}
	s.from, s.proven, s.life, s.quality, s.cause, s.silent = p.At, true, p.Life, p.Quality, "", false
	s.points = slices.DeleteFunc(s.points, func(at time.Duration) bool { return at <= p.At })
	if s.bad != "" {
		l.tellBad(s, p.At)
	}
}

// wait keeps a proof that is not complete. Of three that are close together the middle one says nothing.
func (s *subject) wait(at, longest time.Duration) {
	if n := len(s.points); n > 0 {
		before := s.from
		if n > 1 {
			before = s.points[n-2]
		}
		if at-before <= longest {
			s.points[n-1] = at
			return
		}
	}
	if s.points = append(s.points, at); len(s.points) > maxPoints {
		s.points = s.points[1:]
	}
}

// stretches goes from proof to proof up to p, and tells each way as watched or as a gap.
func (l *Ledger) stretches(s *subject, p Proof) {
	quality := min(s.quality, p.Quality)
	at := s.from
	for _, next := range append(slices.Clone(s.points), p.At) {
		if next <= at || next > p.At {
			continue
		}
		if next-at <= l.o.Longest {
			l.watched(s, at, next, quality)
		} else {
			l.gap(s, at, next)
		}
		at = next
	}
}

func (l *Ledger) watched(s *subject, from, to time.Duration, q history.Quality) {
	end := s.span.From.Mono + s.span.Length
	if s.span.Length == 0 || end != from || s.span.Quality != q || to-s.span.From.Mono > maxSpan {
		s.span = history.Span{Kind: l.o.Kind, Subject: s.name, From: history.Moment{Boot: l.o.Boot, Mono: from}, Quality: q}
	}
	s.span.Length = to - s.span.From.Mono
	l.tell(s.span)
}

func (l *Ledger) gap(s *subject, from, to time.Duration) {
	cause := s.cause
	switch {
	case cause != "":
	case !s.proven:
		cause = l.o.Never
	case to-from <= l.o.Longest: // not for its length
		cause = l.o.Again
	default:
		cause = l.o.Silent
	}
	l.tell(history.Span{Kind: l.o.Kind, Subject: s.name, From: history.Moment{Boot: l.o.Boot, Mono: from}, Length: to - from, Cause: cause})
}

func (l *Ledger) tellBad(s *subject, until time.Duration) {
	l.tell(history.Span{Kind: l.o.Kind, Subject: s.name, From: history.Moment{Boot: l.o.Boot, Mono: s.badAt}, Length: max(0, until-s.badAt), Cause: s.bad})
}

// tell notes a span for Take; a longer version of the last one replaces it.
func (l *Ledger) tell(s history.Span) {
	for i := len(l.out) - 1; i >= 0; i-- {
		if o := &l.out[i]; o.Subject == s.Subject && o.Quality == s.Quality && o.From == s.From {
			*o = s
			return
		}
	}
	l.out = append(l.out, s)
}

// Blame tells why a subject is not heard now, in words. It counts for the gap in which it was told, the last one if several were.
func (l *Ledger) Blame(name, cause string) { l.of(name, l.o.Start).cause = cause }

// Bad says that a subject is not watched from at on, though its node is there: its wire is broken, its contact does not
// return. It stands until Good; a gateway that has restarted must tell it again.
func (l *Ledger) Bad(name string, at time.Duration, cause string) {
	s := l.of(name, l.o.Start)
	if s.bad == "" {
		// Spans of the same quality and beginning replace each other. Of proofs the nanoseconds are even, here they are odd: a
		// silence that turns out to be none cannot take this gap back.
		s.badAt = (at - 1) | 1
	}
	s.bad = cause
	l.tellBad(s, max(s.from, at))
}

// Good ends what Bad began.
func (l *Ledger) Good(name string, at time.Duration) {
	s := l.of(name, l.o.Start)
	if s.bad != "" {
		l.tellBad(s, at)
		s.bad = ""
	}
}

// Take returns the spans that are new or have grown since the last Take, for the history. now is the time: who has been
// silent for too long is told as a gap up to it.
func (l *Ledger) Take(now time.Duration) []history.Span {
	for _, s := range l.subjects {
		if now-s.from > l.o.Longest || !s.proven && now > s.from {
			l.gap(s, s.from, now)
			s.silent = true
		}
	}
	out := l.out
	l.out = nil
	return out
}

// NotRunning is the cause of time of which nothing is kept.
const NotRunning = "the gateway was not running, or kept no record"

// Timeline is what spans of one subject say of every moment from from to before to: spans that follow each other without
// overlap, the first at from and the last to to. Where they overlap a gap counts, and of the others the better; where there
// is none it is a gap.
func Timeline(spans []history.Span, from, to time.Time) []history.Span {
	type edge struct {
		at   time.Time
		span int
		open bool
	}
	var edges []edge
	for i := range spans {
		a, b := spans[i].From.Wall, spans[i].Until()
		if a.Before(from) {
			a = from
		}
		if b.After(to) {
			b = to
		}
		if a.Before(b) {
			edges = append(edges, edge{a, i, true}, edge{b, i, false})
		}
	}
	slices.SortStableFunc(edges, func(a, b edge) int { return a.at.Compare(b.at) })
	var out []history.Span
	open := map[int]bool{}
	at := from
	emit := func(until time.Time) {
		if !at.Before(until) {
			return
		}
		q, cause := history.Gap, NotRunning
		first := -1
		for i := range open {
			switch s := &spans[i]; {
			case s.Quality == history.Gap && (first < 0 || i < first):
				first = i
			case first < 0 && s.Quality > q:
				q = s.Quality
			}
		}
		switch {
		case first >= 0:
			q, cause = history.Gap, spans[first].Cause
		case q != history.Gap:
			cause = ""
		}
		if n := len(out); n > 0 && out[n-1].Quality == q && out[n-1].Cause == cause {
			out[n-1].Length = until.Sub(out[n-1].From.Wall)
		} else {
			out = append(out, history.Span{From: history.Moment{Wall: at}, Length: until.Sub(at), Quality: q, Cause: cause})
		}
		at = until
	}
	for _, e := range edges {
		emit(e.at)
		if e.open {
			open[e.span] = true
		} else {
			delete(open, e.span)
		}
	}
	emit(to)
	return out
}

// Sum is how long a timeline is, and how much of it was watched how.
func Sum(timeline []history.Span) (total, endToEnd, radioOnly time.Duration) {
	for _, s := range timeline {
		total += s.Length
		switch s.Quality {
		case history.EndToEnd:
			endToEnd += s.Length
		case history.RadioOnly:
			radioOnly += s.Length
		}
	}
	return total, endToEnd, radioOnly
}
