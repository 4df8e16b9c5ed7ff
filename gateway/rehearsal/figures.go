package rehearsal

import (
	"encoding/json"
	"math"
	"time"

	"longlane/radio/ether"
	"longlane/radio/lora"
)

// figures are a Report as a machine reads it. Whoever shows a Report to people takes the numbers from here, so that both say
// the same.
type figures struct {
	Name      string  `json:"name"`
	Seed      uint64  `json:"seed"`
	Asked     seconds `json:"asked_s"`
	Simulated seconds `json:"simulated_s"`
	Complete  bool    `json:"complete"` // all the time that was asked for
	Took      seconds `json:"took_s"`   // by the clock on the wall; all else depends on scenario and seed alone

	Rule struct {
		Region   string  `json:"region"`
		Low      int64   `json:"low_hz"`
		High     int64   `json:"high_hz"`
		Limit    seconds `json:"limit_s"` // on the air, in any hour, for each station
		Text     string  `json:"text"`
		Document string  `json:"document"`
		Edition  string  `json:"edition"`
		Date     string  `json:"date"`
		Verified bool    `json:"verified"`
		Caution  string  `json:"caution"`
	} `json:"rule"`

	Trips struct {
		Made      int `json:"made"`
		Delivered int `json:"delivered"`
		Dropped   int `json:"dropped"`
		Held      int `json:"held"`
	} `json:"trips"`
	CheckIns struct {
		Sent  int `json:"sent"`
		Heard int `json:"heard"`
	} `json:"check_ins"`
	Latency []pointFigures  `json:"latency"`   // of the trips delivered; shares that only the slowest would decide are left out
	Slowest *seconds        `json:"slowest_s"` // null if none was delivered
	Within  []withinFigures `json:"within"`    // of all trips made
	Told    struct {
		New       int      `json:"new"`
		Unproven  int      `json:"unproven"`
		Old       int      `json:"old"`
		Oldest    *seconds `json:"oldest_that_sounded_s"` // from the contact on; null if none sounded
		NeverMade int      `json:"never_made"`            // should be 0: no node had made such an event
	} `json:"told"` // of trips' openings, by the core's word as they were stored: new and unproven ones sound
	Faults []faultFigures `json:"faults"` // that the house was told of
	Relays struct {
		Mean float64 `json:"mean"`
		Most int     `json:"most"`
	} `json:"relays"` // on the ways of the trips delivered
	Stations []stationFigures `json:"stations"`
	Lawful   bool             `json:"lawful"` // all stations kept within the limit
	Losses   []lossFigures    `json:"losses"`
	Refused  map[string]int   `json:"refused"` // frames, by the verdict

	// Events are trips' openings and closings, and faults, that were delivered. All airtime is that of all stations and the gateway
	// together; what makes sure that events arrive, receipts and acknowledgements, counts among theirs.
	Airtime struct {
		Events   int            `json:"events"`
		OfEvents seconds        `json:"of_events_s"`
		PerEvent *seconds       `json:"per_event_s"` // null if none was delivered
		Least    seconds        `json:"least_s"`     // had each frame been sent once over each hop that it took, and one receipt back
		Ratio    *float64       `json:"times_least"` // of_events_s / least_s; null if none was delivered
		PerTrip  *seconds       `json:"per_trip_s"`  // everything that was on the air, by trips delivered; null if none was
		Kinds    []spentFigures `json:"kinds"`       // of frames
		InAll    seconds        `json:"in_all_s"`
	} `json:"airtime"`
	Withheld struct {
		Busy  int `json:"channel_in_use"`
		Short int `json:"airtime_used_up"`
	} `json:"withheld"` // frames that nodes wanted to send, and did not
	Circulating int `json:"circulating"` // frames whose records name a relay twice: none should
}

type faultFigures struct {
	Fault     string   `json:"fault"`
	Of        string   `json:"of"` // a node, or gateway
	Began     int      `json:"began"`
	First     *seconds `json:"first_began_s"` // since the beginning; null if it has only ended
	Last      *seconds `json:"last_began_s"`
	Ended     int      `json:"ended"`
	LastEnded *seconds `json:"last_ended_s"` // null if it has not
}

type withinFigures struct {
	Within seconds `json:"within_s"`
	Trips  int     `json:"trips"`
	Share  float64 `json:"share"`
}

type spentFigures struct {
	Kind     string   `json:"kind"`
	For      string   `json:"for"`
	Frames   int64    `json:"frames"`
	Airtime  seconds  `json:"airtime_s"`
	PerEvent *seconds `json:"per_event_s"` // null if none was delivered
}

type pointFigures struct {
	Share  float64 `json:"share"`
	Within seconds `json:"within_s"`
}

type stationFigures struct {
	Name      string  `json:"name"`
	Frames    int64   `json:"frames"`
	Airtime   seconds `json:"airtime_s"`
	WorstHour seconds `json:"worst_hour_s"`
	Limit     seconds `json:"limit_s"`
	Share     float64 `json:"share_of_limit"`
	Lawful    bool    `json:"lawful"`
	Died      string  `json:"died,omitempty"` // why
}

