package rehearsal

import (
	"encoding/json"
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"longlane/proto"
	"longlane/radio/ether"
	"longlane/radio/lora"
)

func TestWords(t *testing.T) {
	for _, c := range []struct {
		d    time.Duration
		want string
	}{
		{0, "0 s"}, {4 * time.Millisecond, "0.004 s"}, {251 * time.Millisecond, "0.251 s"}, {9999 * time.Millisecond, "9.999 s"},
		{10420 * time.Millisecond, "10.42 s"}, {99960 * time.Millisecond, "99.96 s"}, {100 * time.Second, "1 min 40 s"},
		{59*time.Minute + 59400*time.Millisecond, "59 min 59 s"}, {time.Hour, "1 h"}, {time.Hour + 3*time.Minute, "1 h 3 min"},
		{24 * time.Hour, "1 day"}, {365*24*time.Hour + 2*time.Hour, "365 days 2 h"},
		{59*time.Minute + 59600*time.Millisecond, "1 h"}, {24*time.Hour - time.Second, "1 day"}, // rounded up into the next unit
	} {
		if got := Words(c.d); got != c.want {
			t.Errorf("Words(%v) = %q, want %q", c.d, got, c.want)
		}
	}
}

// A part is never shown as nothing, or as all, unless it is.
func TestPercent(t *testing.T) {
	for _, c := range []struct {
		part, of int
		want     string
	}{{0, 0, "-"}, {0, 7, "0.00 %"}, {7, 7, "100.00 %"}, {1, 3, "33.33 %"}, {1, 30_000, "0.003 %"}, {364_999, 365_000, "99.9997 %"},
		{1, 1_000_000, "0.0001 %"}, {999_999, 1_000_000, "99.9999 %"}} {
		if got := percent(c.part, c.of); got != c.want {
			t.Errorf("percent(%d, %d) = %q, want %q", c.part, c.of, got, c.want)
		}
	}
	for n, want := range map[int]string{0: "0", 999: "999", 1000: "1,000", 1234567: "1,234,567"} {
		if got := count(n); got != want {
			t.Errorf("count(%d) = %q, want %q", n, got, want)
		}
	}
}

// grim is a report in which everything has gone wrong that can.
func grim(t *testing.T) *Report {
	band, err := lora.Lawful("europe", lora.Default("europe"))
	if err != nil {
		t.Fatal(err)
	}
	r := &Report{Name: "the marsh", Seed: 7, Asked: 48 * time.Hour, Simulated: 26 * time.Hour, Took: time.Second, Band: band,
		Refused: map[string]int{"mac": 3, "repeat": 12, "hop": 3}}
	r.Trips = Trips{Made: 4, Delivered: 1, Dropped: 1, Waiting: 2}
	r.CheckIns.Sent, r.CheckIns.Heard = 9, 8
	r.Slowest, r.Distribution = 3*time.Hour, []Point{{1, 3 * time.Hour}}
	r.Nodes = []Node{{Name: "sluice", Frames: 70000, Airtime: 2 * time.Hour, Hour: 361 * time.Second, Limit: 360 * time.Second, Died: "its battery is empty"},
		{Name: "gateway", Frames: 2, Airtime: 143 * time.Millisecond, Hour: 72 * time.Millisecond, Limit: 360 * time.Second}}
	r.Told = Told{New: 1, Unproven: 2, Old: 5, Oldest: 11 * time.Second, NeverMade: 1}
	r.Faults = []Fault{{Code: "node-overdue", Of: "sluice", Began: 1000, First: 90 * time.Second, Last: 25*time.Hour + 59600*time.Millisecond},
		{Code: "tamper", Of: "gateway", Began: 1, First: time.Hour, Last: time.Hour, Ended: 1, LastEnded: 2 * time.Hour}}
	r.Within, r.Relays = []Within{{time.Second, 0}, {30 * time.Second, 1}}, Relays{1.5, 3}
	r.Spent = []Spent{{ether.Kind{Type: proto.TypeTripOpened, For: ether.ForEvents}, ether.Sum{Frames: 5, Airtime: time.Second}},
		{ether.Kind{Type: proto.TypeHopAck, For: ether.ForEvents}, ether.Sum{Frames: 3, Airtime: 200 * time.Millisecond}},
		{ether.Kind{Type: proto.TypeBeacon}, ether.Sum{Frames: 1000, Airtime: time.Minute}}}
	r.Events, r.Least, r.Withheld, r.Circulating = 2, 600*time.Millisecond, ether.Withheld{Busy: 7, Short: 8}, 9
	r.Losses = []Loss{{"from the gateway", "faded", 6}, {"to the gateway", "faded", 5}, {"to the gateway", "collision", 1}}
	return r
}

