package main

import (
	"bytes"
	"context"
	"encoding/json"
	"encoding/xml"
	"fmt"
	"image/png"
	"math"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/creack/pty"

	"longlane/gateway/rehearsal"
	"longlane/radio/ether"
	"longlane/radio/lora"
)

// orchard is the scenario that stands beside the sources; a rehearsal needs no cards.
const orchard = "../../testdata/sim/hill-orchard.toml"

// reported is the JSON of a report, as somebody else would read it.
type reported struct {
	Name      string  `json:"name"`
	Seed      uint64  `json:"seed"`
	Asked     float64 `json:"asked_s"`
	Simulated float64 `json:"simulated_s"`
	Complete  bool    `json:"complete"`
	Took      float64 `json:"took_s"`
	Rule      struct {
		Region   string  `json:"region"`
		Low      int64   `json:"low_hz"`
		High     int64   `json:"high_hz"`
		Limit    float64 `json:"limit_s"`
		Text     string  `json:"text"`
		Document string  `json:"document"`
		Edition  string  `json:"edition"`
		Date     string  `json:"date"`
		Verified bool    `json:"verified"`
		Caution  string  `json:"caution"`
	} `json:"rule"`
	Trips struct {
		Made, Delivered, Dropped, Held int
	} `json:"trips"`
	CheckIns struct{ Sent, Heard int } `json:"check_ins"`
	Latency  []struct {
		Share  float64 `json:"share"`
		Within float64 `json:"within_s"`
	} `json:"latency"`
	Slowest  *float64 `json:"slowest_s"`
	Stations []struct {
		Name      string  `json:"name"`
		Frames    int     `json:"frames"`
		Airtime   float64 `json:"airtime_s"`
		WorstHour float64 `json:"worst_hour_s"`
		Limit     float64 `json:"limit_s"`
		Share     float64 `json:"share_of_limit"`
		Lawful    bool    `json:"lawful"`
		Died      string  `json:"died"`
	} `json:"stations"`
	Lawful bool `json:"lawful"`
	Losses []struct {
		Direction, Cause string
		Frames           int
	} `json:"losses"`
	Refused map[string]int `json:"refused"`
	Within  []struct {
		Within float64 `json:"within_s"`
		Trips  int     `json:"trips"`
		Share  float64 `json:"share"`
	} `json:"within"`
	Told struct {
		New       int      `json:"new"`
		Unproven  int      `json:"unproven"`
		Old       int      `json:"old"`
		Oldest    *float64 `json:"oldest_that_sounded_s"`
		NeverMade int      `json:"never_made"`
	} `json:"told"`
	Faults []struct {
		Fault     string   `json:"fault"`
		Of        string   `json:"of"`
		Began     int      `json:"began"`
		First     *float64 `json:"first_began_s"`
		Last      *float64 `json:"last_began_s"`
		Ended     int      `json:"ended"`
		LastEnded *float64 `json:"last_ended_s"`
	} `json:"faults"`
	Relays struct {
		Mean float64 `json:"mean"`
		Most int     `json:"most"`
	} `json:"relays"`
	Airtime struct {
		Events   int      `json:"events"`
		OfEvents float64  `json:"of_events_s"`
		PerEvent *float64 `json:"per_event_s"`
		Least    float64  `json:"least_s"`
		Times    *float64 `json:"times_least"`
		PerTrip  *float64 `json:"per_trip_s"`
		InAll    float64  `json:"in_all_s"`
		Kinds    []struct {
			Kind     string   `json:"kind"`
			For      string   `json:"for"`
			Frames   int      `json:"frames"`
			Airtime  float64  `json:"airtime_s"`
			PerEvent *float64 `json:"per_event_s"`
		} `json:"kinds"`
	} `json:"airtime"`
	Withheld struct {
		Busy  int `json:"channel_in_use"`
		Short int `json:"airtime_used_up"`
	} `json:"withheld"`
	Circulating int `json:"circulating"`
}