type lossFigures struct {
	Direction string `json:"direction"`
	Cause     string `json:"cause"`
	Frames    int    `json:"frames"`
}

// seconds are written with the digits that they need, to the microsecond.
type seconds float64

func inSeconds(d time.Duration) seconds {
	return seconds(float64(d.Round(time.Microsecond).Microseconds()) / 1e6)
}

func (r *Report) figures() *figures {
	f := &figures{Name: r.Name, Seed: r.Seed, Asked: inSeconds(r.Asked), Simulated: inSeconds(r.Simulated),
		Complete: r.Simulated >= r.Asked, Took: inSeconds(r.Took), Refused: r.Refused, Lawful: r.Lawful(),
		Latency: []pointFigures{}, Within: []withinFigures{}, Faults: []faultFigures{}, Stations: []stationFigures{}, Losses: []lossFigures{}}
	b := r.Band
	f.Rule.Region, f.Rule.Low, f.Rule.High, f.Rule.Limit, f.Rule.Text = b.Region, b.Low, b.High, inSeconds(b.Budget()), b.String()
	f.Rule.Document, f.Rule.Edition, f.Rule.Date, f.Rule.Verified, f.Rule.Caution = b.Document, b.Edition, b.Date, b.Verified, lora.Caution
	f.Trips.Made, f.Trips.Delivered, f.Trips.Dropped, f.Trips.Held = r.Trips.Made, r.Trips.Delivered, r.Trips.Dropped, r.Trips.Waiting
	f.CheckIns.Sent, f.CheckIns.Heard = r.CheckIns.Sent, r.CheckIns.Heard
	for _, p := range r.Latency {
		f.Latency = append(f.Latency, pointFigures{p.Share, inSeconds(p.Within)})
	}
	if r.Trips.Delivered > 0 {
		f.Slowest = new(inSeconds(r.Slowest))
	}
	for _, w := range r.Within {
		f.Within = append(f.Within, withinFigures{inSeconds(w.Time), w.Trips, float64(w.Trips) / float64(max(r.Trips.Made, 1))})
	}
	f.Relays.Mean, f.Relays.Most = math.Round(r.Relays.Mean*1e4)/1e4, r.Relays.Most
	f.house(r)
	f.spent(r)
	for i := range r.Nodes {
		n := &r.Nodes[i]
		f.Stations = append(f.Stations, stationFigures{Name: n.Name, Frames: n.Frames, Airtime: inSeconds(n.Airtime), WorstHour: inSeconds(n.Hour),
			Limit: inSeconds(n.Limit), Share: math.Round(n.Share()*1e6) / 1e6, Lawful: n.Lawful(), Died: n.Died})
	}
	for _, l := range r.Losses {
		f.Losses = append(f.Losses, lossFigures{l.Direction, l.Why, l.Frames})
	}
	return f
}

// house fills in what the house was told.
func (f *figures) house(r *Report) {
	t := &f.Told
	t.New, t.Unproven, t.Old, t.NeverMade = r.Told.New, r.Told.Unproven, r.Told.Old, r.Told.NeverMade
	if t.New+t.Unproven > 0 {
		t.Oldest = new(inSeconds(r.Told.Oldest))
	}
	when := func(d time.Duration, n int) *seconds {
		if n == 0 {
			return nil
		}
		return new(inSeconds(d))
	}
	for _, x := range r.Faults {
		f.Faults = append(f.Faults, faultFigures{x.Code, x.Of, x.Began, when(x.First, x.Began), when(x.Last, x.Began), x.Ended, when(x.LastEnded, x.Ended)})
	}
}

// spent fills in what was on the air, and why.
func (f *figures) spent(r *Report) {
	each := func(d time.Duration, n int) *seconds {
		if n == 0 {
			return nil
		}
		return new(inSeconds(d / time.Duration(n)))
	}
	a, all := &f.Airtime, time.Duration(0)
	a.Kinds = []spentFigures{}
	for _, s := range r.Spent {
		all += s.Airtime
		a.Kinds = append(a.Kinds, spentFigures{s.Type.String(), s.For.String(), s.Frames, inSeconds(s.Airtime), each(s.Airtime, r.Events)})
	}
	events := r.Airtime(ether.ForEvents)
	a.Events, a.OfEvents, a.Least, a.InAll = r.Events, inSeconds(events), inSeconds(r.Least), inSeconds(all)
	a.PerEvent, a.PerTrip = each(events, r.Events), each(all, r.Trips.Delivered)
	if r.Least > 0 {
		a.Ratio = new(math.Round(float64(events)/float64(r.Least)*1e3) / 1e3)
	}
	f.Withheld.Busy, f.Withheld.Short, f.Circulating = r.Withheld.Busy, r.Withheld.Short, r.Circulating
}

// MarshalJSON writes durations in seconds. Two reports of one scenario and seed differ in took_s alone.
func (r *Report) MarshalJSON() ([]byte, error) { return json.Marshal(r.figures()) }
