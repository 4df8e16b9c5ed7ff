package rehearsal

import (
	"context"
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"reflect"
	"runtime/debug"
	"strconv"
	"testing"
	"time"

	"longlane/proto"
	"longlane/radio"
	"longlane/radio/ether"
	"longlane/radio/lora"
	"longlane/radio/node"
)

// TestAnyScenario: whatever scenario is accepted, an hour of it ends, without panic, with a report that adds up. Each is drawn
// from a number, which LONGLANE_SCENARIO plays alone.
func TestAnyScenario(t *testing.T) {
	first, scenarios := uint64(time.Now().UnixNano()), uint64(200)
	if raceDetector {
		scenarios = 40 // it makes each ten times as slow
	}
	if text := os.Getenv("LONGLANE_SCENARIO"); text != "" {
		number, err := strconv.ParseUint(text, 10, 64)
		if err != nil {
			t.Fatal(err)
		}
		first, scenarios = number, 1
	}
	t.Logf("scenarios from %d on", first)
	began, played, made, aired := time.Now(), 0, 0, 0
	for number := first; number < first+scenarios; number++ {
		s := anyScenario(rand.New(rand.NewPCG(number, 1)))
		if Check(s) != nil { // unlawful, or of no use: the air must bear it all the same, behind a modem
			aired += airAny(t, number, s)
			continue
		}
		played++
		made += playAny(t, number, s)
	}
	t.Logf("%d of %d were accepted, and made %d trips; %d more were aired; it took %v", played, scenarios, made, aired, time.Since(began))
	if scenarios > 1 && (uint64(played) < scenarios/8 || made == 0 || aired == 0) {
		t.Errorf("only %d of %d scenarios were accepted, and made %d trips, and %d were aired: this proves little", played, scenarios, made, aired)
	}
}

// airAny plays ten minutes of what Validate accepts in the air alone. The modem sends what it has heard, and noise.
func airAny(t *testing.T, number uint64, s ether.Scenario) int {
	t.Helper()
	for i := range s.Nodes {
		s.Nodes[i].Card = s.Nodes[i].Name
	}
	if s.Validate() != nil {
		return 0
	}
	for i := range len(s.Nodes) + 1 {
		if _, err := s.Band(i); err != nil {
			s.Air.Region = "" // then nobody judges
		}
	}
	defer func() {
		if p := recover(); p != nil {
			t.Fatalf("scenario %d: %v\n%s", number, p, debug.Stack())
		}
	}()
	_, cards, err := people(&s)
	if err != nil {
		t.Fatal(err)
	}
	e, err := ether.New(s, number, ether.Options{Card: func(name string) (node.Card, error) { return cards[name], nil }})
	if err != nil {
		t.Errorf("scenario %d passed Validate, and then: %v", number, err)
		return 0
	}
	d := dice{rand.New(rand.NewPCG(number, 2))}
	began := time.Now()
	for now := time.Duration(0); now < 10*time.Minute && time.Since(began) < time.Minute; {
		events, wake := e.Step(now)
		for _, ev := range events {
			frame := ev.Frame
			if len(frame) == 0 || d.once(3) {
				frame = make([]byte, 1+d.IntN(255))
				for i := range frame {
					frame[i] = byte(d.Uint32())
				}
			}
			if _, err := e.Transmit(now, frame); err != nil && !errors.Is(err, radio.ErrBusy) {
				t.Errorf("scenario %d: %v", number, err)
			}
		}
		now = min(wake, now+time.Duration(d.time(time.Millisecond, time.Minute))) // a process that sleeps, or wakes early
		if d.once(20) {
			now += time.Duration(d.time(time.Millisecond, time.Minute))
		}
	}
	return 1
}

