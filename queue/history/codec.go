package history

import (
	"encoding/binary"
	"errors"
	"fmt"
	"math"
	"strings"
	"time"
	"unicode/utf8"
)

const noMargin = math.MinInt16

const timeSign = 1 << 63

func appendTime(b []byte, t time.Time) []byte {
	return binary.BigEndian.AppendUint64(b, uint64(t.UnixNano())^timeSign)
}

func parseTime(b []byte) time.Time {
	return time.Unix(0, int64(binary.BigEndian.Uint64(b)^timeSign)).UTC()
}

// The times that 8 bytes of nanoseconds hold are 1678 to 2262; a clock beyond them is not set, whatever it says.
var (
	firstTime = time.Date(1971, 1, 1, 0, 0, 0, 0, time.UTC)
	lastTime  = time.Date(2200, 1, 1, 0, 0, 0, 0, time.UTC)
)

func clamp(t time.Time) time.Time {
	switch {
	case t.Before(firstTime):
		return firstTime
	case t.After(lastTime):
		return lastTime
	}
	return t
}

func appendText(b []byte, s string) []byte {
	return append(binary.AppendUvarint(b, uint64(len(s))), s...)
}

// scanner reads a payload; what is missing or too much shows at end.
type scanner struct {
	b   []byte
	bad bool
}

func (s *scanner) take(n int) []byte {
	if s.bad || n > len(s.b) {
		s.bad = true
		return make([]byte, min(n, 16))
	}
	out := s.b[:n]
	s.b = s.b[n:]
	return out
}

func (s *scanner) uvarint() uint64 {
	v, n := binary.Uvarint(s.b)
	if n <= 0 {
		s.bad = true
		return 0
	}
	s.b = s.b[n:]
	return v
}

func (s *scanner) text() string {
	n := s.uvarint()
	if n > uint64(len(s.b)) {
		s.bad = true
		return ""
	}
	return string(s.take(int(n)))
}

func (s *scanner) end() error {
	if s.bad || len(s.b) != 0 {
		return errors.New("record has another length than its parts")
	}
	return nil
}

func flags(bits ...bool) (f uint16) {
	for i, on := range bits {
		if on {
			f |= 1 << i
		}
	}
	return f
}

func appendTripID(b []byte, id TripID) []byte {
	return binary.BigEndian.AppendUint32(append(b, id.Node, id.Gen), id.Counter)
}

const tripIDSize = 6

func parseTripID(b []byte) TripID {
	return TripID{Node: b[0], Gen: b[1], Counter: binary.BigEndian.Uint32(b[2:])}
}

func (t *Trip) encode() []byte {
	b := binary.BigEndian.AppendUint16(nil, flags(t.Opened, t.Closed, t.Test, t.Supervised, t.Uncertain, t.Delayed, t.At.PutRight, t.Unproven))
	margin := int16(noMargin)
	if !math.IsNaN(t.Margin) {
		margin = int16(math.Round(max(-3000, min(3000, t.Margin*10))))
	}
	b = binary.BigEndian.AppendUint16(b, uint16(margin))
	dwell := uint64(0)
	if t.Dwell >= 0 {
		dwell = uint64(t.Dwell.Milliseconds()) + 1
	}
	b = binary.AppendUvarint(b, dwell)
	return appendText(appendText(appendText(b, t.Zone), t.Node), t.Class)
}

func (t *Trip) decode(b []byte) error {
	s := scanner{b: b}
	f := binary.BigEndian.Uint16(s.take(2))
	for i, p := range []*bool{&t.Opened, &t.Closed, &t.Test, &t.Supervised, &t.Uncertain, &t.Delayed, &t.At.PutRight, &t.Unproven} {
		*p = f>>i&1 != 0
	}
	t.Margin = math.NaN()
	if m := int16(binary.BigEndian.Uint16(s.take(2))); m != noMargin {
		t.Margin = float64(m) / 10
	}
	t.Dwell = time.Duration(int64(s.uvarint())-1) * time.Millisecond
	t.Zone, t.Node, t.Class = s.text(), s.text(), s.text()
	return s.end()
}

func (f *Fault) encode() []byte {
	b := []byte{byte(flags(f.Ended, f.At.PutRight))}
	return appendText(appendText(appendText(appendText(b, f.Code), f.Zone), f.Node), f.Detail)
}

func (f *Fault) decode(b []byte) error {
	s := scanner{b: b}
	bits := s.take(1)[0]
	f.Ended, f.At.PutRight = bits&1 != 0, bits&2 != 0
	f.Code, f.Zone, f.Node, f.Detail = s.text(), s.text(), s.text(), s.text()
	return s.end()
}

