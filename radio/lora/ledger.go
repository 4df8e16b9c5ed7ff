package lora

import (
	"encoding/binary"
	"errors"
	"fmt"
	"hash/crc32"
	"time"
)

// Use is what a frame is sent for. The order is that of worth: each may take from the budget only what is not kept for
// those before it.
type Use uint8

// The uses.
const (
	UseTrip   Use = iota // trips and faults, and their receipts
	UseHop               // check-ins and their receipts, and what relays tell each other
	UseBeacon            // beacons, and all that nobody waits for
	NumUses
)

var useNames = [NumUses]string{"trip", "hop", "beacon"}

func (u Use) String() string {
	if u < NumUses {
		return useNames[u]
	}
	return fmt.Sprintf("use %d", uint8(u))
}

// DefaultKept is LedgerOptions.Kept where it is left out: of an hour's airtime two fifths are for trips alone, and three
// tenths more for trips and hops. A choice of this project: in a quiet hour check-ins need a fraction of what is left to
// them, and a busy one must not end in silence.
var DefaultKept = [NumUses]float64{UseTrip: 0.4, UseHop: 0.3}

// Window is the time over which airtime is limited, wherever LedgerOptions says nothing else: duty cycle is "over an
// observation period of one hour" (ETSI EN 300 220-1, definition of duty cycle).
const Window = time.Hour

// LedgerOptions are the rules that a Ledger keeps, and what it knows from before.
type LedgerOptions struct {
	Budget       time.Duration // most airtime in any Window; positive, at most Window
	Window       time.Duration // 0: Window
	LongestFrame time.Duration // most airtime of one frame; 0: only Budget bounds it
	Pause        time.Duration // least silence after a frame

	// Kept is, by use, the share of Budget that uses after it never touch. Each is 0 or more, and together they are
	// below 1. All zero: DefaultKept.
	Kept [NumUses]float64

	// Now is the moment of the start. Of all other moments only Mono is ever asked for.
	Now Moment
	// Saved is what Save gave last. nil: this transmitter has never sent.
	Saved []byte
	// WallError is how far off a wall clock may be that counts as set.
	WallError time.Duration
}

// Moment is a point in time as far as a machine knows it.
type Moment struct {
	Boot [16]byte      // names the boot; zero: not known
	Mono time.Duration // since the boot; never goes back
	Wall time.Time     // counts only if Set
	Set  bool          // the wall clock has been put right in this boot
}

// Ledger keeps one transmitter within a budget of airtime, in every window that one can choose: between any two points in
// time that lie a Window apart, frames are on the air for no longer than Budget in all. It has no clock and does no I/O.
// It is not safe for concurrent use.
//
// A frame is granted (Spend) before it is sent, and settled (Settle) once it is known what became of it. In between it
// counts as being sent at every moment, since it may be; if it is never settled it counts until its owner starts anew, and
// from then on for a Window. When it is settled it counts as having been sent as late as it can have been.
//
// Frames that end within the same slot of a Window, of which there are 360 (10 s of an hour), are kept as one that ended
// with the last of them. So memory is bounded, and a frame counts for up to a slot too long, never too short: what the
// ledger gives out falls short of what is lawful by less than 0.3 %.
type Ledger struct {
	o       LedgerOptions
	now     time.Duration
	past    []spent // settled, in order of their ends
	pending map[Grant]spent
	last    Grant
	quiet   time.Duration // no frame before: the pause
}

// spent is airtime that ended at end, or earlier.
type spent struct {
	airtime, end time.Duration
	slot         time.Duration // which began when the first of its frames ended
}

// Grant names a frame that was granted.
type Grant uint64

const (
	slots      = 360
	maxEntries = slots + 8 // those that are just leaving, and those that are just coming
)

// ErrLedgerLost is wrapped by NewLedger's error if what was saved cannot be read.
var ErrLedgerLost = errors.New("the airtime ledger is damaged, so the whole budget counts as used")

// ErrNever is wrapped by the error for a frame that can be sent at no time.
var ErrNever = errors.New("this frame can never be sent lawfully")

