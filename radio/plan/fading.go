package plan

import (
	"math"
	"time"

	"longlane/radio/lora"
)

// Rayleigh is the share of frames whose signal is at most margin dB below its mean: exp(-10^(-margin/10)). It is the law of a signal
// that comes by many ways and by none that is stronger, as behind trees and hills. A clear path fades less, so it is the careful law
// for all. Source: T. Rappaport, Wireless Communications, 2nd ed. 2002, section 5.6.1, from memory.
func Rayleigh(margin float64) float64 { return math.Exp(-math.Pow(10, -margin/10)) }

// LogNormal is the share of places of which the loss, in dB, is at most margin above its mean, if it scatters with a standard
// deviation of sigma dB. It is the law of what the formulas do not know of a place. A path that is fixed does not draw it anew for
// each frame: what is bad stays bad, and repeats do not help. Source: as for Rayleigh, section 4.9.1, from memory.
func LogNormal(margin, sigma float64) float64 {
	return 0.5 * math.Erfc(-margin/(sigma*math.Sqrt2))
}

// The rules by which a node and a relay send: see radio/node, whose defaults these are. A test holds what follows from them against
// the rehearsal of a lane.
const (
	tries      = 5 // of a frame on its first hop
	carryTries = 6 // on those after it
	lastSlot   = 5
	slotLeast  = 20 * time.Millisecond // of a slot, beside six symbols
	proofSlack = 30 * time.Millisecond
	coherence  = time.Second            // for so long a fade lasts: as in the rehearsals
	dwell      = 75 * time.Millisecond  // of the contact, before anything is sent
	house      = 100 * time.Millisecond // from the gateway to the ear
)

// steps are those into which the time from the contact to the goal's is cut, and phases the moments of a fade at which a trip is
// taken to begin.
const steps, phases = 100, 8

// pace is how fast a bearer is: the time on the air of a frame of so many bytes, and when a frame goes again: after the slots by which
// radio/node takes turns and up to so many tries, or if again is above 0 so long after the one before, as often as there is time.
type pace struct {
	air         func(size int) time.Duration
	slot, again time.Duration
}

// byLoRa is the pace of a setting.
func byLoRa(s *lora.Settings) pace { return pace{air: s.Airtime, slot: slotLeast + 6*s.Symbol()} }

// WiFiAgain is after how long a board on Wi-Fi sends again what has no receipt. Our choice, no source: nobody counts its airtime there,
// so that it need not stop after five copies but begins a new attempt, and lets its pauses grow (proto/PROTOCOL.md, section 8) when the goal's time is
// over.
const WiFiAgain = 250 * time.Millisecond

// byWiFi is Wi-Fi's pace. What its link layer sends again by itself follows within milliseconds, in the same fade, and does not help.
func byWiFi() pace { return pace{air: wifiAirtime, again: WiFiAgain} }

// wifiAirtime is how long a frame of so many bytes lasts in a UDP datagram over IPv4 at 6 Mbit/s, the rate of Options.WiFiNeed: 20 µs
// before it, and symbols of 4 µs with 24 bits for 16 bits of service, 6 of tail, and 64 bytes around the frame (UDP 8, IPv4 20, link
// 8, and of the MAC 24 and 4). Source: IEEE 802.11, clause 17.4.3 (TXTIME), from memory. What it waits for other stations is not in it.
func wifiAirtime(size int) time.Duration {
	const before, symbol, symbolBits, around = 20 * time.Microsecond, 4 * time.Microsecond, 24, 8 + 20 + 8 + 24 + 4
	bits := 16 + 8*(around+size) + 6
	return before + time.Duration((bits+symbolBits-1)/symbolBits)*symbol
}

// pace is that of a hop's bearer.
func (h *Hop) pace() pace {
	if h.Setting == nil {
		return byWiFi()
	}
	return byLoRa(&h.Setting.Settings)
}

// wifiMargin is what the one hop of Wi-Fi must have so that the goal is met, dB; infinite if none is enough.
func wifiMargin(o *Options) float64 { return max(o.Goal.Margin, neededMargin(byWiFi(), 1, o)) }

// timing is the share of trips that are heard within the goal's time over hops of some margins, from the gate to the gateway.
// Fading is Rayleigh's, holds for coherence, and is drawn anew after that and for each hop. A hop is tried as radio/node does it: again when
// nobody has shown to have the frame, up to 5 or 6 times; what is not over a hop by then is counted as late. Of Wi-Fi see WiFiAgain.
func timing(s pace, margins []float64, o *Options) float64 {
	return within(s, margins, o.Goal.Within, coherence)
}

// within is that within a time, with fades that last as long as fade says.
func within(s pace, margins []float64, limit, fade time.Duration) float64 {
	left := limit - dwell - house
	if left <= 0 {
		return 0
	}
	step := left / steps
	var now, next [steps + 1]float64 // by which step a frame has come so far: its share
	now[0] = 1
	slot, first := s.slot, s.air(tripSize)
	for i, margin := range margins {
		size := tripSize + i*hopSize
		air := s.air(size)
		begin, most := time.Duration(0), tries
		if i > 0 {
			begin, most = slot+slot/2, carryTries // half a slot into its own, which is the second
		}
		cycle := air + (lastSlot+1)*slot + s.air(size+hopSize) + proofSlack // until it goes again
		if i > 0 {
			cycle = air + 4*slot + s.air(size+hopSize) + proofSlack
		}
		spread := first
		if s.again > 0 {
			cycle, spread, most = s.again, 0, int(left/s.again)+1
		}
		var hop [steps + 1]float64
		p := Rayleigh(margin)
		for phase := range phases {
			at, missed, block := begin, 1.0, -1
			for k := range most {
				if b := int((fade*time.Duration(2*phase+1)/(2*phases) + at) / fade); b != block {
					block = b
					if n := int((at + air + step - 1) / step); n <= steps {
						hop[n] += missed * p / phases
					}
					missed *= 1 - p
				}
				at += cycle + spread<<min(k, 1) // on the average, of twice as much
			}
		}
		next = [steps + 1]float64{}
		for a, x := range now {
			if x == 0 {
				continue
			}
			for b := 0; a+b <= steps; b++ {
				next[a+b] += x * hop[b]
			}
		}
		now = next
	}
	sum := 0.0
	for _, x := range now {
		sum += x
	}
	return sum
}

// mostMargin is the greatest that a goal may ask of a hop, dB.
const mostMargin = 60

// neededMargin is the margin that each of some hops must have so that the goal's share of trips is heard in time; infinite if
// none is enough.
func neededMargin(s pace, hops int, o *Options) float64 {
	reached := func(margin float64) bool {
		list := make([]float64, hops)
		for i := range list {
			list[i] = margin
		}
		return timing(s, list, o) >= o.Goal.Share
	}
	if !reached(mostMargin) {
		return math.Inf(1)
	}
	low, high := 0.0, float64(mostMargin)
	for range 12 {
		if mid := (low + high) / 2; reached(mid) {
			high = mid
		} else {
			low = mid
		}
	}
	return high
}
