package proto

import "time"

// NoTime is the send time of a node that has not learnt the gateway's time.
const NoTime uint32 = 1<<24 - 1

// MaxDrift is how far a node's clock may run from the gateway's, per unit of time since its last receipt: 100 parts
// per million (a 32 kHz tuning-fork crystal at -20 C is about 70 ppm slow). A node whose last receipt is older than
// TimeHolds counts itself as having no time.
const (
	MaxDrift  = 100e-6
	TimeHolds = 24 * time.Hour
)

// FreshWithin is the default tolerance between send time and arrival: drift over TimeHolds (8.64 s), the rounding of
// both times (1 s), one slow frame and its queueing at the modem (5 s).
const FreshWithin = 15 * time.Second

// SendTime is a frame's claim, under the MAC, of when it was sealed: whole seconds of gateway time, modulo 2^24
// (194 days), and the low 8 bits of the epoch in which the node learnt that time.
type SendTime struct {
	Seconds uint32 // NoTime if not known
	Epoch   uint8
}

// Known reports whether the node claims to know the time.
func (s SendTime) Known() bool { return s.Seconds != NoTime }

// Instant is a moment of gateway time: time since the epoch began.
type Instant struct {
	Epoch uint16
	Since time.Duration
}

// SendTime writes i as a node would, rounding down.
func (i Instant) SendTime() SendTime {
	s := uint32(uint64(i.Since/time.Second) % uint64(NoTime)) // NoTime itself is never a time
	return SendTime{Seconds: s, Epoch: uint8(i.Epoch)}
}

// Freshness is how a frame's send time stands against its arrival.
type Freshness uint8

// The kinds of Freshness.
const (
	Fresh    Freshness = iota // sent just now
	Late                      // sent a while ago: held up, or held back, on the way
	Unproven                  // the node has no time of this epoch, or one from the future: cannot be told
)

func (f Freshness) String() string { return [...]string{"fresh", "late", "unproven"}[f] }

// Offset is by how much a send time lies behind now, less transit; negative: it is ahead. It is rounded up by up to a second, as the send
// time was rounded down. ok is false if the node has no time of this epoch.
func Offset(s SendTime, now Instant, transit time.Duration) (behind time.Duration, ok bool) {
	if !s.Known() || s.Epoch != uint8(now.Epoch) {
		return 0, false
	}
	const period = time.Duration(NoTime) * time.Second
	behind = now.Since%period - time.Duration(s.Seconds)*time.Second - transit
	switch { // the nearest of what the modulo leaves open
	case behind < -period/2:
		behind += period
	case behind > period/2:
		behind -= period
	}
	return behind, true
}

// Judge compares a frame's send time with its arrival at now, of which transit is the time that relays say, verified,
// they held it. late is how long ago, beyond transit, the frame was sealed; it is meaningful for Fresh and Late.
func Judge(s SendTime, now Instant, transit, within time.Duration) (f Freshness, late time.Duration) {
	late, ok := Offset(s, now, transit)
	if !ok {
		return Unproven, 0
	}
	switch {
	case late < -within:
		return Unproven, 0
	case late > within+time.Second: // the send time was rounded down by up to a second
		return Late, late
	}
	return Fresh, max(late, 0)
}
