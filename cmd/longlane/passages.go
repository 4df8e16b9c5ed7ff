package main

import (
	"errors"
	"fmt"
	"math"
	"time"

	"longlane/gateway/logbook"
	"longlane/gateway/passage"
	"longlane/queue/history"
)

// passages answers for each pair of beams who went in and out, and who belongs together.
func (a *asking) passages() error {
	if len(a.pairs) == 0 {
		return errors.New("the config has no [[pair]] of zones: it takes two beams, one behind the other across the lane, to tell in from out; README shows how")
	}
	var breaks []passage.Break
	vague := map[string]int{} // trips that cannot be compared, by zone
	err := a.eachTrip(true, func(t *history.Trip) error {
		if b, ok := logbook.Break(t); ok {
			breaks = append(breaks, b)
		} else if !t.Test {
			vague[t.Zone]++
		}
		return nil
	})
	if err != nil {
		return err
	}
	var l *list
	if a.json || a.csv {
		l = a.begin("passages", "outer", "inner", "time", "direction", "why", "class", "speed_m_s", "length_m", "trips")
	} else {
		a.heading()
	}
	for _, p := range a.pairs {
		pair := passage.Pair{Outer: p.Outer, Inner: p.Inner, Distance: p.Distance, DistanceError: 0.05 * p.Distance} // paced or taped: common practice, no source
		found, err := passage.Passages(a.passes, pair, breaks)
		if err != nil {
			return err
		}
		stays := passage.StaysOf(a.passes, found)
		if l == nil {
			a.tellPassages(pair, found, stays, vague[p.Outer]+vague[p.Inner])
			continue
		}
		for i := range found {
			r := passageJSON(pair, found, stays, i)
			if err := l.row(r, r.Outer, r.Inner, rfc(&r.Time), r.Direction, r.Why, r.Class, float(r.Speed), float(r.Length), fmt.Sprint(r.Trips)); err != nil {
				return err
			}
		}
	}
	if l == nil {
		return nil
	}
	return l.end(nil)
}

// passed is a passage as JSON.
type passed struct {
	Outer     string    `json:"outer"`
	Inner     string    `json:"inner"`
	Time      time.Time `json:"time"`
	Direction string    `json:"direction,omitempty"` // in or out; absent if it cannot be told
	Why       string    `json:"why_not,omitempty"`
	Class     string    `json:"class,omitempty"`
	Speed     *float64  `json:"speed_m_s,omitempty"`
	Length    *float64  `json:"length_m,omitempty"`
	Visit     *visit    `json:"visit,omitempty"`
	Trips     []string  `json:"trips"`
}

// visit is an arrival with its departure.
type visit struct {
	Left       time.Time `json:"left"`
	Confidence string    `json:"confidence"`
}

func passageJSON(pair passage.Pair, found []passage.Passage, stays passage.Stays, i int) passed {
	p := &found[i]
	r := passed{Outer: pair.Outer, Inner: pair.Inner, Time: p.Breaks[0].At, Why: string(p.Why), Class: p.Judgement.String(), Speed: known(p.Speed), Length: known(p.Length)}
	if p.Direction != passage.NoDirection {
		r.Direction = p.Direction.String()
	}
	for _, b := range p.Breaks {
		r.Trips = append(r.Trips, b.ID)
	}
	for _, v := range stays.Visits {
		if v.Arrival == i {
			r.Visit = &visit{found[v.Departure].Breaks[0].At, v.Confidence.String()}
		}
	}
	return r
}

func known(m passage.Measure) *float64 {
	if !m.Known() {
		return nil
	}
	v := math.Round(m.Value*10) / 10
	return &v
}

// tellPassages prints those of a pair, and who belongs together.
func (a *asking) tellPassages(pair passage.Pair, found []passage.Passage, stays passage.Stays, vague int) {
	fmt.Fprintf(a.c.out, "%s (outer) and %s (inner), %g m apart:\n", pair.Outer, pair.Inner, pair.Distance)
	for i := range found {
		p := &found[i]
		text := stamp(p.Breaks[0].At) + "  "
		if p.Direction == passage.NoDirection {
			text += "? "
		} else {
			text += fmt.Sprintf("%-3s", p.Direction)
		}
		if class := p.Judgement.String(); class != "" {
			text += "  " + class
		}
		if p.Speed.Known() {
			text += fmt.Sprintf(", %.0f km/h (%.0f to %.0f)", 3.6*p.Speed.Value, 3.6*p.Speed.Least, 3.6*p.Speed.Most)
		}
		if p.Length.Known() {
			text += fmt.Sprintf(", %.1f m long (%.1f to %.1f)", p.Length.Value, p.Length.Least, p.Length.Most)
		}
		if p.Why != passage.None {
			text += ": " + string(p.Why)
		}
		a.tell("  ", "      ", text)
	}
	if len(found) == 0 {
		fmt.Fprintln(a.c.out, "  nobody")
	}
	switch {
	case vague == 1:
		a.tell("  ", "  ", "One trip there came late or with an uncertain time: it tells no direction.")
	case vague > 1:
		a.tell("  ", "  ", fmt.Sprintf("%d trips there came late or with an uncertain time: they tell no direction.", vague))
	}
	for _, v := range stays.Visits {
		a.tell("  ", "      ", fmt.Sprintf("Came %s, left %s: stayed about %s (%s).", stamp(found[v.Arrival].Breaks[0].At), stamp(found[v.Departure].Breaks[0].At),
			found[v.Departure].Breaks[0].At.Sub(found[v.Arrival].Breaks[0].At).Round(time.Minute), v.Confidence))
	}
	for _, o := range stays.Open {
		switch at := stamp(found[o.Arrival].Breaks[0].At); {
		case len(o.Gone) == 0:
			a.tell("  ", "      ", fmt.Sprintf("Came %s and has not been seen to leave.", at))
		default:
			a.tell("  ", "      ", fmt.Sprintf("Came %s; whether he left cannot be told: %d later passages may have been his.", at, len(o.Gone)))
		}
	}
	for _, d := range stays.Doubtful {
		a.tell("  ", "      ", fmt.Sprintf("Left %s; it may have been any of %d who came.", stamp(found[d.Departure].Breaks[0].At), len(d.Arrivals)))
	}
	for _, i := range stays.Unmet {
		a.tell("  ", "      ", fmt.Sprintf("Left %s; when he came is not known.", stamp(found[i].Breaks[0].At)))
	}
	fmt.Fprintln(a.c.out)
}