func (h *Hour) encode() []byte {
	b := binary.AppendUvarint(nil, uint64(h.Count))
	for _, v := range []float64{h.Lowest, h.Battery} {
		code := uint64(0)
		if v > 0 {
			code = uint64(math.Round(min(v, 1000)*100)) + 1
		}
		b = binary.AppendUvarint(b, code)
	}
	b = binary.AppendUvarint(b, uint64(len(h.Hops)))
	for _, hop := range h.Hops {
		b = appendText(appendText(b, hop.From), hop.To)
		b = binary.AppendUvarint(b, uint64(len(hop.Margins)))
		for _, m := range sortedMargins(hop.Margins) {
			b = binary.AppendUvarint(append(b, byte(m)), uint64(hop.Margins[m]))
		}
	}
	return b
}

func (h *Hour) decode(b []byte) error {
	s := scanner{b: b}
	h.Count = int(s.uvarint() & math.MaxInt32)
	for _, p := range []*float64{&h.Lowest, &h.Battery} {
		if code := s.uvarint(); code > 0 {
			*p = float64(code-1) / 100
		}
	}
	for n := s.uvarint(); n > 0 && !s.bad; n-- {
		hop := Hop{From: s.text(), To: s.text(), Margins: map[int8]int{}}
		for m := s.uvarint(); m > 0 && !s.bad; m-- {
			at := int8(s.take(1)[0])
			hop.Margins[at] = int(s.uvarint() & math.MaxInt32)
		}
		h.Hops = append(h.Hops, hop)
	}
	return s.end()
}

// add takes in more check-ins of the same hour, later ones.
func (h *Hour) add(more *Hour) {
	h.Count += more.Count
	if h.Lowest == 0 || more.Lowest > 0 && more.Lowest < h.Lowest {
		h.Lowest = more.Lowest
	}
	if more.Battery > 0 {
		h.Battery = more.Battery
	}
	for _, hop := range more.Hops {
		h.hop(hop.From, hop.To).addAll(hop.Margins)
	}
}

func (h *Hour) hop(from, to string) *Hop {
	for i := range h.Hops {
		if h.Hops[i].From == from && h.Hops[i].To == to {
			return &h.Hops[i]
		}
	}
	h.Hops = append(h.Hops, Hop{From: from, To: to, Margins: map[int8]int{}})
	return &h.Hops[len(h.Hops)-1]
}

func (h *Hop) addAll(m map[int8]int) {
	for k, n := range m {
		h.Margins[k] += n
	}
}

func (s *Span) encode() []byte {
	b := binary.AppendUvarint(nil, uint64(max(0, s.Length)))
	b = binary.BigEndian.AppendUint64(append(b, s.From.Boot[:]...), uint64(s.From.Mono))
	return appendText(b, s.Cause)
}

func (s *Span) decode(b []byte) error {
	r := scanner{b: b}
	s.Length = time.Duration(r.uvarint() & math.MaxInt64)
	copy(s.From.Boot[:], r.take(16))
	s.From.Mono = time.Duration(binary.BigEndian.Uint64(r.take(8)))
	s.Cause = r.text()
	return r.end()
}

// check refuses what could not be written and read again, and cuts what is for people to read.
func (b *Batch) check() error {
	name := func(what, s string, empty bool) error {
		if len(s) > MaxText || strings.IndexByte(s, 0) >= 0 || s == "" && !empty {
			return fmt.Errorf("%s %q: expected 1 to %d bytes without a zero byte", what, s, MaxText)
		}
		return nil
	}
	var errs []error
	for i := range b.Trips {
		t := &b.Trips[i]
		errs = append(errs, name("zone", t.Zone, false), name("node", t.Node, true), name("class", t.Class, true), t.At.check())
	}
	for i := range b.Faults {
		f := &b.Faults[i]
		errs = append(errs, name("id", f.ID, false), name("code", f.Code, false), name("zone", f.Zone, true), name("node", f.Node, true), f.At.check())
		f.Detail = cut(f.Detail)
	}
	for i := range b.Hours {
		h := &b.Hours[i]
		errs = append(errs, name("node", h.Node, false), h.At.check())
		for _, hop := range h.Hops {
			errs = append(errs, name("node", hop.From, false), name("node", hop.To, false))
		}
	}
	for i := range b.Spans {
		s := &b.Spans[i]
		errs = append(errs, name("subject", s.Subject, false), s.From.check())
		if s.Kind != Watch && s.Kind != Sound || s.Quality > EndToEnd || s.Length < 0 {
			errs = append(errs, fmt.Errorf("span of %s: kind %q, quality %d, length %v", s.Subject, s.Kind, s.Quality, s.Length))
		}
		s.Cause = cut(s.Cause)
	}
	return errors.Join(errs...)
}

func (m *Moment) check() error {
	if m.Wall.IsZero() && m.Boot == [16]byte{} {
		return errors.New("a moment without time and without boot can be put nowhere")
	}
	if m.Mono < 0 {
		m.Mono = 0 // it began before the gateway's machine did
	}
	return nil
}

func cut(s string) string {
	if len(s) <= MaxDetail {
		return s
	}
	n := MaxDetail
	for n > 0 && !utf8.RuneStart(s[n]) {
		n--
	}
	return s[:n]
}
