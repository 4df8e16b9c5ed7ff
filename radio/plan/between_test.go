package plan_test

import (
	"bytes"
	"encoding/json"
	"fmt"
	"math"
	"reflect"
	"strings"
	"testing"
	"time"
	"unicode/utf8"

	"longlane/radio/lane"
	"longlane/radio/plan"
)

func between(t *testing.T, l *lane.Lane, o plan.Options, from, to string) *plan.Pair {
	t.Helper()
	p, err := plan.Between(l, o, from, to)
	if err != nil {
		t.Fatalf("%s to %s: %v", from, to, err)
	}
	return p
}

// hopBy is that of a pair by the bearer and setting of a hop of a plan.
func hopBy(t *testing.T, p *plan.Pair, h *plan.Hop) *plan.OnlyHop {
	t.Helper()
	for _, x := range p.Hops {
		if x.Bearer == h.Bearer && (h.Setting == nil || x.Setting.Name() == h.Setting.Name()) {
			return x
		}
	}
	t.Fatalf("nothing by %s from %s to %s", h.Bearer, p.From.Name, p.To.Name)
	return nil
}

// TestBetweenIsThePlans: what is told of two sites is what the plan has of its hop between them, to the last digit: the budget, what is in the way, the
// availability by month, the law and its airtime; of a zone that comes home over that hop alone when its trips are heard and what margin is asked; and
// what the units at both ends need. For LoRa over one hop and several, Wi-Fi, and a bridge.
func TestBetweenIsThePlans(t *testing.T) {
	crest := walled()
	crest.Sites = append(crest.Sites, lane.Site{Name: "crest", Role: lane.RoleCandidate, At: lane.Point{East: 750}, AntennaHeight: 6, AntennaGain: lane.DipoleGain, Power: lane.PowerSolar})
	dear := plan.DefaultCosts()
	dear.Node, dear.Bridge = 1e4, 10
	seen := map[plan.Kind]int{}
	alone := 0
	for name, c := range map[string]struct {
		l *lane.Lane
		o plan.Options
	}{
		"the orchard": {orchard(t), plan.Options{}},
		"other terms": {orchard(t), plan.Options{Goal: plan.Goal{Within: 3 * time.Second, Margin: 5}, NoiseRise: 6, TripsPerHour: 30, Battery: 100, Frequency: 868.3e6}},
		"over a hill": {crest, plan.Options{Goal: plan.Goal{Margin: 15}}},
		"by Wi-Fi":    {flat(50), plan.Options{}},
		"by a bridge": {flat(150), plan.Options{Costs: dear}},
	} {
		p := make_(t, c.l, c.o)
		if !p.Met {
			t.Fatalf("%s: not met", name)
		}
		units := map[string]plan.Energy{}
		for _, e := range p.Units {
			units[e.Site.Name] = e
		}
		for _, z := range p.Zones {
			for _, h := range z.Hops {
				seen[h.Bearer]++
				x := hopBy(t, between(t, c.l, c.o, h.From.Name, h.To.Name), h)
				a, b := *h, *x.Hop
				if h.Setting != nil {
					s, v := h.Setting, x.Setting
					if s.Settings != v.Settings || s.Band != v.Band || s.Budget != v.Budget || s.Gateway != v.Gateway || s.Relay != v.Relay || s.Margin != v.Margin || s.Need != v.Need {
						t.Errorf("%s: %s is\n%+v in the plan and\n%+v between the two", name, s.Name(), s, v)
					}
				}
				if x.Way.Least != h.Way.Least || !reflect.DeepEqual(x.Blocked, h.Blocked) || x.Plants != h.Plants || x.Free != h.Free || x.Ground != h.Ground || x.Buildings != h.Buildings {
					t.Errorf("%s: %s to %s is\n%+v in the plan and\n%+v between the two", name, h.From.Name, h.To.Name, h.Way, x.Way)
				}
				a.Way, b.Way, a.Setting, b.Setting = nil, nil, nil, nil
				if !reflect.DeepEqual(a, b) {
					t.Errorf("%s: %s to %s by %s is\n%+v in the plan and\n%+v between the two", name, h.From.Name, h.To.Name, h.Bearer, a, b)
				}
				if len(z.Hops) == 1 {
					alone++
					if x.Trips != z.Heard || !x.Keeps() || x.Asked != p.Asked(&z) {
						t.Errorf("%s: %s is heard %+v, asked %v, in the plan and %+v, %v, kept %v, between the two", name, z.Zone.Name, z.Heard, p.Asked(&z), x.Trips, x.Asked, x.Keeps())
					}
				}
				for _, e := range x.Units {
					if want := units[e.Site.Name]; e != want && (len(c.l.Zones) == 1 || e.Site.Role == lane.RoleGate) { // a relay of the orchard does not carry all of its gates
						t.Errorf("%s: %s needs %+v in the plan and %+v between the two", name, e.Site.Name, want, e)
					}
				}
				gateways := 0
				for _, s := range []*lane.Site{h.From, h.To} {
					if s.Role == lane.RoleGateway {
						gateways++
					}
				}
				if len(x.Units)+gateways != 2 {
					t.Errorf("%s: %d units from %s to %s", name, len(x.Units), h.From.Name, h.To.Name)
				}
			}
		}
	}
	if seen[plan.LoRa] < 6 || seen[plan.WiFi] == 0 || seen[plan.Bridge] == 0 || alone < 4 {
		t.Errorf("hops by bearer %v, %d zones over one: some kind was not tried", seen, alone)
	}
}