// fast runs `sim --fast` and wants it to succeed without a word on standard error.
func fast(t *testing.T, args ...string) (out string) {
	t.Helper()
	code, out, errs := cli("", append([]string{"sim", "--fast"}, args...)...)
	if code != exitDone || errs != "" {
		t.Fatalf("longlane sim --fast %q: exit code %d, %q", args, code, errs)
	}
	return out
}

func readReport(t *testing.T, text string) (r reported) {
	t.Helper()
	d := json.NewDecoder(strings.NewReader(text))
	d.DisallowUnknownFields()
	if err := d.Decode(&r); err != nil || d.More() {
		t.Fatalf("--json wrote what it does not promise: %v\n%s", err, text)
	}
	return r
}

// TestFastSameSeed: a seed decides everything but the time that it took; another seed is another day.
func TestFastSameSeed(t *testing.T) {
	t.Parallel()
	took := regexp.MustCompile(`"took_s": [0-9.e-]+|rehearsed in [^\n]+`)
	run := func(args ...string) string {
		return took.ReplaceAllString(fast(t, append(args, "--scenario", orchard, "--for", "3h")...), "")
	}
	for _, form := range [][]string{{}, {"--json"}} {
		first, again, other := run(form...), run(form...), run(append(form, "--seed", "2")...)
		if first != again {
			t.Errorf("one seed, two reports:\n%s\n%s", first, again)
		}
		if named := strings.Replace(strings.Replace(other, "seed 2", "seed 1", 1), `"seed": 2`, `"seed": 1`, 1); named == first || named == other {
			t.Errorf("two seeds, one report, or the seed is not told:\n%s", other)
		}
	}
}

