package plan_test

import (
	"bytes"
	"encoding/json"
	"math"
	"slices"
	"strings"
	"testing"

	"longlane/radio/lane"
	"longlane/radio/plan"
)

// withContacts is a lane with a zone for each contact, in the order of the names.
func withContacts(t *testing.T, zones ...lane.Zone) *plan.Plan {
	t.Helper()
	l := flat(300)
	at := l.Zones[0].Site
	l.Zones = nil
	for _, z := range zones {
		z.Site = at
		l.Zones = append(l.Zones, z)
	}
	return make_(t, l, plan.Options{})
}

var someBeam = []lane.Beam{{Length: 6, Height: 0.7, Range: 60}}

// TestContacts: what is heard of each mishap, judged by hand. That a node's own code says the same is for TestPlan of radio/contact.
func TestContacts(t *testing.T) {
	const rest, arrival, fault, both, unknown = plan.LooksLikeRest, plan.AsArrival, plan.AsFault, plan.FaultAndArrival, plan.NotKnown
	for _, c := range []struct {
		zone                        lane.Zone
		cut, short, unpowered, dirt plan.Sign
		mind                        []string // none: nothing
	}{
		{lane.Zone{Name: "plain"}, rest, arrival, unknown, plan.NoBeam, []string{"plain: a cut wire or perhaps a sensor without power looks like rest", "normally_closed = true", "its maker's"}},
		{lane.Zone{Name: "open", Unpowered: "open", Beams: someBeam}, rest, arrival, rest, arrival, []string{"a cut wire or a sensor without power looks like rest", "supervised = true"}},
		{lane.Zone{Name: "odd", Unpowered: "closed"}, rest, arrival, arrival, plan.NoBeam, []string{"odd: a cut wire looks like rest"}},
		{lane.Zone{Name: "closed", NormallyClosed: true, Unpowered: "open", Beams: someBeam}, arrival, rest, arrival, arrival, []string{"a shorted wire looks like rest: put two resistors"}},
		{lane.Zone{Name: "relay-off", NormallyClosed: true, Supervised: true, Unpowered: "closed", Beams: someBeam}, both, fault, rest, arrival,
			[]string{"relay-off: a sensor without power looks like rest: take the sensor's other contact"}},
		{lane.Zone{Name: "leaf", Supervised: true, Unpowered: "none"}, fault, both, plan.NeedsNone, plan.NoBeam, nil},
		{lane.Zone{Name: "best", NormallyClosed: true, Supervised: true, Unpowered: "open", Beams: someBeam}, both, fault, arrival, arrival, nil},
	} {
		p := withContacts(t, c.zone)
		got := p.Contacts[0]
		if got.Cut != c.cut || got.Short != c.short || got.Unpowered != c.unpowered || got.Dirt != c.dirt {
			t.Errorf("%s: %+v, want %v, %v, %v, %v", c.zone.Name, got, c.cut, c.short, c.unpowered, c.dirt)
		}
		i := slices.IndexFunc(p.Warnings, func(w string) bool { return strings.Contains(w, "looks like rest") })
		if (i >= 0) != (c.mind != nil) {
			t.Errorf("%s: to be minded %q, want %q", c.zone.Name, p.Warnings, c.mind)
			continue
		}
		for _, want := range c.mind {
			if !strings.Contains(p.Warnings[i], want) {
				t.Errorf("%s: to be minded %q, want %q in it", c.zone.Name, p.Warnings[i], want)
			}
		}
	}
}