func playAny(t *testing.T, number uint64, s ether.Scenario) int {
	t.Helper()
	ctx, cancel := context.WithTimeout(context.Background(), time.Minute)
	defer cancel()
	defer func() {
		if p := recover(); p != nil {
			t.Fatalf("scenario %d: %v\n%s", number, p, debug.Stack())
		}
	}()
	contacts, unplugged := map[string]int{}, false
	r, err := Run(ctx, Options{Scenario: s, Seed: number, For: time.Hour, Record: func(r ether.Record) {
		switch {
		case r.What == ether.RecordContact && *r.Active:
			contacts[r.Node]++
		case r.What == ether.RecordPlug:
			unplugged = *r.Unplugged
		case r.What == ether.RecordAnswer && unplugged:
			t.Errorf("scenario %d: the modem sends at %v s, and is unplugged", number, r.T)
		}
	}})
	if err != nil {
		t.Errorf("scenario %d passed Check, and then: %v", number, err)
		return 0
	}
	if r.Simulated != time.Hour {
		t.Errorf("scenario %d: virtual time stands at %v after a minute", number, r.Simulated)
	}
	if sum := r.Trips.Delivered + r.Trips.Dropped + r.Trips.Waiting; sum != r.Trips.Made {
		t.Errorf("scenario %d: %+v do not add up", number, r.Trips)
	}
	// One that its node had long given up may still be stored, and is told of then.
	if told := r.Told.New + r.Told.Unproven + r.Told.Old; told < r.Trips.Delivered || told > r.Trips.Delivered+r.Trips.Dropped || r.Told.NeverMade != 0 {
		t.Errorf("scenario %d: the house was told %+v of %+v", number, r.Told, r.Trips)
	}
	if r.CheckIns.Heard > r.CheckIns.Sent {
		t.Errorf("scenario %d: %+v", number, r.CheckIns)
	}
	for _, n := range r.Nodes {
		if !n.Lawful() {
			t.Errorf("scenario %d: %s sent for %v in an hour, %v are lawful", number, n.Name, n.Hour, n.Limit)
		}
	}
	for i := range s.Nodes {
		if rate := s.Nodes[i].Rate; rate != nil && len(s.Nodes[i].Trips) == 0 && float64(contacts[s.Nodes[i].Name]) > 20+2*rate.PerHour {
			t.Errorf("scenario %d: %d contacts of %s, which is to have %v an hour", number, contacts[s.Nodes[i].Name], s.Nodes[i].Name, rate.PerHour)
		}
	}
	if r.Text() == "" {
		t.Errorf("scenario %d: no report for people", number)
	}
	if _, err := r.MarshalJSON(); err != nil {
		t.Errorf("scenario %d: %v", number, err)
	}
	if number%8 == 0 {
		again, err := Run(ctx, Options{Scenario: s, Seed: number, For: time.Hour})
		if err != nil {
			t.Fatal(err)
		}
		again.Took = r.Took
		if !reflect.DeepEqual(r, again) {
			t.Errorf("scenario %d: one seed, two reports:\n%+v\n%+v", number, r, again)
		}
	}
	return r.Trips.Made
}

// dice draw scenarios: what a field may be, its limits among it, and now and then what it may not.
type dice struct{ *rand.Rand }

func (d dice) once(in int) bool { return d.IntN(in) == 0 }

func pick[T any](d dice, of ...T) T { return of[d.IntN(len(of))] }

// time is anywhere on a scale from least to most that counts in powers.
func (d dice) time(least, most time.Duration) ether.Duration {
	return ether.Duration(float64(least) * math.Pow(float64(most)/float64(least), d.Float64()))
}

func (d dice) between(low, high float64) float64 {
	if d.once(5) {
		return pick(d, low, high)
	}
	return low + (high-low)*d.Float64()
}

func (d dice) chance() float64 { return pick(d, 0, 0, d.Float64()*0.2, d.Float64(), 1) }

const tenYears = 10 * 365 * 24 * time.Hour

func anyScenario(r *rand.Rand) ether.Scenario {
	d := dice{r}
	const steps = ether.Duration(proto.PeriodUnit)
	s := ether.Scenario{Name: "any", CheckIn: pick(d, 0, d.time(time.Minute, 4*time.Hour)/steps*steps), Air: d.channel()}
	if d.once(4) {
		s.Until = d.time(time.Nanosecond, tenYears)
	}
	for i := range 1 + d.IntN(5) {
		s.Nodes = append(s.Nodes, d.node(i, &s))
	}
	if d.once(3) {
		s.Faults = ether.Faults{Lose: d.chance(), Repeat: d.chance(), Reorder: d.chance(), Delay: d.chance(), Corrupt: d.chance(),
			Forge: d.chance(), DelayMax: pick(d, 0, d.time(time.Nanosecond, time.Minute))}
	}
	for at := ether.Duration(0); d.once(2); {
		u := ether.Unplug{At: at + pick(d, 0, d.time(time.Nanosecond, time.Hour)), For: d.time(time.Nanosecond, time.Hour)}
		s.Unplugs, at = append(s.Unplugs, u), u.At+u.For
	}
	names := []string{"gateway"}
	for i := range s.Nodes {
		names = append(names, s.Nodes[i].Name)
	}
	for d.once(2) {
		s.Pairs = append(s.Pairs, ether.Pair{Of: []string{pick(d, names...), pick(d, names...)}, RSSI: d.between(-200, 0)})
	}
	for d.once(3) {
		s.Interferers = append(s.Interferers, d.interferer(names))
	}
	return s
}

