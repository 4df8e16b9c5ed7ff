package planfiles

import (
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"longlane/gateway/config"
	"longlane/radio/beam"
	"longlane/radio/ether"
	"longlane/radio/lane"
	"longlane/radio/lora"
	"longlane/radio/plan"
	"longlane/radio/survey"
)

// ground is a lane on flat ground; sites and zones follow.
const ground = `
name = "lane"
region = "europe"
[terrain]
height = "100 m"
[site.house]
role = "gateway"
at = "0 m E, 0 m N"
antenna_height = "9 m"
power = "mains"
`

func site(name, role string, east, north, height float64, more string) string {
	return fmt.Sprintf("[site.%s]\nrole = %q\nat = \"%.1f m E, %.1f m N\"\nantenna_height = \"%.1f m\"\n%s\n", name, role, east, north, height, more)
}

func zone(name, at string) string { return fmt.Sprintf("[zone.%s]\nsite = %q\n", name, at) }

func planOf(t *testing.T, text string) *plan.Plan {
	t.Helper()
	return planWith(t, text, asked)
}

func planWith(t *testing.T, text string, o plan.Options) *plan.Plan {
	t.Helper()
	l, err := config.ParseLane("lane.toml", []byte(text), nil)
	if err != nil {
		t.Fatalf("%v in\n%s", err, text)
	}
	p, err := plan.Make(l, o)
	if err != nil {
		t.Fatal(err)
	}
	return p
}

// asked is nothing that a file would have anyway.
var asked = plan.Options{CheckIn: 10 * time.Minute, TripsPerHour: 10, NoiseFigure: 5, NoiseRise: 4}