// TestBetweenAddsUp: of every two sites of the orchard, the terms of each budget add up to the level, and what comes after it leaves the margin.
func TestBetweenAddsUp(t *testing.T) {
	l := orchard(t)
	for i, a := range l.Sites {
		for _, b := range l.Sites[:i] {
			p := between(t, l, plan.Options{}, a.Name, b.Name)
			if len(p.Hops) != 14 || len(p.Settings) != 18 {
				t.Errorf("%s to %s: %d hops of %d settings and Wi-Fi, want 14 of 18", a.Name, b.Name, len(p.Hops), len(p.Settings))
			}
			for _, h := range p.Hops {
				sum, level := 0.0, math.NaN()
				for _, x := range h.Terms {
					switch {
					case x.Name == "at the receiver":
						level, sum = x.Value, sum-x.Value
						if math.Abs(sum) > 1e-9 {
							t.Errorf("%s to %s by %s: the terms come to %.3f dB more than the level", a.Name, b.Name, h.Bearer, sum)
						}
						sum = level
					case math.IsNaN(level):
						sum += x.Value
					default:
						sum -= x.Value
					}
				}
				if math.Abs(sum-h.Margin) > 1e-9 || math.Abs(level-h.Level) > 1e-9 {
					t.Errorf("%s to %s by %s: the terms leave %.3f dB, the margin is %.3f", a.Name, b.Name, h.Bearer, sum, h.Margin)
				}
			}
		}
	}
}

// TestBetweenInText: every setting and both kinds of Wi-Fi have their line in each of the three tables, no line is longer than 100 characters, and what
// cannot be is told: a setting that is too slow is asked a margin that none is enough for, and nothing runs where there is nothing to run on.
func TestBetweenInText(t *testing.T) {
	l := orchard(t)
	l.Site("mill-relay").Power = lane.PowerNone
	for i, a := range l.Sites {
		for _, b := range l.Sites[:i] {
			p := between(t, l, plan.Options{Goal: plan.Goal{Within: 900 * time.Millisecond}}, a.Name, b.Name)
			var text bytes.Buffer
			if err := p.WriteText(&text); err != nil {
				t.Fatal(err)
			}
			for line := range strings.Lines(text.String()) {
				if n := utf8.RuneCountInString(strings.TrimRight(line, "\n")); n > 100 {
					t.Errorf("%s to %s: %d characters: %s", a.Name, b.Name, n, line)
				}
			}
			for _, h := range p.Hops {
				name := h.Bearer.Title()
				if h.Setting != nil {
					name = h.Setting.Name()
				}
				if n := strings.Count(text.String(), "\n    "+name+"  "); n != 3 {
					t.Errorf("%s to %s: %s stands in %d tables, want 3, in\n%s", a.Name, b.Name, name, n, text.String())
				}
				if h.Setting != nil && h.Setting.SpreadingFactor == 12 && h.Setting.Bandwidth == 125_000 && (!math.IsInf(h.Asked, 1) || h.Keeps()) {
					t.Errorf("%s is asked %v within 0.9 s", name, h.Asked)
				}
			}
			least := p.Hops[len(p.Hops)-1].Least
			for want, there := range map[string]bool{"never": true, fmt.Sprintf("least room: %.2f of the first Fresnel zone's radius, at %.0f m;", least.Share(), least.At): true, "refused: SF11, 125 kHz; SF12, 125 kHz: too slow": false, "nothing to run on there": a.Name == "mill-relay" || b.Name == "mill-relay",
				"gateway, broker and switch through 8 h": a.Role == lane.RoleGateway || b.Role == lane.RoleGateway, "lawful at 869.525 MHz by europe": true, "certified intruder": true} {
				if there && !strings.Contains(text.String(), want) || !there && want[0] != 'r' && strings.Contains(text.String(), want) {
					t.Errorf("%s to %s: %q is there or not, wrongly, in\n%s", a.Name, b.Name, want, text.String())
				}
			}
		}
	}
}