// TestFastSameFigures: every line of the text says what the JSON says, and there is nothing in the JSON that the text leaves out.
func TestFastSameFigures(t *testing.T) {
	t.Parallel()
	args := []string{"--scenario", orchard, "--for", "3h", "--seed", "11"}
	r := readReport(t, fast(t, append(args, "--json")...))
	text := fast(t, args...)
	if r.Trips.Made < 5 || r.Trips.Made != r.Trips.Delivered+r.Trips.Dropped+r.Trips.Held || len(r.Losses) < 4 || len(r.Refused) < 2 || r.Slowest == nil ||
		len(r.Stations) != 5 || r.Asked != 3*3600 || !r.Complete || !r.Lawful || r.Seed != 11 || r.Rule.Limit != 360 || !r.Rule.Verified {
		t.Errorf("the report is not what was to be rehearsed: %+v", r)
	}
	want := map[string][]any{
		"Trips made": {r.Trips.Made}, "  stored by the gateway": {r.Trips.Delivered, part(r.Trips.Delivered, r.Trips.Made)},
		"  dropped by nodes": {r.Trips.Dropped, part(r.Trips.Dropped, r.Trips.Made)}, "  still held at the end": {r.Trips.Held, part(r.Trips.Held, r.Trips.Made)},
		"Check-ins sent": {r.CheckIns.Sent}, "  heard by the gateway": {r.CheckIns.Heard, part(r.CheckIns.Heard, r.CheckIns.Sent)},
		"  the slowest": {*r.Slowest},
	}
	for _, l := range r.Latency {
		name := fmt.Sprintf("  %v %% within", 100*l.Share)
		if l.Share == 0.5 {
			name = "  half within"
		}
		want[name] = []any{l.Within}
	}
	for _, s := range r.Stations {
		want["  "+s.Name] = []any{s.Frames, s.Airtime, s.WorstHour, s.Limit, percentage(100 * s.Share)}
	}
	for _, w := range r.Within {
		want[fmt.Sprintf("  stored within %v s", w.Within)] = []any{w.Trips, percentage(100 * w.Share)}
	}
	told := r.Told.New + r.Told.Unproven + r.Told.Old
	want["  as new: it sounds"] = []any{r.Told.New, part(r.Told.New, told)}
	want["  as new but unproven: it sounds"] = []any{r.Told.Unproven, part(r.Told.Unproven, told)}
	want["  as old: it does not sound"] = []any{r.Told.Old, part(r.Told.Old, told)}
	for _, f := range r.Faults {
		ended := any("-")
		if f.LastEnded != nil {
			ended = moment(*f.LastEnded)
		}
		want["  "+f.Fault+", "+f.Of] = []any{f.Began, moment(*f.First), moment(*f.Last), f.Ended, ended}
	}
	if told != r.Trips.Delivered || len(r.Faults) == 0 {
		t.Errorf("the house was told %+v, and of the faults %+v", r.Told, r.Faults)
	}
	a, total := r.Airtime, 0.0
	for _, k := range a.Kinds {
		want["  "+k.Kind+", "+k.For] = []any{k.Frames, k.Airtime, *k.PerEvent}
		total += k.Airtime
	}
	for _, s := range r.Stations {
		total -= s.Airtime
	}
	if math.Abs(total) > 1e-3 || math.Abs(*a.PerEvent-a.OfEvents/float64(a.Events)) > 1e-5 || math.Abs(*a.PerTrip-a.InAll/float64(r.Trips.Delivered)) > 1e-5 {
		t.Errorf("%v s more by kinds than by stations; %+v", total, a)
	}
	want["  trips and faults in all"] = []any{a.OfEvents, *a.PerEvent}
	want["  the least for their ways"] = []any{a.Least, fmt.Sprintf("so %.2f times", a.OfEvents/a.Least)}
	want["  everything, and by trips stored"] = []any{a.InAll, *a.PerTrip}
	for _, sentence := range []string{
		fmt.Sprintf("A trip came over %.2f relays on the average, and over %d at most.", r.Relays.Mean, r.Relays.Most),
		fmt.Sprintf("The oldest that sounded came %s after its contact had closed.", rehearsal.Words(time.Duration(*r.Told.Oldest*float64(time.Second)))),
		fmt.Sprintf("Frames that nodes did not send at once, since the channel was in use: %d", r.Withheld.Busy),
	} {
		want[sentence] = nil
	}
	frames := map[string]map[string]int{}
	for _, l := range r.Losses {
		if frames[l.Cause] == nil {
			frames[l.Cause] = map[string]int{}
		}
		frames[l.Cause][l.Direction] = l.Frames
	}
	for cause, by := range frames {
		want["  "+cause] = []any{by["to the gateway"], by["from the gateway"]}
	}
	for verdict, n := range r.Refused {
		want["  "+verdict] = []any{n}
	}
	_, figures, ok := strings.Cut(text, r.Rule.Caution[len(r.Rule.Caution)-10:]+"\n\n")
	if !ok || !strings.HasPrefix(text, "the hill orchard, seed 11: 3 h rehearsed in ") {
		t.Fatalf("no head in\n%s", text)
	}
	kinds := false // lines that only two columns together tell apart
	for line := range strings.Lines(figures) {
		name, cells := cut(line)
		kinds = name == "  frame" || name == "  fault" || kinds && name != "" && strings.HasPrefix(name, " ")
		if kinds && (len(cells) == 4 || len(cells) == 6) { // a frame has several purposes, a fault several nodes
			name, cells = name+", "+cells[0], cells[1:]
		}
		switch values, ok := want[name]; {
		case ok:
			delete(want, name)
			if !agree(cells, values) {
				t.Errorf("the text says %q, the JSON %v", line, values)
			}
		case strings.HasSuffix(name, ":"), name == "", name == "  cause", name == "  station", name == "  frame, for", name == "  fault, of": // headings
		default:
			t.Errorf("the JSON knows nothing of %q", line)
		}
	}
	if len(want) > 0 {
		t.Errorf("the text does not tell of %v:\n%s", want, text)
	}
}

type percentage float64

// moment is a time of the rehearsal, in seconds.
type moment float64

func part(n, of int) percentage { return percentage(100 * float64(n) / float64(of)) }