func setOf(t *testing.T, p *plan.Plan) *Set {
	t.Helper()
	s, err := Of(p, Options{Dir: "/plans/lane", Lane: "/plans/lane.toml"})
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// file is what stands in a file of the set.
func (s *Set) file(t *testing.T, name string) string {
	t.Helper()
	for _, f := range s.Files {
		if f.Name == name {
			return string(f.Data)
		}
	}
	t.Fatalf("there is no %s", name)
	return ""
}

func (s *Set) names() (list []string) {
	for _, f := range s.Files {
		list = append(list, f.Name)
	}
	return list
}

func scenarioOf(t *testing.T, s *Set) ether.Scenario {
	t.Helper()
	doc, err := config.Open(scenarioFile, []byte(s.file(t, scenarioFile)))
	if err != nil {
		t.Fatal(err)
	}
	var sc ether.Scenario
	doc.Into(&sc)
	if err := doc.Err(); err != nil {
		t.Fatal(err)
	}
	return sc
}

// agree holds the files against the plan: each hop has its margin in the scenario, to a hundredth of a dB, settings and power are the plan's everywhere,
// and the walk test's ids are those of the commands' order.
func agree(t *testing.T, p *plan.Plan, s *Set) {
	t.Helper()
	cfg, err := config.Parse(gatewayFile, []byte(s.file(t, gatewayFile)))
	if err != nil {
		t.Fatal(err)
	}
	if cfg.Site != p.Lane.Name || len(cfg.Zone) != len(p.Lane.Zones) {
		t.Errorf("the gateway's file: site %q, zones %v", cfg.Site, cfg.Zone)
	}
	if p.Chosen == nil {
		return
	}
	at := func(m config.Modem, name string) {
		tx, ok := p.Chosen.Transmitter(p.Lane.Site(name))
		if !ok || m.Settings() != tx.Settings || int64(m.Frequency) != tx.Frequency || float64(m.Power) != tx.Power || m.Region != p.Lane.Region ||
			math.Abs(m.AntennaGain-m.CableLoss-tx.AntennaGain+tx.CableLoss) > 0.011 {
			t.Errorf("%s: modem %+v, the plan has %+v", name, m, tx)
		}
	}
	at(cfg.Modem[0], cfg.Gateway)
	contacts(t, p, s)
	sc := scenarioOf(t, s)
	period := config.Duration(p.Options.CheckIn)
	if cfg.Checkin.Period != period || sc.CheckIn != ether.Duration(period) {
		t.Errorf("check-ins every %v and %v, the plan has %v", cfg.Checkin.Period, sc.CheckIn, period)
	}
	if sc.Air.Fading != "rayleigh" || sc.Air.Coherence != ether.Duration(time.Second) || !sc.Air.ListenFirst {
		t.Errorf("%+v, expected the fading of the plan", sc.Air)
	}
	signals := sc.Signals()
	floor := lora.Sensitivity(p.Chosen.Settings, sc.Air.NoiseFigure)
	index := func(name string) int {
		if name == cfg.Gateway {
			return len(sc.Nodes)
		}
		return slices.IndexFunc(sc.Nodes, func(n ether.Node) bool { return n.Name == name })
	}
	stations := []*lane.Site{p.Lane.Site(cfg.Gateway)}
	for _, n := range sc.Nodes {
		stations = append(stations, p.Lane.Site(n.Name))
	}
	for _, w := range p.Ways(stations...) {
		got := signals[index(w.From.Name)][index(w.To.Name)]
		tx, _ := p.Chosen.Transmitter(w.From)
		want := tx.Power + w.From.AntennaGain - w.From.CableLoss + w.To.AntennaGain - w.To.CableLoss - w.InLeaf()
		if math.Abs(got-want) > 0.011 && !(math.IsInf(got, -1) && want < floor-19) {
			t.Errorf("%s at %s: %v dBm in the scenario, %v by the plan", w.From.Name, w.To.Name, got, want)
		}
	}
	ids := map[string]uint8{cfg.Gateway: 240}
	for i, e := range s.Enrol {
		ids[strings.Fields(e)[3]] = uint8(i + 1)
	}
	walk, err := survey.ParsePlan([]byte(s.file(t, surveyFile)))
	if err != nil {
		t.Fatal(err)
	}
	links := 0
	for _, l := range p.Links() {
		if l.Bearer != plan.LoRa {
			continue
		}
		links++
		a, b := index(l.From.Name), index(l.To.Name)
		if got := min(signals[a][b], signals[b][a]) - floor; math.Abs(got-l.Margin) > 0.011 {
			t.Errorf("%s to %s: %.3f dB in the scenario, %.3f in the plan", l.From.Name, l.To.Name, got, l.Margin)
		}
		for _, way := range [][2]string{{l.From.Name, l.To.Name}, {l.To.Name, l.From.Name}} {
			if !slices.ContainsFunc(walk.Hops, func(h survey.PlanHop) bool {
				want := signals[index(way[0])][index(way[1])] - lora.Sensitivity(p.Chosen.Settings, p.Options.NoiseFigure+p.Options.NoiseRise) - 1.59
				return h.From == ids[way[0]] && h.To == ids[way[1]] && math.Abs(*h.Margin-want) < 0.07
			}) {
				t.Errorf("%v: not in %+v", way, walk.Hops)
			}
		}
	}
	if len(walk.Hops) != 2*links {
		t.Errorf("%d hops for the walk test, expected %d", len(walk.Hops), 2*links)
	}
	for _, n := range sc.Nodes {
		c, err := config.ParseNode("", []byte(s.file(t, "node-"+n.Name+".toml")))
		if err != nil {
			t.Fatal(err)
		}
		at(*c.Modem, n.Name)
		if c.Checkin.Period != period {
			t.Errorf("%s: check-ins every %v", n.Name, c.Checkin.Period)
		}
		if c.Relay != n.Relay || len(c.Input) != len(n.Inputs) || (c.Supply == "mains") != n.Mains {
			t.Errorf("%s: %+v is simulated as %+v", n.Name, c, n)
		}
		for i, in := range c.Input {
			if sim := n.Inputs[i]; in.Number != int(sim.Number) || in.MinDwell != config.Duration(sim.MinDwell) || in.Debounce != config.Duration(sim.Debounce) {
				t.Errorf("%s: input %+v is simulated as %+v", n.Name, in, sim)
			}
		}
	}
}

// TestEveryRegion: in each region the files of a lane with unlike antennas agree with the plan, and every program takes them (Of reads them back).
func TestEveryRegion(t *testing.T) {
	for _, region := range lora.Regions() {
		t.Run(region, func(t *testing.T) {
			p := planOf(t, strings.Replace(ground, "europe", region, 1)+
				site("gate", "gate", 900, 0, 2.5, "power = \"solar\"\nantenna_gain = \"12 dBi\"\ncable_loss = \"1.5 dB\"")+
				site("grid", "gate", 300, 100, 2, "power = \"battery\"\nantenna_gain = \"-3 dBi\"")+zone("gate", "gate")+zone("grid", "grid"))
			if !p.Met || p.Chosen == nil {
				t.Fatalf("not met: %v", p.Advice)
			}
			agree(t, p, setOf(t, p))
		})
	}
}

// TestGreatAntenna: one antenna may be so good that its modem must send with less. The simulator, whose rules know one gain for all, takes such a lane too.
func TestGreatAntenna(t *testing.T) {
	for _, region := range lora.Regions() {
		p := planOf(t, strings.Replace(ground, "europe", region, 1)+
			site("far", "gate", 1500, 0, 2.5, "power = \"solar\"\nantenna_gain = \"24 dBi\"")+zone("far", "far")+
			site("near", "gate", 300, 100, 2, "power = \"battery\"")+zone("near", "near"))
		far, _ := p.Chosen.Transmitter(p.Lane.Site("far"))
		near, _ := p.Chosen.Transmitter(p.Lane.Site("near"))
		if region == "europe" && far.Power >= near.Power {
			t.Errorf("%v dBm by the good antenna, %v by the other: nothing is tried", far.Power, near.Power)
		}
		agree(t, p, setOf(t, p))
	}
}

// TestDrawnLanes: lanes that are drawn at random, with relays, zones that share a site and sites of every power. Each that keeps the goal has files that agree with its plan.
func TestDrawnLanes(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 2))
	powers := []string{"mains", "solar", "battery"}
	seen := map[string]int{}
	for i := range 30 {
		text := ground
		relays := 1 + r.IntN(4)
		for k := range relays { // hills between the relays, that most gates do not see the house over
			text += fmt.Sprintf("[[terrain.hill]]\nat = \"%d m E, 0 m N\"\nheight = \"%.1f m\"\nradius = \"500 m\"\n", 1000*k+500, 10+50*r.Float64())
		}
		for k := range relays {
			role := []string{"relay", "candidate"}[r.IntN(2)]
			if k == 0 && i%5 == 0 {
				role = "relay"
			}
			text += site(fmt.Sprintf("r%d", k), role, float64(k+1)*1000, 100*r.Float64()-50, 5+9*r.Float64(),
				fmt.Sprintf("power = %q\nantenna_gain = \"%.1f dBi\"", powers[r.IntN(2)], 8*r.Float64()))
		}
		for k := range 1 + r.IntN(3) {
			name := fmt.Sprintf("g%d", k)
			east := 1000*float64(1+r.IntN(relays)) + 300*r.Float64()
			if k == 0 && i%4 == 0 {
				east = 30
			}
			text += site(name, "gate", east, 200*r.Float64()-100, 2+2*r.Float64(), fmt.Sprintf("power = %q", powers[r.IntN(3)]))
			for z := range 1 + r.IntN(3) {
				text += zone(fmt.Sprintf("z%d-%d", k, z), name)
			}
		}
		if i%5 == 0 {
			text += zone("at-relay", "r0")
		}
		p := planOf(t, text)
		if !p.Met {
			if _, err := Of(p, Options{}); !errors.Is(err, ErrUnmet) {
				t.Errorf("an unmet plan: %v", err)
			}
			seen["unmet"]++
			continue
		}
		s, err := Of(p, Options{Dir: "/d", Lane: "/d/lane.toml"})
		if err != nil {
			t.Fatalf("%v of\n%s", err, text)
		}
		agree(t, p, s)
		seen["met"]++
		for _, z := range p.Zones {
			seen[string(z.Bearer)]++
			seen[fmt.Sprint(len(z.Hops), " hops")]++
		}
		for _, u := range s.nodes {
			seen[u.what()]++
			if len(u.zones) > 1 {
				seen["several zones"]++
			}
		}
		if t.Failed() {
			t.Fatal(text)
		}
	}
	for _, want := range []string{"met", "unmet", "lora", "1 hops", "2 hops", "3 hops", "node", "relay", "node and relay", "several zones", string(plan.WiFi)} {
		if seen[want] == 0 {
			t.Errorf("no lane was drawn with: %s (%v)", want, seen)
		}
	}
}