func TestTextOfTrouble(t *testing.T) {
	text := grim(t).Text()
	for _, want := range []string{
		"the marsh, seed 7: 1 day 2 h rehearsed in 1 s\nSTOPPED EARLY: of 2 days that were asked for",
		"\n  dropped by nodes        1   25.00 %\n",
		"\n  still held at the end   2   50.00 %\n",
		"\n  the slowest   3 h\n",
		"  sluice    70,000       2 h        361 s   360 s       100.28 %   BEYOND THE LIMIT; died: its battery is empty\n",
		"\n  stored within 1 s    0    0.00 %\n  stored within 30 s   1   25.00 %\nA trip came over 1.50 relays on the average, and over 3 at most.\n",
		"\nHow the house was told of the trips stored:\n  as new: it sounds                1   12.50 %\n  as new but unproven: it sounds   2   25.00 %\n" +
			"  as old: it does not sound        5   62.50 %\nThe oldest that sounded came 11 s after its contact had closed.\nTRIPS THAT NOBODY HAD MADE: 1\n",
		"\n  fault          of        began     first       last   ended      last\n" +
			"  node-overdue   sluice    1,000   0:01:30   25:01:00       0         -\n" +
			"  tamper         gateway       1   1:00:00    1:00:00       1   2:00:00\n",
		"\n  trip opened                       trips and faults        5       1 s            0.500 s\n",
		"\n  beacon                            finding ways        1,000      60 s               30 s\n",
		"\n  trips and faults in all                                       1.200 s            0.600 s\n",
		"\n  the least for their ways                                      0.600 s      so 2.00 times\n",
		"\n  everything, and by trips stored                               61.20 s            61.20 s\n",
		"the channel was in use: 7\n", "want of lawful airtime: 8\n", "FRAMES THAT WENT IN CIRCLES: 9\n",
		"\n  cause       to the gateway   from the gateway\n  faded                    5                  6\n  collision                1                  0\n",
		"\n  repeat   12\n  hop       3\n  mac       3\n",
	} {
		if !strings.Contains(text, want) {
			t.Errorf("the report lacks %q:\n%s", want, text)
		}
	}
	if strings.Contains(text, "half within") {
		t.Errorf("the report tells of half of one trip:\n%s", text)
	}
	for _, caution := range []string{lora.Caution, "Spain's CNAF"} {
		if n := strings.Count(strings.Join(strings.Fields(text), " "), caution); n != 1 {
			t.Errorf("%q stands %d times in the report", caution, n)
		}
	}
	for line := range strings.Lines(text) {
		if strings.TrimRight(line, " \n") != strings.TrimSuffix(line, "\n") {
			t.Errorf("blanks at the end of %q", line)
		}
	}
}

// A time has no more digits than it needs: 1.636 s, not 1.6360000000000001.
func TestSecondsInJSON(t *testing.T) {
	for d, want := range map[time.Duration]string{1636 * time.Millisecond: "1.636", 90061*time.Second + 1499: "90061.000001", 0: "0"} {
		if b, err := json.Marshal(inSeconds(d)); err != nil || string(b) != want {
			t.Errorf("%v is %s (%v), want %s", d, b, err, want)
		}
	}
}

// Whatever happened or did not, the JSON is whole: lists are lists, and no number is beyond JSON.
func TestJSONOfNothing(t *testing.T) {
	r := &Report{Band: lora.Bands("europe")[0], Refused: map[string]int{}}
	b, err := json.Marshal(r)
	if err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{`"latency":[]`, `"slowest_s":null`, `"stations":[]`, `"losses":[]`, `"refused":{}`, `"lawful":true`, `"within":[]`, `"kinds":[]`,
		`"per_event_s":null`, `"times_least":null`, `"circulating":0`,
		`"faults":[]`, `"oldest_that_sounded_s":null`} {
		if !strings.Contains(string(b), want) {
			t.Errorf("no %s in %s", want, b)
		}
	}
	if text := r.Text(); !strings.Contains(text, "No frame was lost") || !strings.Contains(text, "told of no fault") || strings.Contains(text, "NaN") {
		t.Errorf("of nothing it says\n%s", text)
	}
}

// The shares that the report tells of are those that the distribution has, by counting.
func TestLatencyByCounting(t *testing.T) {
	r := rehearse(t, meadow(6, 60), 5, 24*time.Hour)
	d := r.Distribution
	if len(d) < 3 || d[len(d)-1].Share != 1 || !slices.IsSortedFunc(d, func(a, b Point) int { return int(a.Within - b.Within) }) {
		t.Fatalf("distribution %v", d)
	}
	if math.Abs(float64(d[len(d)-1].Within-r.Slowest)) > float64(r.Slowest)/500 {
		t.Errorf("the slowest took %v, the distribution ends at %v", r.Slowest, d[len(d)-1].Within)
	}
	n := r.Trips.Delivered
	if want := 3; len(r.Latency) != want { // of 360 trips: half, 90 and 99 %
		t.Errorf("%d trips, and %d shares: %v, want %d", n, len(r.Latency), r.Latency, want)
	}
	for _, p := range r.Latency {
		within, before := 0.0, 0.0
		for _, q := range d {
			if q.Within <= p.Within {
				within = q.Share
			}
			if q.Within < p.Within {
				before = q.Share
			}
		}
		if within < p.Share || before >= p.Share {
			t.Errorf("%v %% within %v: %v are within, %v are faster", 100*p.Share, p.Within, within, before)
		}
	}
}