// NewLedger goes on from what was saved. Time that has passed since then counts only if it is known: in the same boot, or
// if the wall clock was set then and is now. Otherwise none has passed. If Saved is damaged the whole budget counts as
// used just now, and beside the Ledger, which is good, an error says so that wraps ErrLedgerLost. Any other error names
// the option that cannot be.
func NewLedger(o LedgerOptions) (*Ledger, error) {
	if o.Window == 0 {
		o.Window = Window
	}
	if o.Kept == ([NumUses]float64{}) {
		o.Kept = DefaultKept
	}
	if err := o.check(); err != nil {
		return nil, err
	}
	l := &Ledger{o: o, now: o.Now.Mono, pending: map[Grant]spent{}}
	if o.Saved == nil {
		return l, nil
	}
	s, err := parseSaved(o.Saved)
	if err != nil {
		end := l.now + o.Window/slots // one may be on the air still
		l.past = []spent{{o.Budget, end, end}}
		l.rest()
		return l, fmt.Errorf("%w: %w", ErrLedgerLost, err)
	}
	then := l.now - s.passed(o.Now, o.WallError) // the moment of saving, or later
	for _, p := range s.past {
		l.past = append(l.past, spent{p.airtime, then - p.end, then - p.slot})
	}
	if s.ahead > 0 { // the last of it may be on the air still
		l.note(s.ahead, l.now+s.ahead)
	}
	l.rest()
	l.forget()
	return l, nil
}

// rest has the pause after what an earlier process sent, if there is to be one. The airtime that it had set aside counts as late
// as it can, but of that one frame at most is on the air still: the pause waits for no more.
func (l *Ledger) rest() {
	if n := len(l.past); n > 0 && l.o.Pause > 0 {
		end := l.past[n-1].end
		if l.o.LongestFrame > 0 {
			end = min(end, l.now+l.o.LongestFrame)
		}
		l.quiet = end + l.o.Pause
	}
}

func (o *LedgerOptions) check() error {
	kept := 0.0
	for u, k := range o.Kept {
		if !(k >= 0) {
			return fmt.Errorf("airtime ledger: share kept for use %v is %v: expected 0 or more", Use(u), k)
		}
		kept += k
	}
	switch {
	case o.Window < time.Second:
		return fmt.Errorf("airtime ledger: window of %v: expected a second or more", o.Window)
	case o.Budget <= 0 || o.Budget > o.Window:
		return fmt.Errorf("airtime ledger: budget of %v in %v: expected more than nothing and at most all", o.Budget, o.Window)
	case o.LongestFrame < 0 || o.Pause < 0 || o.WallError < 0:
		return errors.New("airtime ledger: longest frame, pause and wall clock error: expected 0 or more")
	case !(kept < 1):
		return fmt.Errorf("airtime ledger: the shares kept are %v together: expected less than 1", kept)
	}
	return nil
}

// Ask tells how long a frame must wait: 0 if Spend would grant it now. The error wraps ErrNever.
func (l *Ledger) Ask(now time.Duration, use Use, airtime time.Duration) (wait time.Duration, err error) {
	if err := l.possible(use, airtime); err != nil {
		return 0, err
	}
	l.advance(now)
	return max(l.pause(), l.room(use, airtime), 0), nil
}

// Spend grants a frame now, or says how long to wait: then it would be granted, if nothing else has been until then. The
// error wraps ErrNever. The frame may be sent at any time until it is settled.
func (l *Ledger) Spend(now time.Duration, use Use, airtime time.Duration) (g Grant, wait time.Duration, err error) {
	if wait, err = l.Ask(now, use, airtime); wait > 0 || err != nil {
		return 0, wait, err
	}
	l.last++
	l.pending[l.last] = spent{airtime: airtime, end: l.now + airtime}
	return l.last, 0, nil
}

// Settle says that a granted frame was sent, with the airtime that it really had, and had ended by end; or, with an
// airtime of 0, that it never will be. A frame of which nobody knows is settled with the airtime it was granted. end may
// lie in the future, for a sender that knows when the frame will end. A grant that is not out is ignored.
func (l *Ledger) Settle(g Grant, airtime, end time.Duration) {
	if _, out := l.pending[g]; !out {
		return
	}
	delete(l.pending, g)
	if airtime > 0 {
		l.note(airtime, end)
		l.quiet = max(l.quiet, end+l.o.Pause)
	}
}

// Used is the airtime that counts against the budget as of now.
func (l *Ledger) Used(now time.Duration) time.Duration {
	l.advance(now)
	return l.since(l.now - l.o.Window)
}

// Budget is the most airtime in any window, and Limit what of that a use may touch.
func (l *Ledger) Budget() time.Duration { return l.o.Budget }

// Limit is the most of the budget that may be in use after a frame of the given use.
func (l *Ledger) Limit(use Use) time.Duration {
	if use == UseTrip {
		return l.o.Budget // not by a float's rounding less
	}
	kept := 0.0
	for u := range use {
		kept += l.o.Kept[u]
	}
	return time.Duration(float64(l.o.Budget) * (1 - kept))
}