// TestSeveralZones: the zones of one site are inputs of one node, in the order of enrolment, and each has its trips in the scenario.
func TestSeveralZones(t *testing.T) {
	p := planOf(t, ground+site("gate", "gate", 900, 0, 2.5, `power = "solar"`)+zone("in", "gate")+zone("out", "gate")+zone("door", "gate"))
	s := setOf(t, p)
	if want := []string{"longlane enrol add gate --zone door --zone in --zone out --config /plans/lane/longlane.toml --out /plans/lane/gate.card"}; !slices.Equal(s.Enrol, want) {
		t.Errorf("%q, want %q", s.Enrol, want)
	}
	n := scenarioOf(t, s).Nodes[0]
	if len(n.Inputs) != 3 || n.Rate == nil || n.Rate.Input != 0 || n.Rate.PerHour != 10 || len(n.Trips) != 2 || n.Trips[0].Input != 1 || n.Trips[1].Input != 2 {
		t.Errorf("%+v", n)
	}
	for _, trip := range n.Trips {
		if trip.Every != ether.Duration(sixMinutes) {
			t.Errorf("%+v, want 10 an hour", trip)
		}
	}
}

const sixMinutes = 6 * time.Minute

// TestWiFi: what comes home by Wi-Fi is left out of scenario, boards and walk test, and the report says so; the gateway has a port for it.
func TestWiFi(t *testing.T) {
	near := site("door", "gate", 30, 0, 2, `power = "mains"`) + zone("door", "door")
	alone := planOf(t, ground+near)
	s := setOf(t, alone)
	if len(s.Files) != 1 || s.Files[0].Name != gatewayFile || len(s.Enrol) != 1 || len(s.Left) != 1 || !strings.Contains(s.Left[0], "door (door) comes home by Wi-Fi") {
		t.Errorf("%q, %q, %q", s.names(), s.Enrol, s.Left)
	}
	cfg, err := config.Parse(gatewayFile, s.Files[0].Data)
	if err != nil || cfg.Wifi == nil || len(cfg.Modem) != 0 {
		t.Errorf("%v, %+v", err, cfg)
	}
	both := planOf(t, ground+near+site("gate", "gate", 900, 0, 2.5, `power = "solar"`)+zone("gate", "gate"))
	s = setOf(t, both)
	if len(s.Files) != 4 || len(s.Enrol) != 2 || len(s.Left) != 1 || len(scenarioOf(t, s).Nodes) != 1 {
		t.Errorf("%q, %q, %q", s.names(), s.Enrol, s.Left)
	}
	agree(t, both, s)
	var b strings.Builder
	err = s.WriteText(&b)
	text := strings.Join(strings.Fields(b.String()), " ")
	if err != nil || !strings.Contains(text, "Left out: door") || !strings.Contains(text, "1 door 2 gate 240 the gateway") {
		t.Errorf("%v, %s", err, b.String())
	}
}

