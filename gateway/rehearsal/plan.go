package rehearsal

import (
	"errors"
	"fmt"
	"slices"
	"time"

	"longlane/proto"
	"longlane/radio/ether"
	"longlane/radio/lora"
	"longlane/radio/node"
	"longlane/radio/route"
)

// fadeUp is how far above its mean a fading signal is now and then, dB: one of Rayleigh's 20,000 draws.
const fadeUp = 10

// Band is the row of the rules under which the gateway sends, or an error that names the field that is in the way: a channel that
// is not lawful, a node that can never be heard, a station that would have to send more than it may.
func Band(s ether.Scenario) (lora.Band, error) {
	band, err := s.Band(len(s.Nodes))
	if err != nil {
		return band, err
	}
	w := waysOf(&s)
	var errs []error
	for i := range s.Nodes {
		errs = append(errs, w.heard(i))
		if own, err := s.Band(i); err != nil {
			errs = append(errs, err)
		} else {
			errs = append(errs, w.within(i, own))
		}
	}
	return band, errors.Join(append(errs, answered(&s, band))...)
}

// heard refuses a node from which nothing can ever come to the gateway.
func (w *ways) heard(i int) error {
	if w.way[i] != nil {
		return nil
	}
	n, sf := &w.s.Nodes[i], w.s.Air.SpreadingFactor
	if n.RSSI != nil {
		return &ether.FieldError{Path: fmt.Sprintf("node[%d].rssi", i),
			Found:    fmt.Sprintf("%v dBm, at which the gateway can never read %s, and no relay that hears it has a way there", *n.RSSI, n.Name),
			Expected: fmt.Sprintf("more than the %.1f dBm that spreading factor %d needs here, a higher spreading factor, or a relay between", w.floor, sf)}
	}
	return &ether.FieldError{Path: fmt.Sprintf("node[%d].name", i),
		Found: fmt.Sprintf("%s, from which no chain of relays leads to the gateway", n.Name),
		Expected: fmt.Sprintf("a [[pair]], places or an rssi by which the gateway hears it, or a node with relay = true: at more than the %.1f dBm that "+
			"spreading factor %d needs here, and each relay on the way at %v dB more", w.floor, sf, w.spare)}
}

// within refuses a station whose ordinary traffic alone, without one retry, takes more than it may send in an hour.
func (w *ways) within(i int, band lora.Band) error {
	budget, need := band.Budget(), w.reckoned(i)
	if need <= budget {
		return nil
	}
	return &ether.FieldError{Path: fmt.Sprintf("node[%d].name", i),
		Found: fmt.Sprintf("%s, which would send for %v in an hour, its own trips and check-ins and what it passes on", w.s.Nodes[i].Name, need.Round(100*time.Millisecond)),
		Expected: fmt.Sprintf("at most %v, the limit of %s (%v): fewer trips, rarer check-ins, a lower spreading factor, or another channel",
			budget, band.Range(), band.Source)}
}

// reckoned is a station's airtime in an hour if nothing is lost: its own frames, and of a relay its beacons and what it passes on,
// either way.
func (w *ways) reckoned(i int) time.Duration {
	need := own(w.s, &w.s.Nodes[i], 0)
	if w.s.Nodes[i].Relay {
		need += beacons(w.s)
	}
	for j, way := range w.way {
		if k := slices.Index(way, i); k >= 0 {
			need += own(w.s, &w.s.Nodes[j], k+1) + down(w.s, &w.s.Nodes[j])
		}
	}
	return need
}

// answered refuses so many nodes that the gateway's receipts alone take more than it may send in an hour.
func answered(s *ether.Scenario, band lora.Band) error {
	need := answers(s)
	if need <= band.Budget() {
		return nil
	}
	return &ether.FieldError{Path: "air.frequency",
		Found: fmt.Sprintf("a channel on which the gateway would send for %v in an hour, a receipt for each trip and check-in of all %d nodes, and beacons if there are relays",
			need.Round(100*time.Millisecond), len(s.Nodes)),
		Expected: fmt.Sprintf("at most %v, the limit of %s (%v): fewer trips, rarer check-ins, a lower spreading factor, or another channel",
			band.Budget(), band.Range(), band.Source)}
}

// answers is the gateway's airtime in an hour: its receipts, and its beacons.
func answers(s *ether.Scenario) time.Duration {
	need := beacons(s)
	for i := range s.Nodes {
		need += down(s, &s.Nodes[i])
	}
	return need
}

// own is the airtime in an hour of the frames that a node makes, as sent behind so many hops.
func own(s *ether.Scenario, n *ether.Node, hops int) time.Duration {
	sum := checkInsAnHour(s) * float64(onAir(s, proto.TypeCheckIn.Size()+hops*proto.HopSize))
	return time.Duration(sum + 2*tripsAnHour(n)*float64(onAir(s, proto.TypeTripOpened.Size()+hops*proto.HopSize)))
}

// down is the airtime in an hour of the receipts that a relay passes on to a node.
func down(s *ether.Scenario, n *ether.Node) time.Duration {
	return time.Duration((checkInsAnHour(s) + 2*tripsAnHour(n)) * float64(onAir(s, proto.TypeReceipt.Size())))
}

// beacons is the airtime in an hour of the gateway's beacons, or of a relay's, once all have found their ways.
func beacons(s *ether.Scenario) time.Duration {
	if !slices.ContainsFunc(s.Nodes, func(n ether.Node) bool { return n.Relay }) {
		return 0
	}
	every := route.Defaults(s.Transmitter(s.Air.Power, 0).Settings).Beacons.Imax()
	return time.Duration(time.Hour.Hours() / every.Hours() * float64(onAir(s, proto.TypeBeacon.Size())))
}

func onAir(s *ether.Scenario, n int) time.Duration {
	return s.Transmitter(s.Air.Power, n).Airtime(n)
}

func checkInsAnHour(s *ether.Scenario) float64 {
	return time.Hour.Hours() / node.MeanPeriod(CheckIn(s)).Hours()
}

func tripsAnHour(n *ether.Node) float64 {
	sum := 0.0
	for _, t := range n.Trips {
		if t.Every != 0 {
			sum += time.Hour.Hours() / time.Duration(t.Every).Hours()
		}
	}
	if n.Rate != nil {
		sum += n.Rate.PerHour
	}
	return sum
}