func (d dice) channel() *ether.Channel {
	region := pick(d, lora.Regions()...)
	usual := lora.Default(region)
	c := new(ether.Channel)
	c.SetDefaults()
	c.Region, c.Frequency = region, float64(usual.Frequency)/1e6
	c.SpreadingFactor, c.Bandwidth, c.Power = usual.SpreadingFactor, usual.Bandwidth, usual.Power
	if d.once(2) {
		c.Region, c.Frequency = "europe", pick(d, 868.3, 869.0, 869.525, 869.85) // of 1 %, 0.1 %, 10 % and, if it is weak, all of the time
		c.SpreadingFactor, c.Bandwidth = 5+d.IntN(8), pick(d, lora.Bandwidths()...)
	}
	c.ListenFirst = !d.once(4)
	if d.once(2) {
		c.RSSIAt1km, c.Exponent = new(d.between(-130, -60)), d.between(2, 6)
	}
	if d.once(3) {
		c.Power = d.between(-30, 14)
	}
	if d.once(4) {
		c.CodingRate, c.Preamble, c.AntennaGain = 5+d.IntN(4), pick(d, 0, 1, 4, 5, 8, 100, d.IntN(65536)), d.between(-10, 10)
	}
	c.NoiseFigure, c.Shadowing, c.SteadyPart = d.between(0, 20), pick(d, 0, d.between(0, 30)), d.between(-30, 40)
	c.Fading, c.Capture = pick(d, "none", "rayleigh", "rician"), pick(d, "computed", "measured")
	c.Coherence = d.time(time.Millisecond, tenYears)
	return c
}

func (d dice) node(i int, s *ether.Scenario) ether.Node {
	n := ether.Node{Name: fmt.Sprintf("node-%d", i), Relay: d.once(3), Mains: d.once(3), DriftPPM: d.between(-200, 200)}
	if !d.once(4) {
		n.RSSI = new(d.between(-125, 0))
	}
	if s.Air.RSSIAt1km != nil && !d.once(4) {
		n.Place = []float64{d.between(-4000, 4000), d.between(-4000, 4000)}
	}
	if i > 0 && d.once(2) {
		s.Pairs = append(s.Pairs, ether.Pair{Of: []string{n.Name, s.Nodes[d.IntN(i)].Name}, RSSI: d.between(-125, 0)})
	}
	if d.once(4) {
		n.Power = new(d.between(-30, 14))
	}
	if d.once(4) {
		n.CheckIn = d.time(time.Second, 12*time.Hour)
	}
	if d.once(3) {
		n.Battery = math.Pow(10, d.between(-6, 6))
	}
	if d.once(6) {
		n.Dies = d.time(time.Nanosecond, time.Hour)
	}
	for d.once(2) {
		n.Restart = append(n.Restart, pick(d, 1, d.time(time.Nanosecond, time.Hour)))
	}
	for number := range uint8(d.IntN(4)) {
		n.Inputs = append(n.Inputs, ether.Input{Number: number * 5, NormallyClosed: d.once(2),
			Debounce: pick(d, 0, d.time(time.Millisecond, time.Second)), MinDwell: pick(d, 0, d.time(100*time.Millisecond, time.Minute))})
	}
	input := func() uint8 { return pick(d, n.Contacts()...).Number }
	for d.IntN(4) > 0 {
		at := pick(d, 0, d.time(time.Millisecond, time.Hour), n.Dies)
		n.Trips = append(n.Trips, ether.Trip{At: at, For: d.time(time.Nanosecond, tenYears), Input: input()})
	}
	if d.once(2) {
		n.Rate = &ether.Rate{PerHour: math.Pow(10, d.between(-12, 4)), DwellMin: d.time(time.Nanosecond, time.Hour), Input: input()}
		n.Rate.DwellMax = n.Rate.DwellMin + pick(d, 0, d.time(time.Nanosecond, time.Hour))
	}
	return n
}

func (d dice) interferer(names []string) ether.Interferer {
	in := ether.Interferer{Level: d.between(-150, 30), SpreadingFactor: pick(d, 0, 5+d.IntN(8)), From: pick(d, 0, d.time(time.Nanosecond, time.Hour))}
	if d.once(2) {
		in.To = in.From + d.time(time.Nanosecond, time.Hour)
	}
	if d.once(2) {
		in.Burst, in.Duty = d.time(time.Millisecond, time.Hour), pick(d, 1e-6, 1, d.between(1e-6, 1))
	}
	if d.once(3) {
		in.Level, in.At = math.Inf(-1), map[string]float64{pick(d, names...): d.between(-200, 30)}
	}
	return in
}