// cut parts a line of a table: columns stand three blanks or more apart.
func cut(line string) (name string, cells []string) {
	line = strings.TrimRight(line, "\n")
	indent := line[:len(line)-len(strings.TrimLeft(line, " "))]
	parts := regexp.MustCompile(` {3,}`).Split(strings.TrimLeft(line, " "), -1)
	return indent + parts[0], parts[1:]
}

func agree(cells []string, values []any) bool {
	return slices.EqualFunc(cells, values, func(cell string, value any) bool {
		switch v := value.(type) {
		case string:
			return cell == v
		case int:
			n, err := strconv.Atoi(strings.ReplaceAll(cell, ",", ""))
			return err == nil && n == v
		case moment:
			var h, m, s float64
			n, err := fmt.Sscanf(cell, "%f:%f:%f", &h, &m, &s)
			return err == nil && n == 3 && math.Abs(3600*h+60*m+s-float64(v)) <= 0.5
		case percentage:
			p, err := strconv.ParseFloat(strings.TrimSuffix(cell, " %"), 64)
			return err == nil && math.Abs(p-float64(v)) <= 0.00501
		case float64:
			d, err := time.ParseDuration(strings.NewReplacer(" min", "m", " ", "").Replace(cell))
			return err == nil && math.Abs(d.Seconds()-v) <= 0.001*v+0.0005
		}
		return false
	})
}

// TestFastRecord: the record is of the same day as the report, a JSON line for each thing that happened.
func TestFastRecord(t *testing.T) {
	t.Parallel()
	path := filepath.Join(t.TempDir(), "record.jsonl")
	r := readReport(t, fast(t, "--scenario", orchard, "--for", "1h", "--json", "--out", path))
	opened, lost := 0, 0
	d := json.NewDecoder(strings.NewReader(readFile(t, path)))
	for d.More() {
		var rec ether.Record
		if err := d.Decode(&rec); err != nil {
			t.Fatal(err)
		}
		if rec.What == ether.RecordMade && rec.Kind == "opening" {
			opened++
		}
		if rec.What == ether.RecordLost {
			lost++
		}
	}
	for _, l := range r.Losses {
		lost -= l.Frames
	}
	if opened != r.Trips.Made || opened == 0 || lost != 0 {
		t.Errorf("the record has %d trips, the report %d; the record has %d frames lost more than the report", opened, r.Trips.Made, lost)
	}
}

const fastHead = `name = "two gates"
checkin = "15m"
[air]
region = "europe"
frequency = 869.525
[[node]]
name = "river-gate"
rssi = -100.0
[[node]]
name = "oak-relay"
relay = true
rssi = -95.0
`

