package node

import "time"

// limits bound what a relay carries for each origin, since it cannot tell genuine frames from invented ones.
type limits struct {
	origin [2][256]bucket // trips and faults; check-ins
	all    [2]bucket
}

// bucket empties by one in each time.
type bucket struct {
	level float64
	at    time.Duration
}

func (b *bucket) drain(now, every time.Duration) {
	b.level = max(b.level-float64(now-b.at)/float64(every), 0)
	b.at = now
}

// allOrigins is how many origins' share all together may have.
const allOrigins = 16

// allow reports whether one more frame of origin may be carried, and counts it.
func (l *limits) allow(now time.Duration, origin uint8, checkIn bool, c HopConfig) bool {
	which, burst, every := 0, c.TripBurst, c.TripEvery
	if checkIn {
		which, burst, every = 1, c.CheckInBurst, c.CheckInEvery
	}
	one, all := &l.origin[which][origin], &l.all[which]
	one.drain(now, every)
	all.drain(now, max(every/allOrigins, 1))
	if one.level+1 > float64(burst) || all.level+1 > float64(burst)*allOrigins {
		return false
	}
	one.level++
	all.level++
	return true
}
