package contact_test

import (
	"context"
	"io"
	"log/slog"
	"math"
	"slices"
	"testing"
	"testing/synctest"
	"time"

	"longlane/proto"
	"longlane/radio"
	"longlane/radio/contact"
	"longlane/radio/gpio"
	"longlane/radio/lane"
	"longlane/radio/node"
	"longlane/radio/plan"
	"longlane/radio/unit"
)

// wire is a contact with its wire and, if that is supervised, its resistors, at the pins of a board.
type wire struct {
	zone       lane.Zone
	closed     bool // the contact
	cut, short bool // the wire
}

// pins are what the two pins of a board see. Without resistors a pin is active while current flows; with them a comparator holds it so
// below a limit, and a second pin between two others, as the plan gives them.
func (w wire) pins() (line, whole bool) {
	loop := plan.UsualLoop
	ohm := math.Inf(1)
	switch {
	case w.cut:
	case w.short:
		ohm = 0
	case !w.zone.Supervised && w.closed:
		ohm = 0
	case w.zone.Supervised && w.closed:
		ohm = loop.Resistor
	case w.zone.Supervised:
		ohm = 2 * loop.Resistor
	}
	if !w.zone.Supervised {
		return ohm == 0, true
	}
	share := 1.0
	if !math.IsInf(ohm, 1) {
		share = loop.Share(ohm)
	}
	short, closed, cut := loop.Limits()
	return share < closed, share > short && share < cut
}

// air takes every frame and answers none.
type air struct{}

func (air) Name() string                                        { return "air" }
func (air) Up() bool                                            { return true }
func (air) Send(context.Context, string, []byte) error          { return nil }
func (air) Run(ctx context.Context, _ func(radio.Packet)) error { <-ctx.Done(); return nil }

// heard runs a node of a wire at rest, has something befall it, and gives what the node makes of that within a minute.
func heard(t *testing.T, rest, after wire) (list []string) {
	synctest.Test(t, func(t *testing.T) {
		const line, whole = 5, 6
		active, intact := rest.pins()
		set, restore := contact.TwinPins(map[int]bool{line: active, whole: intact})
		defer restore()
		source := &contact.GPIO{Line: gpio.Options{Line: line}}
		if rest.zone.Supervised {
			source.Wire = &gpio.Options{Line: whole}
		}
		began := time.Now()
		told := make(chan string, 100)
		u, err := unit.New(unit.Options{
			Node: node.Config{Site: 4711, Node: 7, Gen: 1, Key: slices.Repeat([]byte{0x5e}, proto.KeySize), Seed: 1, Mains: true,
				Inputs: []node.InputConfig{{Number: 0, NormallyClosed: rest.zone.NormallyClosed, Supervised: source.Supervised()}}},
			Saved: node.FirstSaved(), Save: func([]byte) error { return nil }, Link: air{}, Log: slog.New(slog.NewTextHandler(io.Discard, nil)),
			Now:    func() time.Duration { return contact.Now() + time.Since(began) }, // the bubble's time goes on, the machine's does not
			Inputs: []unit.Input{{Number: 0, Source: source}},
			Observed: func(o node.Observed) {
				if o.What == node.Made && !o.Ended {
					what := o.Kind.String()
					if o.Kind == node.FaultEvent {
						what = o.Fault.String()
					}
					told <- what
				}
			}})
		if err != nil {
			t.Fatal(err)
		}
		ctx, cancel := context.WithCancel(context.Background())
		ended := make(chan error, 1)
		go func() { ended <- u.Run(ctx) }()
		<-time.After(time.Minute)
		for len(told) > 0 {
			t.Errorf("%+v at rest makes %q", rest.zone, <-told)
		}
		is, stays := after.pins()
		if is != active {
			set(line, is)
		}
		if stays != intact {
			set(whole, stays)
		}
		<-time.After(time.Minute)
		cancel()
		if err := <-ended; err != nil {
			t.Error(err)
		}
		close(told)
		for s := range told {
			list = append(list, s)
		}
	})
	slices.Sort(list)
	return list
}

// TestPlan has a node say what `longlane plan` claims of each contact: the circuit of the plan at the pins, the pins read by GPIO, the positions by a unit.
func TestPlan(t *testing.T) {
	for _, closed := range []bool{false, true} {
		for _, supervised := range []bool{false, true} {
			for _, unpowered := range lane.AllUnpowered {
				l := &lane.Lane{Name: "lane", Region: "europe", Terrain: lane.Flat(0), Sites: []lane.Site{{Name: "house", Role: lane.RoleGateway, AntennaHeight: 5, Power: lane.PowerMains},
					{Name: "gate", Role: lane.RoleGate, At: lane.Point{East: 100}, AntennaHeight: 2, Power: lane.PowerMains}},
					Zones: []lane.Zone{{Name: "gate", Site: "gate", NormallyClosed: closed, Supervised: supervised, Unpowered: unpowered}}}
				p, err := plan.Make(l, plan.Options{})
				if err != nil {
					t.Fatal(err)
				}
				c := p.Contacts[0]
				rest := wire{zone: *c.Zone, closed: closed}
				cut, short, trip, dead := rest, rest, rest, rest
				cut.cut, short.short, trip.closed, dead.closed = true, true, !closed, unpowered == lane.UnpoweredClosed
				if c.Unpowered == plan.NeedsNone {
					dead = rest
				}
				for _, x := range []struct {
					what  string
					after wire
					claim plan.Sign
				}{{"a trip", trip, plan.AsArrival}, {"a cut", cut, c.Cut}, {"a short", short, c.Short}, {"no power", dead, c.Unpowered}} {
					got := heard(t, rest, x.after)
					want, known := map[plan.Sign][]string{plan.LooksLikeRest: nil, plan.NeedsNone: nil, plan.AsArrival: {"opening"}, plan.AsFault: {"input wire"},
						plan.FaultAndArrival: {"input wire", "opening"}}[x.claim]
					if !known || !slices.Equal(got, want) {
						t.Errorf("closed at rest %v, supervised %v, %q without power: %s makes %q, the plan says %q", closed, supervised, unpowered, x.what, got, x.claim)
					}
				}
			}
		}
	}
}