// TestFastRefused: what cannot work is refused with file, line and reason, before anything is written.
func TestFastRefused(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		what, from, to string // in fastHead
		line           int
		says           []string
	}{
		{"unknown neighbour", `rssi = -95.0`, "rssi = -95.0\n[[pair]]\nof = [\"river-gate\", \"oak-rely\"]\nrssi = -99.0", 14, []string{"pair[0].of", `"oak-rely"`, "the names of two nodes"}},
		{"too far away", `rssi = -95.0`, `rssi = -139.0`, 12, []string{"node[1].rssi", "-139 dBm", "the gateway can never read oak-relay", "relay between"}},
		{"no chain of relays", "rssi = -100.0", "[[pair]]\nof = [\"river-gate\", \"oak-relay\"]\nrssi = -130.0", 7,
			[]string{"node[0].name", "river-gate, from which no chain of relays leads to the gateway", "-124.5 dBm"}},
		{"no region", "region = \"europe\"\n", "", 3, []string{"air.region", "found nothing", `region = "europe" under [air]`, "united-states"}},
		{"no air", "[air]\nregion = \"europe\"\nfrequency = 869.525\n", "", 1, []string{"air.region", "found nothing", `region = "europe" under [air]`}},
		{"unknown region", `"europe"`, `"atlantis"`, 4, []string{`found "atlantis"`, "europe"}},
		{"no frequency", "frequency = 869.525\n", "", 3, []string{"air.frequency", "found nothing", "frequency = 869.525 under [air]"}},
		{"unlawful frequency", "869.525", "868.65", 5, []string{"air.frequency", "found unlawful in the region europe", "expected 869.525 MHz", "360 s in any hour"}},
		{"unlawful power", `rssi = -95.0`, "rssi = -95.0\npower = 36.0", 13, []string{"node[1].power", "36 dBm", "expected 27 dBm"}},
		{"too much airtime", `rssi = -100.0`, "rssi = -100.0\nrate = { per_hour = 3000.0, dwell_min = \"1s\", dwell_max = \"2s\" }", 7,
			[]string{"node[0].name", "would send for", "at most 6m0s, the limit of 869.4-869.65 MHz", "fewer trips"}},
		{"too many receipts", `rssi = -100.0`, "rssi = -100.0\nrate = { per_hour = 3000.0, dwell_min = \"1s\", dwell_max = \"2s\" }", 5, []string{"air.frequency", "a receipt for each"}},
		{"no name for a node", `"river-gate"`, `"River Gate"`, 7, []string{"node[0].name", "small letters"}},
		{"unknown key", `checkin`, `chekin`, 2, []string{`did you mean "checkin"?`}},
		{"check-ins too rare to be asked for", `"15m"`, `"1000h"`, 2, []string{"checkin", "1000h"}},
	} {
		dir := t.TempDir()
		path := filepath.Join(dir, "two-gates.toml")
		text := strings.Replace(fastHead, c.from, c.to, 1)
		if text == fastHead {
			t.Fatalf("%s: nothing was changed", c.what)
		}
		if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		code, out, errs := cli("", "sim", "--fast", "--scenario", path, "--out", filepath.Join(dir, "o"), "--chart", filepath.Join(dir, "c.svg"))
		if code != exitUsage || out != "" {
			t.Errorf("%s: exit code %d, %q, %q; want %d", c.what, code, out, errs, exitUsage)
		}
		i := slices.IndexFunc(strings.Split(errs, "\n"), func(line string) bool {
			return strings.Contains(line, fmt.Sprintf("%s:%d:", path, c.line)) &&
				!slices.ContainsFunc(c.says, func(s string) bool { return !strings.Contains(line, s) })
		})
		if i < 0 {
			t.Errorf("%s: want a line with %s:%d and %q in\n%s", c.what, path, c.line, c.says, errs)
		}
		if left, _ := filepath.Glob(filepath.Join(dir, "*")); len(left) != 1 {
			t.Errorf("%s: it was refused and wrote %q", c.what, left)
		}
	}
	if code, _, errs := cli("", "sim", "--fast", "--scenario", filepath.Join(t.TempDir(), "none.toml")); code != exitUsage || !strings.Contains(errs, "read scenario") {
		t.Errorf("no scenario: exit code %d, %q", code, errs)
	}
}

// TestFastMistakes: options that do not belong together are refused in words.
func TestFastMistakes(t *testing.T) {
	for _, c := range []struct {
		args string
		want string
	}{
		{"--fast", "give --scenario FILE"},
		{"--fast --scenario x --modem m", "--fast and --modem exclude each other"},
		{"--fast --scenario x --drain", "--drain and --memory belong to a simulation behind --modem"},
		{"--fast --scenario x --memory m", "--drain and --memory belong to a simulation behind --modem"},
		{"--fast --scenario x --out -", "give a file"},
		{"--fast --scenario x --for 3651d", "expected at most 3650d"},
		{"--scenario x --json --modem m", "--json and --chart belong to the report of --fast"},
		{"--scenario x --chart c.svg --modem m", "--json and --chart belong to the report of --fast"},
		{"--scenario x", "give --scenario FILE and --modem PATH, or --fast"},
		{"--fast --chart day.pdf --scenario " + orchard, "ends in .svg or .png"},
		{"--fast --chart /nowhere/day.png --scenario " + orchard, "/nowhere/day.png"},
	} {
		if code, _, errs := cli("", append([]string{"sim"}, strings.Fields(c.args)...)...); code != exitUsage || !strings.Contains(errs, c.want) {
			t.Errorf("longlane sim %s: exit code %d, %q; want %d and %q", c.args, code, errs, exitUsage, c.want)
		}
	}
}

