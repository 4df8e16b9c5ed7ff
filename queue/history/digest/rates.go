package digest

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"time"

	"longlane/queue/history"
)

// Filter says which trips are asked for. The zero value takes all but tests; MaxDwell 0 is no limit.
type Filter struct {
	Zones              []string // empty: all
	MinDwell, MaxDwell time.Duration
	Tests              bool // test trips as well
}

// Takes reports whether t is asked for. A trip whose dwell is not known is not, where a dwell is asked for.
func (f *Filter) Takes(t *history.Trip) bool {
	switch {
	case len(f.Zones) > 0 && !slices.Contains(f.Zones, t.Zone), t.Test && !f.Tests:
		return false
	case f.MinDwell == 0 && f.MaxDwell == 0:
		return true
	}
	return Known(t) && t.Dwell >= f.MinDwell && (f.MaxDwell == 0 || t.Dwell <= f.MaxDwell)
}

// Known reports whether t's dwell is.
func Known(t *history.Trip) bool { return t.Closed && t.Dwell >= 0 }

// Rates count trips by the hour and the weekday in which they opened, as the clock on the wall went.
type Rates struct {
	From, To time.Time
	Total    int
	Hours    [24]int
	Weekdays [7]int // by time.Weekday: Sunday first
	Findings []Finding

	leaf  time.Duration
	zones map[string]*zoneRates
}

// Finding is something that looks suspicious.
type Finding struct {
	Zone string
	From time.Time // of one that is of a certain time; zero: of the whole
	Text string
}

type zoneRates struct {
	known, short int           // trips whose dwell is known, and those of them below the leaf limit
	hours        map[int64]int // by hour since 1970
	byHour       [24]hourOfDay
}

type hourOfDay struct{ known, short int }

// NewRates begins to count, in the time zone of from. What held a contact for less than leaf is pointed out.
func NewRates(from, to time.Time, leaf time.Duration) *Rates {
	return &Rates{From: from, To: to, leaf: leaf, zones: map[string]*zoneRates{}}
}

// Add counts a trip whose time is known.
func (r *Rates) Add(t *history.Trip) {
	at := t.At.Wall.In(r.From.Location())
	r.Total++
	r.Hours[at.Hour()]++
	r.Weekdays[at.Weekday()]++
	z := r.zones[t.Zone]
	if z == nil {
		z = &zoneRates{hours: map[int64]int{}}
		r.zones[t.Zone] = z
	}
	z.hours[at.Unix()/3600]++
	if Known(t) {
		z.known++
		z.byHour[at.Hour()].known++
		if t.Dwell < r.leaf {
			z.short++
			z.byHour[at.Hour()].short++
		}
	}
}

const (
	leastShort   = 3    // shorter trips than this are chance
	leastOfHour  = 10   // trips of an hour of the day from which its share of short ones tells something
	leastInHour  = 8    // trips in one hour from which it can be a cluster
	leastDays    = 4    // days from which one can say what is usual at an hour
	clusterP     = 1e-3 // probability that one of all hours asked for looks like a cluster by chance
	mostFindings = 20
)

// Done draws the conclusions.
func (r *Rates) Done() {
	for name, z := range r.zones {
		r.leaves(name, z)
		r.clusters(name, z)
	}
	slices.SortFunc(r.Findings, func(a, b Finding) int {
		return cmp.Or(cmp.Compare(a.Zone, b.Zone), a.From.Compare(b.From), cmp.Compare(a.Text, b.Text))
	})
	if n := len(r.Findings); n > mostFindings {
		r.Findings = append(r.Findings[:mostFindings], Finding{Text: fmt.Sprintf("and %d more", n-mostFindings)})
	}
}

// leaves points out trips that were too short for a visit, and the hours of the day in which most were.
func (r *Rates) leaves(name string, z *zoneRates) {
	if z.short < leastShort {
		return
	}
	r.Findings = append(r.Findings, Finding{Zone: name, Text: fmt.Sprintf("%d of %d trips held the contact for less than %v: a leaf, an insect or a loose wire "+
		"rather than a visit; a longer minimum dwell at the node would keep them away", z.short, z.known, r.leaf)})
	for h, x := range z.byHour {
		if x.known >= leastOfHour && 2*x.short >= x.known {
			r.Findings = append(r.Findings, Finding{Zone: name, Text: fmt.Sprintf("false-alarm hour: from %02d:00 to %02d:00, %d of %d trips were that short", h, (h+1)%24, x.short, x.known)})
		}
	}
}

// clusters finds hours with more trips than the same hour of the other days makes likely. Arrivals that have nothing to do with each other are
// Poisson-distributed (NIST/SEMATECH e-Handbook of Statistical Methods, 1.3.6.6.19, from memory).
func (r *Rates) clusters(name string, z *zoneRates) {
	days := r.To.Sub(r.From).Hours() / 24
	if days < leastDays {
		return
	}
	var total [24]int
	hourOf := func(h int64) int { return time.Unix(h*3600, 0).In(r.From.Location()).Hour() }
	for h, n := range z.hours {
		total[hourOf(h)] += n
	}
	asked := 24 * days
	for h, n := range z.hours {
		if n < leastInHour {
			continue
		}
		at := time.Unix(h*3600, 0).In(r.From.Location())
		usual := float64(total[at.Hour()]-n+1) / (days - 1) // one more, since nobody knows that there are none
		if poissonTail(n, usual) < clusterP/asked {
			r.Findings = append(r.Findings, Finding{Zone: name, From: at, Text: fmt.Sprintf("%d trips from %s to %s, where %.1f are usual: a party, or something in the beam",
				n, at.Format("2006-01-02 15:04"), at.Add(time.Hour).Format("15:04"), usual)})
		}
	}
}

// poissonTail is the probability of n or more where mean, which is less, are expected; 1 if it is not less.
func poissonTail(n int, mean float64) float64 {
	if float64(n) <= mean {
		return 1
	}
	lg, _ := math.Lgamma(float64(n) + 1)
	term, sum := math.Exp(float64(n)*math.Log(mean)-mean-lg), 0.0
	for k := n; term > sum*1e-12; k++ { // each term is less than the one before
		sum += term
		term *= mean / float64(k+1)
	}
	return sum
}