// TestNone: what has no files says why.
func TestNone(t *testing.T) {
	far := site("gate", "gate", 900, 0, 2.5, `power = "solar"`) + zone("gate", "gate")
	for _, tc := range []struct{ lane, want string }{
		{ground + zone("porch", "house"), "every zone is at the gateway"},
		{ground + site("barn", "gateway", 9000, 0, 9, `power = "mains"`) + far + site("ford", "gate", 8500, 0, 2.5, `power = "solar"`) + zone("ford", "ford"), "2 gateways (barn, house)"},
		{ground + site("gateway", "gate", 900, 0, 2.5, `power = "solar"`) + zone("gateway", "gateway"), "the modem of the gateway is called so"},
	} {
		p := planOf(t, tc.lane)
		if s, err := Of(p, Options{Dir: "/d", Lane: "/l"}); err == nil || !strings.Contains(err.Error(), tc.want) {
			t.Errorf("%v, %v; want %q", s != nil, err, tc.want)
		}
	}
}

// TestCommentedOut: what the gateway's file has only as a comment is good once the owner takes off the "#".
func TestCommentedOut(t *testing.T) {
	beams := "[[zone.gate.beam]]\nalong = \"2 m\"\nlength = \"6 m\"\nheight = \"80 cm\"\n[[zone.gate.beam]]\nalong = \"0.5 m\"\nlength = \"6 m\"\nheight = \"80 cm\"\n"
	p := planOf(t, ground+site("shop", "building", 50, 50, 4, `power = "mains"`)+site("gate", "gate", 900, 0, 2.5, `power = "solar"`)+zone("gate", "gate")+beams)
	text := setOf(t, p).file(t, gatewayFile)
	off := regexp.MustCompile(`(?m)^#(\S)`).ReplaceAllString(text, "$1")
	cfg, err := config.Parse("", []byte(off))
	if err != nil {
		t.Fatalf("%v in\n%s", err, off)
	}
	if !slices.Equal(cfg.Annunciators, []string{"shop"}) || cfg.Broker == nil || len(cfg.Pair) != 1 || cfg.Pair[0] != (config.Pair{Outer: "gate", Inner: "gate-inner", Distance: 1.5}) {
		t.Errorf("%+v", cfg)
	}
}

