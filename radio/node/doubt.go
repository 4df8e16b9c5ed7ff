package node

import "time"

// A node that is no relay cannot judge who takes its frames: a stolen relay may acknowledge in any name, and make up any
// relay's record, and so each event would wait for its second attempt, which all relays send on. But what came of its events
// it can judge. If somebody had the first attempts of several in a row, and only later ones brought receipts, it begins with second
// attempts, believes receipts alone, and does not repeat a frame, since relays send each on but once. It does so for a while; then one
// event more decides.
const (
	doubtAfter   = 3
	doubtFor     = 15 * time.Minute // twice as long each time, as for a relay's neighbours (radio/route)
	longestDoubt = 24 * time.Hour
	doubtWithin  = time.Minute // an event that waited for longer was held in an outage
)

type doubt struct {
	late  int           // events in a row whose first attempt somebody had, and a later one was answered
	times int           // how often it has come to doubt, less events since whose first attempt was answered
	until time.Duration // end of the doubt
}

func (d *doubt) doubts(now time.Duration) bool { return now < d.until }

// answered follows the receipt for an event whose first attempt somebody had; first: it is for that attempt.
func (d *doubt) answered(now time.Duration, first bool) {
	if first {
		d.late, d.times = 0, max(d.times-1, 0)
		return
	}
	if d.late++; d.late < doubtAfter {
		return
	}
	d.until = now + min(doubtFor<<d.times, longestDoubt)
	d.late, d.times = doubtAfter-1, min(d.times+1, 10)
}