func (l *Ledger) possible(use Use, airtime time.Duration) error {
	switch {
	case use >= NumUses || airtime <= 0:
		return fmt.Errorf("%w: %v of airtime for %v", ErrNever, airtime, use)
	case l.o.LongestFrame > 0 && airtime > l.o.LongestFrame:
		return fmt.Errorf("%w: it takes %v on the air, and no frame may take longer than %v", ErrNever, airtime, l.o.LongestFrame)
	case airtime > l.Limit(use):
		return fmt.Errorf("%w: it takes %v on the air, and %v traffic may have %v in any %v", ErrNever, airtime, use, l.Limit(use), l.o.Window)
	}
	return nil
}

// advance never goes back: what is granted is granted at a time that is not before that of what went before it.
func (l *Ledger) advance(now time.Duration) {
	l.now = max(l.now, now)
	l.forget()
}

func (l *Ledger) forget() {
	n := 0
	for n < len(l.past) && l.past[n].end <= l.now-l.o.Window {
		n++
	}
	if n > 0 {
		l.past = append(l.past[:0], l.past[n:]...)
	}
}

// note takes airtime that ended by end into the past. It keeps the order by letting nothing end before what is there
// already, which only makes it count longer.
func (l *Ledger) note(airtime, end time.Duration) {
	n := len(l.past)
	if n == 0 {
		l.past = append(l.past, spent{airtime, end, end})
		return
	}
	p := &l.past[n-1]
	end = max(end, p.end)
	if end-p.slot < l.o.Window/slots {
		p.airtime, p.end = p.airtime+airtime, end
		return
	}
	l.past = append(l.past, spent{airtime, end, end})
}

// since is the airtime that may lie after start: each frame as late as it can have been.
func (l *Ledger) since(start time.Duration) (sum time.Duration) {
	for _, p := range l.past {
		sum += p.after(start)
	}
	for _, p := range l.pending {
		sum += p.airtime
	}
	return sum
}

func (p spent) after(start time.Duration) time.Duration { return max(min(p.end-start, p.airtime), 0) }

// pause is how long the silence after the last frame still lasts. While one is out nobody knows when it will end, and no
// other is granted: at the earliest it ends as if it had begun at once.
func (l *Ledger) pause() time.Duration {
	wait := l.quiet - l.now
	if l.o.Pause > 0 {
		for _, p := range l.pending {
			wait = max(wait, max(p.end-l.now, 0)+l.o.Pause)
		}
	}
	return wait
}

// room is how long a frame must wait for others to leave the window.
//
// Of all windows that the frame lies in, at least in part, the one that ends with it holds the most: one that ends earlier
// loses of the frame what it gains of the past, at most; one that ends later has less of the past, and nothing yet of the
// future, whose frames are asked about in their turn. If the frame goes later than now, its window begins later as well.
func (l *Ledger) room(use Use, airtime time.Duration) time.Duration {
	start := l.now + airtime - l.o.Window
	most := l.Limit(use) - airtime
	if l.since(start) <= most {
		return 0
	}
	low, high := start, l.now // a window from low on holds too much
	if n := len(l.past); n > 0 {
		high = max(high, l.past[n-1].end)
	}
	if l.since(high) > most {
		// What is out is in the way by itself. It may be settled at any moment, as not sent even; a slot is as good a
		// time as any to ask again.
		return l.o.Window / slots
	}
	for high-low > 1 {
		if middle := low + (high-low)/2; l.since(middle) > most {
			low = middle
		} else {
			high = middle
		}
	}
	return high - start
}

// What Save gives: "LLA", version 1; flags (1: wall clock set); boot (16); wall clock, ns (8); time since boot, ns (8);
// airtime set aside, ns (8); then as uvarints how far the last entry's end lies in the future, µs, rounded up; the number
// of entries; and for each of them, from the newest to the oldest, in µs: airtime, rounded up; time from its end to that of
// the entry before it (the first: to the future just named), rounded down; time from the beginning of its slot to its end.
// Last the CRC-32C of all that (4). Big-endian.
const (
	savedMagic = "LLA\x01"
	savedFixed = len(savedMagic) + 1 + 16 + 8 + 8 + 8
)

var castagnoli = crc32.MakeTable(crc32.Castagnoli)

