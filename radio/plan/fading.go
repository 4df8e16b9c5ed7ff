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
	proofSlack = 30 * time.Millisecond
	coherence  = time.Second            // for so long a fade lasts: as in the rehearsals
	dwell      = 75 * time.Millisecond  // of the contact, before anything is sent
	house      = 100 * time.Millisecond // from the gateway to the ear
)

// steps are those into which the time from the contact to the goal's is cut, and phases the moments of a fade at which a trip is
// taken to begin.
const steps, phases = 100, 8

// timing is the share of trips that are heard within the goal's time over hops of some margins, from the gate to the gateway.
// Fading is Rayleigh's, holds for coherence, and is drawn anew after that and for each hop. A hop is tried as radio/node does it: again when
// nobody has shown to have the frame, up to 5 or 6 times; what is not over a hop by then is counted as late.
func timing(s *lora.Settings, margins []float64, o *Options) float64 {
	return within(s, margins, o.Goal.Within)
}

func within(s *lora.Settings, margins []float64, limit time.Duration) float64 {
	left := limit - dwell - house
	if left <= 0 {
		return 0
	}
	step := left / steps
	var now, next [steps + 1]float64 // by which step a frame has come so far: its share
	now[0] = 1
	slot := 20*time.Millisecond + 6*s.Symbol()
	first := s.Airtime(tripSize)
	for i, margin := range margins {
		size := tripSize + i*hopSize
		air := s.Airtime(size)
		begin, most := time.Duration(0), tries
		if i > 0 {
			begin, most = slot+slot/2, carryTries // half a slot into its own, which is the second
		}
		cycle := air + (lastSlot+1)*slot + s.Airtime(size+hopSize) + proofSlack // until it goes again
		if i > 0 {
			cycle = air + 4*slot + s.Airtime(size+hopSize) + proofSlack
		}
		var hop [steps + 1]float64
		p := Rayleigh(margin)
		for phase := range phases {
			at, missed, block := begin, 1.0, -1
			for k := range most {
				if b := int((coherence*time.Duration(2*phase+1)/(2*phases) + at) / coherence); b != block {
					block = b
					if n := int((at + air + step - 1) / step); n <= steps {
						hop[n] += missed * p / phases
					}
					missed *= 1 - p
				}
				at += cycle + first<<min(k, 1) // on the average, of twice as much
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
func neededMargin(s *lora.Settings, hops int, o *Options) float64 {
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
