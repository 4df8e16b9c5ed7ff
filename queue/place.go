package queue

import (
	"cmp"
	"math"
	"slices"
	"sort"
)

// span is acknowledged events, both ends included.
type span struct{ lo, hi Seq }

// place is where a sink stands in one lane: everything up to floor is acknowledged, and the spans above it.
//
// Invariant: an event of the lane waits between floor and the first span and between any two spans. So the first
// event above floor is the oldest that waits, and a backlog with live events acknowledged behind it costs one span.
type place struct {
	floor Seq
	spans []span
}

// covers says whether s is acknowledged.
func (p *place) covers(s Seq) bool {
	if s <= p.floor {
		return true
	}
	i := p.after(s)
	return i > 0 && s <= p.spans[i-1].hi
}

// after returns the position of the first span that begins above s.
func (p *place) after(s Seq) int {
	return sort.Search(len(p.spans), func(i int) bool { return p.spans[i].lo > s })
}

// within cuts spans down to what p covers.
func (p *place) within(spans []span) (out []span) {
	own := append([]span{{0, p.floor}}, p.spans...)
	for i, j := 0, 0; i < len(spans) && j < len(own); {
		lo, hi := max(spans[i].lo, own[j].lo), min(spans[i].hi, own[j].hi)
		if lo <= hi {
			out = append(out, span{lo, hi})
		}
		if spans[i].hi < own[j].hi {
			i++
		} else {
			j++
		}
	}
	return out
}

// ack adds s, an event of l that is not covered yet, and joins what it connects.
func (p *place) ack(l *lane, s Seq) {
	i := p.after(s)
	p.spans = slices.Insert(p.spans, i, span{s, s})
	if i+1 < len(p.spans) && !l.gap(s, p.spans[i+1].lo) {
		p.spans[i].hi = p.spans[i+1].hi
		p.spans = slices.Delete(p.spans, i+1, i+2)
	}
	if i > 0 && !l.gap(p.spans[i-1].hi, p.spans[i].lo) {
		p.spans[i-1].hi = p.spans[i].hi
		p.spans = slices.Delete(p.spans, i, i+1)
	}
	p.sink(l)
}

// sink lets the floor rise over the first span if nothing waits below it.
func (p *place) sink(l *lane) {
	if len(p.spans) > 0 && !l.gap(p.floor, p.spans[0].lo) {
		p.floor = p.spans[0].hi
		p.spans = slices.Delete(p.spans, 0, 1)
	}
}

// top is the highest number that is acknowledged.
func (p *place) top() Seq {
	if n := len(p.spans); n > 0 {
		return p.spans[n-1].hi
	}
	return p.floor
}

// unite adds what o has acknowledged. The invariant may break; see rejoin.
func (p *place) unite(o *place) {
	all := slices.Concat([]span{{0, max(p.floor, o.floor)}}, p.spans, o.spans)
	slices.SortFunc(all, func(a, b span) int { return cmp.Compare(a.lo, b.lo) })
	joined := all[:1]
	for _, s := range all[1:] {
		if last := &joined[len(joined)-1]; s.lo <= last.hi+1 {
			last.hi = max(last.hi, s.hi)
		} else {
			joined = append(joined, s)
		}
	}
	p.floor, p.spans = joined[0].hi, joined[1:]
}

// rejoin restores the invariant after an event was taken out of the middle of l.
func (p *place) rejoin(l *lane) {
	for i := 0; i+1 < len(p.spans); {
		if l.gap(p.spans[i].hi, p.spans[i+1].lo) {
			i++
			continue
		}
		p.spans[i].hi = p.spans[i+1].hi
		p.spans = slices.Delete(p.spans, i+1, i+2)
	}
	p.sink(l)
}

// next appends to out up to n events of l above after that are not covered.
func (p *place) next(l *lane, after Seq, n int, out []Seq) []Seq {
	for from := max(after, p.floor) + 1; n > 0; {
		to := Seq(math.MaxUint64)
		if i := p.after(from); i > 0 && from <= p.spans[i-1].hi {
			from = p.spans[i-1].hi + 1 // jump over what is acknowledged
			continue
		} else if i < len(p.spans) {
			to = p.spans[i].lo
		}
		take := min(n, l.from(to)-l.from(from))
		out = l.list(from, take, out)
		n -= take
		if to == math.MaxUint64 {
			break
		}
		from = to
	}
	return out
}

// waiting counts the events of l that are not covered.
func (p *place) waiting(l *lane) int {
	n := l.len() - l.from(p.floor+1)
	for _, s := range p.spans {
		n -= l.from(s.hi+1) - l.from(s.lo)
	}
	return n
}
