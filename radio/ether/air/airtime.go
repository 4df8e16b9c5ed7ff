package air

import "time"

type interval struct{ from, to time.Duration }

func (i interval) length() time.Duration { return i.to - i.from }

// Airtime is for how long a station has been on the air, counted here from the frames alone, whatever the station
// believes.
type Airtime struct {
	Frames int64
	Total  time.Duration
	Hour   time.Duration // the most within any hour, wherever that hour begins
}

// Airtime gives what a station has sent so far, with all of the frames that have begun.
func (a *Air) Airtime(station int) Airtime { return a.stations[station].airtime }

// station is a radio: when it was sending. It keeps what is younger than an hour, and what can still matter to a frame.
type station struct {
	airtime Airtime
	sends   []interval
	first   int           // of sends: those before it are older than an hour
	inHour  time.Duration // sum of those from first on, whole
}

// until is the end of the last frame so far.
func (s *station) until() time.Duration {
	if len(s.sends) == 0 {
		return 0
	}
	return s.sends[len(s.sends)-1].to
}

// send notes a frame, and forgets those that are older than an hour and than needed.
func (s *station) send(i interval, needed time.Duration) {
	s.sends = append(s.sends, i)
	s.airtime.Frames++
	s.airtime.Total += i.length()
	s.inHour += i.length()
	hour := interval{i.to - time.Hour, i.to}
	for s.sends[s.first].to <= hour.from {
		s.inHour -= s.sends[s.first].length()
		s.first++
	}
	// The most is reached at the end of some frame: within a frame the sum does not fall, and between frames it does not
	// rise.
	s.airtime.Hour = max(s.airtime.Hour, s.inHour-max(hour.from-s.sends[s.first].from, 0))
	for s.first > 0 && s.sends[0].to <= needed {
		s.sends, s.first = s.sends[1:], s.first-1
	}
}

// sending reports whether the station sent at any time of i.
func (s *station) sending(i interval) bool {
	for n := len(s.sends) - 1; n >= 0 && s.sends[n].to > i.from; n-- {
		if s.sends[n].from < i.to {
			return true
		}
	}
	return false
}