func TestFastChart(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	for _, name := range []string{"day.svg", "day.png"} {
		path := filepath.Join(dir, name)
		fast(t, "--scenario", orchard, "--for", "1h", "--chart", path)
		text := readFile(t, path)
		if strings.HasSuffix(name, ".svg") {
			if err := xml.Unmarshal([]byte(text), new(any)); err != nil || !strings.Contains(text, "river-gate") || !strings.Contains(text, "the hill orchard") {
				t.Errorf("%s: %v\n%.500s", name, err, text)
			}
			continue
		}
		img, err := png.Decode(strings.NewReader(text))
		if err != nil || img.Bounds().Dx() < 500 || img.Bounds().Dy() < 500 {
			t.Errorf("%s: %v", name, err)
		}
	}
	code, _, errs := cli("", "sim", "--fast", "--scenario", orchard, "--chart", filepath.Join(dir, "third.svg"), "--out", filepath.Join(dir, "no/folder"))
	if code != exitFailed || !strings.Contains(errs, "write record") {
		t.Errorf("a record that cannot be written: exit code %d, %q", code, errs)
	}
	if left, _ := filepath.Glob(filepath.Join(dir, "*")); len(left) != 2 {
		t.Errorf("beside the two charts it left %q", left)
	}
}

// TestFastStopped: on a terminal a bar shows how far it is, and goes; Ctrl-C gives the report of the time so far.
func TestFastStopped(t *testing.T) {
	t.Parallel()
	tty, end, err := pty.Open()
	if err != nil {
		t.Fatal(err)
	}
	defer tty.Close()
	if err := pty.Setsize(end, &pty.Winsize{Rows: 24, Cols: 60}); err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	defer cancel()
	var out bytes.Buffer
	code := make(chan int, 1)
	go func() {
		code <- Main(ctx, []string{"sim", "--fast", "--scenario", orchard, "--for", "3650d", "--json"}, strings.NewReader(""), &out, end)
		end.Close()
	}()
	screen := ""
	for buffer := make([]byte, 4096); ; {
		n, err := tty.Read(buffer)
		screen += string(buffer[:n])
		if strings.Count(screen, "\r") >= 3 {
			cancel()
		}
		if err != nil {
			break
		}
	}
	if c := <-code; c != exitDone {
		t.Errorf("exit code %d", c)
	}
	r := readReport(t, out.String())
	if r.Complete || r.Asked != 3650*86400 || r.Simulated <= 0 || r.Simulated >= r.Asked || r.Trips.Made == 0 {
		t.Errorf("stopped early it reports %+v", r)
	}
	lines := strings.Split(screen, "\r")
	if bar := regexp.MustCompile(`^the hill orchard \[#*\.*\] +\d+ %, [0-9hms]+ left *$`); len(lines) < 4 || !bar.MatchString(lines[1]) || len(lines[1]) >= 60 {
		t.Errorf("the bar is %q", screen)
	}
	if last := lines[len(lines)-2]; strings.TrimSpace(last) != "" || lines[len(lines)-1] != "" || strings.Contains(screen, "\x1b") {
		t.Errorf("the bar stays, or has colour: %q", screen)
	}
}

// TestFastUnlawful: a report of more airtime than is lawful is a failure, in both forms.
func TestFastUnlawful(t *testing.T) {
	band, err := lora.Lawful("europe", lora.Default("europe"))
	if err != nil {
		t.Fatal(err)
	}
	r := &rehearsal.Report{Name: "the marsh", Band: band, Nodes: []rehearsal.Node{{Name: "sluice", Hour: 361 * time.Second, Limit: 360 * time.Second}}}
	for _, o := range []simOptions{{}, {json: true}} {
		var out bytes.Buffer
		if err := o.report(&call{out: &out}, r); err == nil || !strings.Contains(out.String(), "sluice") {
			t.Errorf("json %v: error %v, %s", o.json, err, out.String())
		}
	}
}

