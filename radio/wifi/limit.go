package wifi

import (
	"container/list"
	"net/netip"
	"time"
)

// bucket is a token bucket: it fills at a rate up to a burst, and each datagram takes one token.
type bucket struct {
	tokens float64
	at     time.Time // when tokens was right
}

func (b *bucket) fill(rate, burst float64, now time.Time) {
	b.tokens = min(burst, b.tokens+rate*max(0, now.Sub(b.at).Seconds()))
	b.at = now
}

// limiter decides how many datagrams come in. It belongs to the goroutine that reads.
type limiter struct {
	o      Options
	total  bucket
	known  map[netip.Addr]*list.Element
	recent list.List // of *source, the one heard last at the front
}

type source struct {
	addr netip.Addr
	bucket
}

func newLimiter(o Options, now time.Time) *limiter {
	return &limiter{o: o, total: bucket{o.TotalBurst, now}, known: make(map[netip.Addr]*list.Element, o.MaxSources)}
}

func (l *limiter) sources() int { return len(l.known) }

// admit takes a token of the source's and one of the total. The source's comes first, so that one that floods does not use
// up what the others need.
func (l *limiter) admit(addr netip.Addr, now time.Time) (Drop, bool) {
	s := l.source(addr, now)
	s.fill(l.o.PerSource, l.o.SourceBurst, now)
	if s.tokens < 1 {
		return DropSource, false
	}
	l.total.fill(l.o.Total, l.o.TotalBurst, now)
	if l.total.tokens < 1 {
		return DropTotal, false
	}
	s.tokens--
	l.total.tokens--
	return 0, true
}

// source returns what is known of addr. A new one takes the place of the one silent longest if the table is full; that one
// begins with a full bucket if it is heard again, but the total holds.
func (l *limiter) source(addr netip.Addr, now time.Time) *source {
	if e, ok := l.known[addr]; ok {
		l.recent.MoveToFront(e)
		return e.Value.(*source)
	}
	if len(l.known) == l.o.MaxSources {
		e := l.recent.Back()
		delete(l.known, e.Value.(*source).addr)
		l.recent.Remove(e)
	}
	s := &source{addr, bucket{l.o.SourceBurst, now}}
	l.known[addr] = l.recent.PushFront(s)
	return s
}
