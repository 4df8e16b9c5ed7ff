package survey

import (
	"strings"
	"testing"

	"longlane/proto"
)

func spread(median, worst float64) *Spread { return &Spread{median, worst} }

// way is a neighbour that has those margins, there and back.
func way(id uint8, to, from *Spread) Neighbour {
	return Neighbour{ID: id, To: Direction{Frames: 20, Heard: 20, Margin: to}, From: Direction{Frames: 20, Heard: 20, Margin: from}}
}

const gw = proto.GatewayBase

// TestJudge goes round every threshold.
func TestJudge(t *testing.T) {
	noisy := way(gw, spread(22, 15), spread(21, 12))
	noisy.From.Noise = 11
	deaf := way(3, nil, spread(25, 20))
	deaf.To.Heard = 0
	quiet := way(gw, nil, spread(24, 18))
	quiet.To.Heard = 0
	for _, c := range []struct {
		what             string
		probes, answered int
		neighbours       []Neighbour
		want             Word
		weak             *Weak
		says             []string
	}{
		{"good", 20, 20, []Neighbour{way(gw, spread(24, 15), spread(26, 18))}, Mount, &Weak{gw, true, 24},
			[]string{"from here to the gateway: 24 dB", "loses 0.4 % of the frames", "reserve for wet leaves", "Of 20 probes 20 were answered."}},
		{"just good", 20, 19, []Neighbour{way(gw, spread(20, 10), spread(20, 10))}, Mount, &Weak{gw, true, 20}, nil},
		{"19 probes", 19, 19, []Neighbour{way(gw, spread(30, 25), spread(30, 25))}, Undecided, nil, []string{"Keep standing still: 19 of 20 probes."}},
		{"weak there", 20, 20, []Neighbour{way(3, spread(19.75, 12), spread(30, 25))}, Step, &Weak{3, true, 19.75}, []string{"from here to node 3: 19 dB", "20 dB are wanted"}},
		{"weak back", 20, 20, []Neighbour{way(3, spread(30, 25), spread(10, 2))}, Step, &Weak{3, false, 10}, []string{"from node 3 to here: 10 dB", "loses 9.5 %"}},
		{"too weak", 20, 20, []Neighbour{way(3, spread(30, 25), spread(9.75, 2))}, Relay, &Weak{3, false, 9.75}, []string{"from node 3 to here: 9 dB", "Below 10 dB"}},
		{"comes and goes", 20, 20, []Neighbour{way(gw, spread(24, 9.5), spread(26, 18))}, Step, &Weak{gw, true, 24}, []string{"a tenth of the frames has 9 dB or less, where 10 are wanted"}},
		{"two lost", 20, 18, []Neighbour{way(gw, spread(24, 15), spread(26, 18))}, Step, &Weak{gw, true, 24},
			[]string{"Of 20 probes 18 were answered; 19 are wanted, and at least 16.", "something else is on the air"}},
		{"four lost", 20, 16, []Neighbour{way(gw, spread(12, 5), spread(26, 18))}, Step, &Weak{gw, true, 12}, nil},
		{"five lost", 20, 15, []Neighbour{way(gw, spread(24, 15), spread(26, 18))}, Relay, &Weak{gw, true, 24}, []string{"else is on the air"}},
		{"lost beyond the relay", 20, 12, []Neighbour{way(3, spread(24, 15), spread(26, 18))}, Relay, &Weak{3, true, 24}, []string{"the weak hop lies beyond it"}},
		{"lost at a weak relay", 20, 12, []Neighbour{way(3, spread(14, 8), spread(26, 18))}, Relay, &Weak{3, true, 14}, []string{"12 were answered"}},
		{"none answered", 20, 0, []Neighbour{way(3, spread(24, 15), spread(26, 18))}, Relay, &Weak{3, true, 24}, []string{"No probe was answered", "beyond it"}},
		{"heard, and not hearing", 20, 0, []Neighbour{deaf}, Relay, nil, []string{"Node 3 is heard here, but nobody hears this place", "No probe was answered"}},
		{"the gateway does not tell", 20, 20, []Neighbour{quiet}, Mount, &Weak{gw, false, 24}, []string{"from the gateway to here: 24 dB", "The gateway does not tell how it hears this place"}},
		{"no margins", 20, 20, []Neighbour{way(gw, nil, nil)}, Step, nil, []string{"No margin is known", "300 probes"}},
		{"no margins, many probes", 300, 300, []Neighbour{way(gw, nil, nil)}, Mount, nil, []string{"No margin is known"}},
		{"no margins, one lost", 300, 299, []Neighbour{way(gw, nil, nil)}, Step, nil, nil},
		{"answered, and nobody heard", 20, 20, nil, Step, nil, []string{"No margin is known"}},
		{"noise here", 20, 20, []Neighbour{noisy}, Mount, &Weak{gw, false, 21}, []string{"This place hears 11 dB worse", "power supply"}},
		{"hopeless", 10, 0, nil, Relay, nil, []string{"Nobody was heard after 10 probes", "antenna is screwed on"}},
		{"not yet hopeless", 9, 0, nil, Undecided, nil, []string{"9 of 20"}},
		{"silent, and heard of", 10, 0, []Neighbour{deaf}, Undecided, nil, []string{"10 of 20"}},
	} {
		enough := max(20, c.probes)
		if c.want == Undecided || c.probes == Hopeless {
			enough = 20
		}
		v := Judge(Figures{Probes: c.probes, Answered: c.answered, Neighbours: c.neighbours}, enough)
		text := strings.Join(v.Reasons, "\n")
		if beyond := strings.Contains(text, "lies beyond") || strings.Contains(text, "else is on the air"); beyond != strings.Contains(strings.Join(c.says, " "), "beyond") &&
			beyond != strings.Contains(strings.Join(c.says, " "), "else is on the air") {
			t.Errorf("%s: blames what lies beyond: %v", c.what, beyond)
		}
		if v.Word != c.want {
			t.Errorf("%s: %q, want %q, since\n%s", c.what, v.Word, c.want, text)
		}
		if (v.Weak == nil) != (c.weak == nil) || v.Weak != nil && *v.Weak != *c.weak {
			t.Errorf("%s: the weak direction is %+v, want %+v", c.what, v.Weak, c.weak)
		}
		for _, s := range c.says {
			if !strings.Contains(text, s) {
				t.Errorf("%s: the reasons are\n%s\nwant %q among them", c.what, text, s)
			}
		}
		if len(v.Reasons) == 0 {
			t.Errorf("%s: no reason", c.what)
		}
	}
}