func TestParseDuration(t *testing.T) {
	const day = 24 * time.Hour
	for s, want := range map[string]time.Duration{"365d": 365 * day, "0d": 0, "1d12h": day + 12*time.Hour, "2d30m5s": 2*day + 30*time.Minute + 5*time.Second,
		"1h30m": 90 * time.Minute, "-5s": -5 * time.Second, "106750d": 106750 * day} {
		if got, err := parseDuration(s); err != nil || got != want {
			t.Errorf("parseDuration(%q) = %v, %v, want %v", s, got, err, want)
		}
	}
	for _, s := range []string{"d", "-1d", "1.5d", "5", "1d24h", "1d-1h", "1h1d", "1d1d", "106752d", "99999999999999999999d", "1dx", "1 d"} {
		if got, err := parseDuration(s); err == nil {
			t.Errorf("parseDuration(%q) = %v, want an error", s, got)
		}
	}
}

// TestProgressLine: whatever the terminal's width, the line fits.
func TestProgressLine(t *testing.T) {
	for width := 1; width < 200; width++ {
		p := progress{width: width, what: "the hill orchard"}
		for _, share := range []float64{0, 0.5, 1} {
			line := p.line(share, ", 1m3s left")
			if n := len(line); n >= width && n > len("100 %, 1m3s left") {
				t.Errorf("%d characters wide: %q", width, line)
			}
		}
	}
	p := progress{width: 80, what: "x"}
	if got, want := p.line(0.5, ""), "x ["+strings.Repeat("#", 20)+strings.Repeat(".", 20)+"]  50 %"; got != want {
		t.Errorf("half done: %q, want %q", got, want)
	}
}

// TestFastNowhereToWrite: a report that could not be written is no success.
func TestFastNowhereToWrite(t *testing.T) {
	t.Parallel()
	full, err := os.OpenFile("/dev/full", os.O_WRONLY, 0)
	if err != nil {
		t.Fatal(err)
	}
	defer full.Close()
	for _, args := range [][]string{{}, {"--json"}, {"--out", "/dev/full"}} {
		var errs bytes.Buffer
		out := full
		if len(args) == 2 {
			if out, err = os.Create(filepath.Join(t.TempDir(), "out")); err != nil {
				t.Fatal(err)
			}
			defer out.Close()
		}
		code := Main(context.Background(), append([]string{"sim", "--fast", "--scenario", orchard, "--for", "2h"}, args...), strings.NewReader(""), out, &errs)
		if code != exitFailed || !strings.Contains(errs.String(), "no space left") {
			t.Errorf("%q: exit code %d, %q; want %d, and why", args, code, errs.String(), exitFailed)
		}
	}
}