// TestDwell: the least dwell of a contact is that of its beams which lets most in, with a debounce below it, in the node's file and in the scenario; the gateway judges by the
// width and the movers of the plan.
func TestDwell(t *testing.T) {
	text := ground + site("gate", "gate", 900, 0, 2.5, `power = "solar"`) + zone("gate", "gate")
	for _, height := range []string{"30 cm", "70 cm"} {
		text += fmt.Sprintf("[[zone.gate.beam]]\nlength = \"6 m\"\nheight = %q\n", height)
	}
	usual := planOf(t, text)
	fast := asked
	fast.BeamWidth = 0.2
	fast.Movers = []beam.Mover{{Name: "racer", Class: beam.Vehicle, Length: beam.Range{Least: 0.8, Most: 2.5}, Usual: beam.Range{Least: 2, Most: 40}, Possible: beam.Range{Most: 60}},
		{Name: "herd", Class: beam.Walker, Length: beam.Range{Least: 1, Most: 3}, Possible: beam.Range{Most: 9}}}
	for _, p := range []*plan.Plan{usual, planWith(t, text, fast)} {
		s := setOf(t, p)
		agree(t, p, s)
		c, err := config.ParseNode("", []byte(s.file(t, "node-gate.toml")))
		if err != nil {
			t.Fatal(err)
		}
		in := c.Input[0]
		if want := min(p.Beams[0].Minimum.Set, p.Beams[1].Minimum.Set); time.Duration(in.MinDwell) != want || in.Debounce >= in.MinDwell || want == 75*time.Millisecond {
			t.Errorf("min_dwell %v, debounce %v; the plan has %v", in.MinDwell, in.Debounce, want)
		}
		cfg, err := config.Parse("", []byte(s.file(t, gatewayFile)))
		if err != nil {
			t.Fatal(err)
		}
		got, want := beam.Kinds(cfg.Passage.Movers(), cfg.Passage.BeamWidth), beam.Kinds(p.Options.Movers, p.Options.BeamWidth)
		if !slices.Equal(got, want) {
			t.Errorf("the gateway judges by %v, the plan by %v", got, want)
		}
	}
	if a, b := usual.Beams[0].Minimum.Set, usual.Beams[1].Minimum.Set; a == b {
		t.Errorf("both beams ask for %v: nothing is tried", a)
	}
}

// contacts holds each input of the nodes' files against the zone's contact in the lane file.
func contacts(t *testing.T, p *plan.Plan, s *Set) {
	t.Helper()
	inputs := map[string]int{} // by site
	for _, z := range p.Zones {
		if z.Wired || z.Bearer != plan.LoRa {
			continue
		}
		file := "node-" + z.Site.Name + ".toml"
		cfg, err := config.ParseNode(file, []byte(s.file(t, file)))
		if err != nil {
			t.Fatal(err)
		}
		i := inputs[z.Site.Name]
		inputs[z.Site.Name]++
		in := cfg.Input[i]
		if in.NormallyClosed != z.Zone.NormallyClosed || (in.Wire != nil) != z.Zone.Supervised {
			t.Errorf("%s: input %d closed at rest %v, its wire by %v; the lane file has %+v", file, i, in.NormallyClosed, in.Wire, *z.Zone)
		}
	}
}