// Save gives what NewLedger needs to go on after this process has died. ahead is airtime that its owner will spend without
// saving again: whoever finds the ledger takes all of it for sent. Frames that are out count as sent. At most 6 KiB.
func (l *Ledger) Save(now Moment, ahead time.Duration) []byte {
	l.advance(now.Mono)
	b := append(make([]byte, 0, savedFixed+4+15*len(l.past)), savedMagic...)
	flags := byte(0)
	if now.Set {
		flags = 1
	}
	b = append(append(b, flags), now.Boot[:]...)
	b = binary.BigEndian.AppendUint64(b, uint64(now.Wall.UnixNano()))
	b = binary.BigEndian.AppendUint64(b, uint64(l.now))
	for _, p := range l.pending {
		ahead += p.airtime
	}
	b = binary.BigEndian.AppendUint64(b, uint64(ahead))
	lead := time.Duration(0)
	if n := len(l.past); n > 0 {
		lead = max(l.past[n-1].end-l.now+time.Microsecond-1, 0) / time.Microsecond
	}
	b = binary.AppendUvarint(binary.AppendUvarint(b, uint64(lead)), uint64(len(l.past)))
	end := l.now + lead*time.Microsecond
	for i := len(l.past) - 1; i >= 0; i-- {
		p := l.past[i]
		ago := (end - p.end) / time.Microsecond
		end -= ago * time.Microsecond
		b = binary.AppendUvarint(b, uint64((p.airtime+time.Microsecond-1)/time.Microsecond))
		b = binary.AppendUvarint(b, uint64(ago))
		b = binary.AppendUvarint(b, uint64((end-p.slot)/time.Microsecond))
	}
	return binary.BigEndian.AppendUint32(b, crc32.Checksum(b, castagnoli))
}

// saved is what Save gave, with past from the oldest to the newest, and end and slot as times from there to saving; below
// 0 if they lie after it.
type saved struct {
	at    Moment
	ahead time.Duration
	past  []spent
}

func parseSaved(b []byte) (s saved, err error) {
	if len(b) < savedFixed+4 || string(b[:3]) != savedMagic[:3] {
		return s, fmt.Errorf("%d bytes that are no airtime ledger", len(b))
	}
	body, sum := b[:len(b)-4], binary.BigEndian.Uint32(b[len(b)-4:])
	switch {
	case crc32.Checksum(body, castagnoli) != sum:
		return s, errors.New("its checksum is wrong")
	case b[3] != savedMagic[3]:
		return s, fmt.Errorf("version %d, this program reads version %d", b[3], savedMagic[3])
	case b[4] > 1:
		return s, fmt.Errorf("flags %d, expected 0 or 1", b[4])
	}
	s.at = Moment{Boot: [16]byte(body[5:]), Set: body[4] == 1, Wall: time.Unix(0, int64(binary.BigEndian.Uint64(body[21:]))),
		Mono: time.Duration(binary.BigEndian.Uint64(body[29:]))}
	s.ahead = time.Duration(binary.BigEndian.Uint64(body[37:]))
	r := varints{body[savedFixed:], true}
	ago := -time.Duration(r.next()) * time.Microsecond
	n := r.next()
	if n > maxEntries || s.ahead < 0 || s.ahead > maxSaved || s.at.Mono < 0 {
		return s, errors.New("its figures cannot be")
	}
	s.past = make([]spent, n)
	for i := len(s.past) - 1; i >= 0; i-- {
		airtime := time.Duration(r.next()) * time.Microsecond
		ago += time.Duration(r.next()) * time.Microsecond
		s.past[i] = spent{airtime, ago, ago + time.Duration(r.next())*time.Microsecond}
	}
	if !r.ok || len(r.b) != 0 {
		return s, errors.New("its entries cannot be")
	}
	return s, nil
}

// maxSaved is far beyond any window, and far from where durations overflow.
const maxSaved = 10000 * time.Hour

type varints struct {
	b  []byte
	ok bool
}

// next gives 0 after the first that is no number or is far too large.
func (r *varints) next() uint64 {
	v, n := binary.Uvarint(r.b)
	if !r.ok || n <= 0 || v > uint64(maxSaved/time.Microsecond) {
		r.ok = false
		return 0
	}
	r.b = r.b[n:]
	return v
}

// passed is how much time has certainly passed since s was saved.
func (s *saved) passed(now Moment, wallError time.Duration) time.Duration {
	switch {
	case s.at.Boot != [16]byte{} && s.at.Boot == now.Boot:
		return max(now.Mono-s.at.Mono, 0)
	case s.at.Set && now.Set:
		return max(now.Wall.Sub(s.at.Wall)-2*wallError, 0)
	}
	return 0
}