// TestThresholdsMeanWhatTheySay: what is said beside Enough and Hopeless of chance.
func TestThresholdsMeanWhatTheySay(t *testing.T) {
	power := func(x float64, n int) float64 {
		y := 1.0
		for range n {
			y *= x
		}
		return y
	}
	atMostOne := func(lost float64) float64 {
		return power(1-lost, Enough) + Enough*lost*power(1-lost, Enough-1)
	}
	if got := atMostOne(0.02); !near(got, 0.94, 0.005) {
		t.Errorf("of %d probes, 2 in 100 lost, at most one is missing in %.3f of walk tests, want 0.94", Enough, got)
	}
	if got := 1 - atMostOne(0.2); !near(got, 0.93, 0.005) {
		t.Errorf("of %d probes, 1 in 5 lost, two are missing in %.3f of walk tests, want 0.93", Enough, got)
	}
	if got := power(0.2, Hopeless); got > 1.1e-7 || got < 0.9e-7 {
		t.Errorf("where 1 in 5 is lost, %d in a row are lost with a chance of %g, want 1e-7", Hopeless, got)
	}
	if got := 1 - power(1-3./WithoutMargins, WithoutMargins); !near(got, 0.95, 0.002) {
		t.Errorf("the rule of three at %d probes: %.4f, want 0.95", WithoutMargins, got)
	}
}