// TestContacts: what the lane file says of contacts is what the node's file says, each zone's at its own input.
func TestContacts(t *testing.T) {
	nodes := func(more ...string) string {
		text := ground + site("gate", "gate", 900, 0, 2.5, `power = "solar"`)
		for i, m := range more {
			text += zone(fmt.Sprintf("gate-%d", i), "gate") + m
		}
		return text
	}
	for _, text := range []string{nodes(""), nodes("normally_closed = true\n", "supervised = true\n"), nodes("normally_closed = true\nsupervised = true\nunpowered = \"open\"\n", "", "supervised = true\n")} {
		p := planOf(t, text)
		contacts(t, p, setOf(t, p))
	}
}

// TestFaint: who hears another too weakly to read him is in the scenario, where fading may help and where he disturbs; who is far below that is named in a comment.
func TestFaint(t *testing.T) {
	hill := func(east, north, height float64) string { // between two of the gates, and not in sight of the house
		return fmt.Sprintf("[[terrain.hill]]\nat = \"%v m E, %v m N\"\nheight = \"%v m\"\nradius = \"300 m\"\n", east, north, height)
	}
	gate := func(name string, east, north, gain float64) string {
		return site(name, "gate", east, north, 2, fmt.Sprintf("power = \"solar\"\nantenna_gain = \"%v dBi\"", gain)) + zone(name, name)
	}
	p := planOf(t, ground+hill(1000, 0, 60)+hill(-1000, 0, 90)+gate("a", 1000, 900, -4)+gate("b", 1000, -900, -4)+gate("c", -1000, 900, -6)+gate("d", -1000, -900, -9))
	s := setOf(t, p)
	over := map[string]float64{}
	for _, pair := range scenarioOf(t, s).Pairs {
		over[strings.Join(pair.Of, " ")] = pair.RSSI - p.Chosen.Need
	}
	if m, ok := over["a b"]; !ok || m > -10 || m < -faint {
		t.Errorf("a and b: %v dB, %v; expected a pair of some 12 dB too little", m, ok)
	}
	if m, ok := over["c d"]; ok || !strings.Contains(s.file(t, scenarioFile), "can be read: c and d.") {
		t.Errorf("c and d: %v dB, %v; expected a comment", m, ok)
	}
	agree(t, p, s)
}

// TestWired: a zone at the gateway is left out by name, and the others have their files.
func TestWired(t *testing.T) {
	p := planOf(t, ground+zone("porch", "house")+site("gate", "gate", 900, 0, 2.5, `power = "solar"`)+zone("gate", "gate"))
	s := setOf(t, p)
	if len(s.Enrol) != 1 || len(s.Left) != 1 || !strings.HasPrefix(s.Left[0], "porch is where the gateway is") {
		t.Errorf("%q, %q", s.Enrol, s.Left)
	}
	agree(t, p, s)
}

// TestAnyPath: whatever letters a path has, they break neither file nor command.
func TestAnyPath(t *testing.T) {
	p := planOf(t, ground+site("gate", "gate", 900, 0, 2.5, `power = "solar"`)+zone("gate", "gate"))
	dir := "/it's \"mine\"\\\u00e9\t$(x)\n[node]\n#"
	s, err := Of(p, Options{Dir: dir, Lane: dir + "/l.toml"})
	if err == nil { // the config refuses what cannot be printed, but what it takes comes out as it went in
		cfg, _ := config.Parse("", []byte(s.file(t, gatewayFile)))
		if cfg.State != dir+"/state" {
			t.Errorf("state %q", cfg.State)
		}
	}
	s, err = Of(p, Options{Dir: "/it's \"mine\"\\\u00e9 $(x)", Lane: "/a b.toml"})
	if err != nil {
		t.Fatal(err)
	}
	cfg, err := config.Parse("", []byte(s.file(t, gatewayFile)))
	if err != nil || cfg.State != "/it's \"mine\"\\\u00e9 $(x)/state" || cfg.Lane != "/a b.toml" {
		t.Errorf("%v, %+v", err, cfg)
	}
	if want := `--config '/it'\''s "mine"\` + "\u00e9" + ` $(x)/longlane.toml'`; !strings.Contains(s.Enrol[0], want) {
		t.Errorf("%s, want %s in it", s.Enrol[0], want)
	}
	agree(t, p, s)
}