// TestBetweenByNothing: with an antenna so good that no power is lawful there is Wi-Fi alone, and where its formula does not hold, nothing: both are told, and why.
func TestBetweenByNothing(t *testing.T) {
	l := flat(500)
	l.Site("gate").AntennaGain = 30
	wooded := flat(600)
	leaf := lane.AllMonths
	wooded.Cover = []lane.Cover{{Kind: lane.Wood, Height: 15, Density: lane.Dense, Leaf: &leaf,
		Area: lane.Area{{{East: 100, North: -50}, {East: 700, North: -50}, {East: 700, North: 50}, {East: 100, North: 50}}}}}
	if _, err := plan.Between(wooded, plan.Options{}, "gate", "house"); err == nil || !strings.Contains(err.Error(), "0 to 400 m") {
		t.Errorf("through 500 m of wood: %v", err)
	}
	p := between(t, l, plan.Options{Frequency: 868.1e6}, "gate", "house")
	if len(p.Hops) != 2 || p.Hops[0].Bearer != plan.WiFi {
		t.Fatalf("%d hops", len(p.Hops))
	}
	for p.Hops = p.Hops[:2]; ; p.Hops = p.Hops[:0] {
		var text bytes.Buffer
		err := p.WriteText(&text)
		_, bad := json.Marshal(p)
		if err != nil || bad != nil || !strings.Contains(text.String(), "not lawful in europe at 868.100 MHz at any power") || strings.Contains(text.String(), " by LoRa") {
			t.Errorf("%v, %v in\n%s", err, bad, text.String())
		}
		if len(p.Hops) == 0 {
			break
		}
	}
}

// TestBetweenInJSON: for machines the figures are the same; what has no end or is none is null, and there is no number that JSON lacks: in the
// polar night, within a time that no LoRa frame keeps, at a power and a distance at which nothing is heard.
func TestBetweenInJSON(t *testing.T) {
	l := flat(9000)
	l.Origin = &lane.LatLon{Lat: 80, Lon: 20}
	l.Site("gate").Power, l.Site("gate").AntennaGain = lane.PowerSolar, -30
	p := between(t, l, plan.Options{Goal: plan.Goal{Within: 200 * time.Millisecond}}, "gate", "house")
	type bearer struct {
		Bearer  string
		Setting *struct {
			Name    string
			Allowed float64 `json:"allowed_s_per_hour"`
		}
		M      float64  `json:"margin_db"`
		B      float64  `json:"margin_bare_db"`
		Asked  *float64 `json:"asked_margin_db"`
		Keeps  bool     `json:"keeps_goal"`
		Trip   float64  `json:"trip_s"`
		Relay  *float64 `json:"relay_s_per_hour"`
		Law    string   `json:"lawful_by"`
		Within float64  `json:"in_time"`
		Half   *float64 `json:"half_after_s"`
		Most   *float64 `json:"99_percent_after_s"`
		Power  []struct {
			Site  string
			Panel *float64 `json:"panel_w"`
			Days  *float64 `json:"battery_days"`
		}
		Terms []struct{ Value float64 }
	}
	var out struct {
		From, To  string
		Length    float64 `json:"length_m"`
		Frequency float64 `json:"frequency_hz"`
		Bearers   []bearer
		Refused   []struct{ Name, Refused string }
	}
	text, err := json.Marshal(p)
	if err != nil {
		t.Fatal(err)
	}
	if err := json.Unmarshal(text, &out); err != nil {
		t.Fatal(err)
	}
	if out.From != "gate" || out.To != "house" || math.Abs(out.Length-9000) > 1 || out.Frequency != 869.525e6 || len(out.Bearers) != len(p.Hops) {
		t.Errorf("%+v", out)
	}
	for i, b := range out.Bearers {
		h := p.Hops[i]
		if b.M != h.Margin || b.B != h.Margin+h.Leaf-h.Hop.Bare || b.Keeps || b.Within != h.Trips.Within || b.Trip != h.Trip.Seconds() || len(b.Terms) != len(h.Terms) {
			t.Errorf("%+v for %+v", b, h)
		}
		if b.Half != nil || b.Most != nil || len(b.Power) != 1 || b.Power[0].Panel != nil || b.Power[0].Days == nil {
			t.Errorf("nothing is heard, and no panel is enough: %s", fmt.Sprintf("%+v", b))
		}
		wifi := h.Bearer != plan.LoRa
		if (b.Setting == nil) != wifi || (b.Relay == nil) != wifi || (b.Law == "") != wifi || (b.Asked == nil) == wifi && (wifi || h.Setting.SpreadingFactor > 8) {
			t.Errorf("%+v by %s", b, h.Bearer)
		}
	}
	if len(out.Refused) < 6 || out.Refused[0].Refused == "" {
		t.Errorf("refused: %+v", out.Refused)
	}
	good := between(t, flat(400), plan.Options{}, "gate", "house").Hops[0]
	text, err = json.Marshal(between(t, flat(400), plan.Options{}, "gate", "house"))
	if err != nil {
		t.Fatal(err)
	}
	out.Bearers = nil
	if err := json.Unmarshal(text, &out); err != nil {
		t.Fatal(err)
	}
	if b := out.Bearers[0]; b.Asked == nil || *b.Asked != good.Asked || !b.Keeps || b.Half == nil || *b.Half != good.Trips.Half.Seconds() || b.Setting.Allowed != 360 {
		t.Errorf("%+v", b)
	}
}