// TestContactsTold: the report and the JSON have each zone's contact, and the resistors only where there are some.
func TestContactsTold(t *testing.T) {
	for _, supervised := range []bool{false, true} {
		p := withContacts(t, lane.Zone{Name: "north", NormallyClosed: true, Supervised: supervised, Unpowered: "open", Beams: someBeam}, lane.Zone{Name: "south"})
		var text bytes.Buffer
		if err := p.WriteText(&text); err != nil {
			t.Fatal(err)
		}
		flat := strings.Join(strings.Fields(text.String()), " ")
		row := "north closed at rest, wire not supervised arrival looks like rest arrival arrival"
		if supervised {
			row = "north closed at rest, wire supervised fault and arrival fault arrival arrival"
		}
		for _, want := range []string{row, "south open at rest, wire not supervised looks like rest arrival not known no beam"} {
			if !strings.Contains(flat, want) {
				t.Errorf("supervised %v: no %q in\n%s", supervised, want, text.String())
			}
		}
		if strings.Contains(flat, "Supervised wires (north): Two resistors of 5.6 kΩ") != supervised || supervised && !strings.Contains(flat, "0.237, 0.585 and 0.844 of that supply") {
			t.Errorf("supervised %v: the resistors are told or not, wrongly, in\n%s", supervised, text.String())
		}
		data, err := json.Marshal(p)
		if err != nil {
			t.Fatal(err)
		}
		var got struct {
			Contacts []map[string]any
			Loop     map[string]float64 `json:"supervised_loop"`
		}
		if err := json.Unmarshal(data, &got); err != nil {
			t.Fatal(err)
		}
		want := map[string]any{"zone": "north", "normally_closed": true, "supervised": supervised, "unpowered": "open", "wire_cut": string(p.Contacts[0].Cut), "wire_shorted": string(p.Contacts[0].Short),
			"sensor_without_power": "arrival", "lens_dirty": "arrival"}
		if len(got.Contacts) != 2 || len(got.Contacts[0]) != len(want) {
			t.Fatalf("contacts %v, want two, the first %v", got.Contacts, want)
		}
		for k, v := range want {
			if got.Contacts[0][k] != v {
				t.Errorf("%s is %v, want %v", k, got.Contacts[0][k], v)
			}
		}
		if _, there := got.Contacts[1]["unpowered"]; there {
			t.Errorf("%v: nobody has said how it stands without power", got.Contacts[1])
		}
		if (got.Loop != nil) != supervised || supervised && got.Loop["resistor_ohm"] != 5600 {
			t.Errorf("supervised %v: loop %v", supervised, got.Loop)
		}
	}
}

// TestLoop: the shares of three resistors of 5.6 kΩ, 0.5 and 0.667, with parts 5 % off 0.475 to 0.525 and 0.644 to 0.689, and the limits half way between, 0.24, 0.585 and
// 0.844, are reckoned by hand. Whatever parts of 5 % are in it, a wire of a kilometre too, each state lies on its own side of the limits.
func TestLoop(t *testing.T) {
	l := plan.UsualLoop
	near := func(what string, got, want, by float64) {
		if !(math.Abs(got-want) <= by) {
			t.Errorf("%s is %v, want %v", what, got, want)
		}
	}
	near("closed", l.Share(5600), 0.5, 1e-12)
	near("open", l.Share(11200), 0.667, 0.0005)
	short, closed, cut := l.Limits()
	near("the limit of a short", short, 0.24, 0.005)
	near("the limit of closed", closed, 0.585, 0.0005)
	near("the limit of a cut", cut, 0.844, 0.0005)
	off := []float64{0.95, 1, 1.05}
	for _, a := range off {
		for _, b := range off {
			for _, up := range off {
				for _, wire := range []float64{0, plan.WireOhms(1000)} {
					real := plan.Loop{PullUp: up * l.PullUp}
					shut, open := real.Share(wire+a*l.Resistor), real.Share(wire+(a+b)*l.Resistor)
					if s := real.Share(wire); !(s < short && short < shut && shut < closed && closed < open && open < cut && real.Share(1e9) > cut) {
						t.Errorf("parts %v, %v, %v and %v Ω of wire: shorted %.3f, closed %.3f, open %.3f", a, b, up, wire, s, shut, open)
					}
				}
			}
		}
	}
}