// TestScenarioFiles: whatever scenario stands beside the sources can be rehearsed, and those that figures are measured with are
// what they say.
func TestScenarioFiles(t *testing.T) {
	t.Parallel()
	files, err := filepath.Glob("../../testdata/sim/*.toml")
	if err != nil || len(files) < 4 {
		t.Fatalf("scenarios %q, %v", files, err)
	}
	scenarios := map[string]ether.Scenario{}
	for _, file := range files {
		doc, s, err := readScenario(file)
		if err == nil {
			err = refused(doc, rehearsal.Check(s))
		}
		if err != nil {
			t.Error(err)
		}
		scenarios[filepath.Base(file)] = s
	}

	// Four hops in a line, 10 dB of mean margin, and ten others.
	s := scenarios["long-lane.toml"]
	signal := func(from, to string) float64 {
		number := func(name string) int {
			if i := slices.IndexFunc(s.Nodes, func(n ether.Node) bool { return n.Name == name }); i >= 0 {
				return i
			}
			return len(s.Nodes) // the gateway
		}
		return s.Signals()[number(from)][number(to)]
	}
	spare := func(from, to string) float64 {
		return signal(from, to) - lora.Sensitivity(s.Transmitter(14, 0).Settings, s.Air.NoiseFigure)
	}
	line := []string{"far-gate", "relay-3", "relay-2", "relay-1", "gateway"}
	for i := range line[1:] {
		if got := spare(line[i], line[i+1]); math.Abs(got-10) > 0.02 {
			t.Errorf("%s reaches %s with a margin of %.2f dB, want 10", line[i], line[i+1], got)
		}
		if i+2 < len(line) {
			if got := spare(line[i], line[i+2]); math.Abs(got+2.04) > 0.02 {
				t.Errorf("%s reaches %s with a margin of %.2f dB, want -2.04", line[i], line[i+2], got)
			}
		}
	}
	relays, trips := 0, 0
	for _, n := range s.Nodes {
		if n.Relay {
			relays++
		}
		if n.Rate != nil || len(n.Trips) > 0 {
			trips++
		}
	}
	if relays != 3 || trips != 1 || len(s.Nodes)-trips != 10 || s.CheckIn != ether.Duration(time.Minute) || s.Air.Fading != "rayleigh" ||
		s.Air.Coherence != ether.Duration(time.Second) || s.Air.SpreadingFactor != 7 || s.Air.Bandwidth != 125000 {
		t.Errorf("the long lane has %d relays and %d other nodes, of which %d make trips: %+v", relays, len(s.Nodes)-relays, trips, s.Air)
	}

	// What the mesh bears: the signals that the heads tell, the times of what happens, and 10,000 trips each.
	for name, want := range map[string][]struct {
		from, to string
		dBm      float64
	}{
		"dying-relay.toml":  {{"far-gate", "relay-middle", -116}, {"relay-middle", "gateway", -116}, {"far-gate", "gateway", -128.1}, {"far-gate", "relay-far", -114.2}, {"relay-far", "relay-near", -116}},
		"stolen-relay.toml": {{"far-gate", "relay-north", -116.2}, {"relay-south", "gateway", -116.2}, {"relay-middle", "gateway", -116}, {"far-gate", "gateway", -128.1}},
		"outages.toml":      {{"river-gate", "gateway", -140}, {"quarry-gate", "gateway", -140}},
	} {
		s = scenarios[name]
		for _, w := range want {
			if got := signal(w.from, w.to); math.Abs(got-w.dBm) > 0.05 {
				t.Errorf("%s: %s hears %s at %.2f dBm, want %v", name, w.to, w.from, got, w.dBm)
			}
		}
		made := 0.0
		for _, n := range s.Nodes {
			if n.Rate != nil {
				made += time.Duration(s.Until).Hours() / (1/n.Rate.PerHour + time.Duration(n.Rate.DwellMin+n.Rate.DwellMax).Hours()/2)
			}
		}
		if made < 10100 { // or 10,000 would be luck
			t.Errorf("%s makes %.0f trips", name, made)
		}
	}

	// Fifty within the same second, 10,000 trips in all.
	s = scenarios["crowd.toml"]
	first, last, made := ether.Duration(math.MaxInt64), ether.Duration(0), 0
	for _, n := range s.Nodes {
		trip := n.Trips[0]
		first, last = min(first, trip.At), max(last, trip.At)
		made += 1 + int((s.Until-trip.At)/trip.Every)
		if len(n.Trips) != 1 || n.Rate != nil {
			t.Errorf("%+v", n)
		}
	}
	if len(s.Nodes) != 50 || last-first > ether.Duration(time.Second) || made != 10000 || s.Air.SpreadingFactor != 7 {
		t.Errorf("%d gates, whose contacts close within %v, %d times", len(s.Nodes), time.Duration(last-first), made)
	}
	if r := readReport(t, fast(t, "--scenario", "../../testdata/sim/crowd.toml", "--for", "20m", "--json")); r.Trips.Made != 150 || r.Trips.Delivered != 150 {
		t.Errorf("a crowd three times over: %+v, want all of 150 trips", r.Trips)
	}
}
