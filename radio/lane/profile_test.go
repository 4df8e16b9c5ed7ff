package lane

import (
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"
)

func ring(coords ...float64) (r []Point) {
	for i := 0; i < len(coords); i += 2 {
		r = append(r, Point{coords[i], coords[i+1]})
	}
	return r
}

func TestCrossing(t *testing.T) {
	for name, c := range map[string]struct {
		area Area
		want string // where it may be found, or "" if it is simple
	}{
		"square":               {Area{ring(0, 0, 10, 0, 10, 10, 0, 10)}, ""},
		"triangle":             {Area{ring(0, 0, 10, 0, 0, 10)}, ""},
		"the other way round":  {Area{ring(0, 10, 10, 10, 10, 0, 0, 0)}, ""},
		"corner on a straight": {Area{ring(0, 0, 5, 0, 10, 0, 10, 10, 0, 10)}, ""},
		"bow tie":              {Area{ring(0, 0, 10, 10, 10, 0, 0, 10)}, "5.0 m E, 5.0 m N"},
		"spike":                {Area{ring(0, 0, 10, 0, 20, 0, 10, 0, 10, 10)}, "20.0 m E, 0.0 m N or 10.0 m E, 0.0 m N"},
		"touches its own edge": {Area{ring(0, 0, 10, 0, 10, 10, 5, 0, 0, 10)}, "5.0 m E, 0.0 m N"},
		"touches its corner":   {Area{ring(0, 0, 10, 0, 5, 5, 10, 10, 0, 10, 5, 5)}, "5.0 m E, 5.0 m N"},
		"there and back":       {Area{ring(0, 0, 10, 0, 5, 0)}, "10.0 m E, 0.0 m N or 5.0 m E, 0.0 m N or 0.0 m E, 0.0 m N"},
		"hole":                 {Area{ring(0, 0, 10, 0, 10, 10, 0, 10), ring(2, 2, 4, 2, 4, 4, 2, 4)}, ""},
		"hole over the edge":   {Area{ring(0, 0, 10, 0, 10, 10, 0, 10), ring(8, 2, 12, 2, 12, 4, 8, 4)}, "10.0 m E, 2.0 m N or 10.0 m E, 4.0 m N"},
	} {
		at, ok := c.area.crossing()
		got := ""
		if ok {
			got = at.String()
		}
		if (c.want == "") != !ok || !strings.Contains(c.want, got) {
			t.Errorf("%s: crossing = %q, want %q", name, got, c.want)
		}
	}
}

// TestCrossingEverywhere compares the search with a comparison of all pairs, over random polygons.
func TestCrossingEverywhere(t *testing.T) {
	const seed = 9
	rng := rand.New(rand.NewPCG(seed, 0))
	found := 0
	for range 3000 {
		n := 3 + rng.IntN(6)
		a := Area{make([]Point, n)}
		for i := range a[0] {
			a[0][i] = Point{float64(rng.IntN(60)), float64(rng.IntN(60))}
		}
		a[0] = clean(a[0])
		if n = len(a[0]); n < 3 {
			continue
		}
		want := false
		for i := range n {
			for j := range i {
				p, q, r, s := a[0][i], a[0][(i+1)%n], a[0][j], a[0][(j+1)%n]
				if (j+1)%n != i && (i+1)%n != j {
					_, x := cross(p, q, r, s)
					want = want || x
				} else {
					_, x := folded(p, q, r, s)
					want = want || x
				}
			}
		}
		_, got := a.crossing()
		if got != want {
			t.Fatalf("seed %d: crossing(%v) = %v, want %v", seed, a, got, want)
		}
		if got {
			found++
		}
	}
	if found < 500 || found > 2500 {
		t.Errorf("%d of 3000 polygons cross themselves: the test shows nothing", found)
	}
}

func TestSize(t *testing.T) {
	a := Area{ring(0, 0, 100, 0, 100, 100, 0, 100), ring(10, 10, 10, 20, 20, 20, 20, 10), ring(50, 50, 80, 50, 80, 80, 50, 80), ring(60, 60, 70, 60, 70, 70, 60, 70)}
	if got := a.Size(); math.Abs(got-(10000-100-900+100)) > 1e-9 {
		t.Errorf("Size with two holes and an island = %v, want 9100", got)
	}
}

// TestWithin compares the stretches inside an area with a walk in small steps.
func TestWithin(t *testing.T) {
	const seed = 4
	rng := rand.New(rand.NewPCG(seed, 2))
	inside := 0
	for range 400 {
		// a star is simple, and bent inwards
		center, n := Point{rng.Float64()*200 - 100, rng.Float64()*200 - 100}, 3+rng.IntN(20)
		a := Area{nil}
		for i := range n {
			sin, cos := math.Sincos(2 * math.Pi * float64(i) / float64(n))
			r := 10 + 150*rng.Float64()
			a[0] = append(a[0], Point{center.East + r*cos, center.North + r*sin})
		}
		if n > 6 {
			a = append(a, ring(center.East-3, center.North-3, center.East+3, center.North-3, center.East+3, center.North+3, center.East-3, center.North+3))
		}
		p, q := Point{-250, rng.Float64()*200 - 100}, Point{250, rng.Float64()*200 - 100}
		if rng.IntN(3) == 0 {
			p = center // starts inside, or in the hole
		}
		spans, _ := outlineOf(a).within(p, q, nil)
		if len(spans) > 0 && !a.box().meets(p, q) {
			t.Fatalf("seed %d: the box of %v does not meet %v to %v", seed, a, p, q)
		}
		const steps = 5000
		got, want := 0.0, 0.0
		for i := range steps {
			if a.contains(p.between(q, (float64(i)+0.5)/steps)) {
				want++
			}
		}
		for i, s := range spans {
			got += s[1] - s[0]
			if s[0] < 0 || s[1] > 1 || s[1] <= s[0] || i > 0 && s[0] <= spans[i-1][1] {
				t.Fatalf("seed %d: stretches %v", seed, spans)
			}
		}
		if want > 0 {
			inside++
		}
		if math.Abs(got-want/steps) > 0.002*float64(1+2*len(spans)) {
			t.Fatalf("seed %d: %v to %v is inside %v for %v of the way, by steps %v", seed, p, q, a, got, want/steps)
		}
	}
	if inside < 100 {
		t.Errorf("only %d of 400 ways lead inside", inside)
	}
}

// TestWithinThroughCorners: a way through corners, or along an edge, slips through nowhere.
func TestWithinThroughCorners(t *testing.T) {
	square := Area{ring(0, 0, 10, 0, 10, 10, 0, 10)}
	for _, c := range []struct {
		p, q Point
		want float64 // of the length
	}{
		{Point{-10, -10}, Point{20, 20}, 1.0 / 3}, {Point{20, 20}, Point{-10, -10}, 1.0 / 3}, {Point{-5, 5}, Point{5, -5}, 0}, {Point{-10, 5}, Point{20, 5}, 1.0 / 3},
		{Point{5, 5}, Point{5, 5}, 1}, {Point{20, 20}, Point{30, 30}, 0}, {Point{2, 2}, Point{8, 8}, 1}, {Point{0, -10}, Point{5, 5}, 1.0 / 3},
	} {
		spans, _ := outlineOf(square).within(c.p, c.q, nil)
		got := 0.0
		for _, s := range spans {
			got += s[1] - s[0]
		}
		if math.Abs(got-c.want) > 1e-9 {
			t.Errorf("%v to %v: %v of the way is inside (%v), want %v", c.p, c.q, got, spans, c.want)
		}
	}
}

// small is a lane with a wood half-way, on flat ground with a hill beyond.
func small() *Lane {
	ground := Flat(100)
	ground.Hills = []Hill{{At: Point{800, 0}, Height: 12, Radius: 50}}
	return &Lane{
		Sites: []Site{
			{Name: "house", Role: RoleGateway, At: Point{0, 0}, AntennaHeight: 6, AntennaGain: 2.15, Power: PowerMains},
			{Name: "gate", Role: RoleGate, At: Point{1000, 0}, AntennaHeight: 2, AntennaGain: 2.15, Power: PowerSolar},
		},
		Zones:   []Zone{{Name: "gate", Site: "gate", Beams: []Beam{{Length: 5, Height: 0.8}, {Along: 2, Length: 5, Height: 0.8}}}},
		Cover:   []Cover{{Kind: Wood, Area: Area{ring(400, -50, 500, -50, 500, 50, 400, 50)}, Height: 15, Density: Dense, Leaf: new(Months)}},
		Course:  ring(1000, 0, 0, 0),
		Terrain: ground,
	}
}

func TestProfile(t *testing.T) {
	l := small()
	if problems := l.Check(); problems != nil {
		t.Fatalf("Check = %v", problems)
	}
	var p Profile
	l.Profile(&p, &l.Sites[0], &l.Sites[1], 101)
	if p.Length != 1000 || len(p.Ground) != 101 || p.From != 106 || p.To != 102 {
		t.Errorf("Profile: length %v, %d heights, antennas at %v and %v", p.Length, len(p.Ground), p.From, p.To)
	}
	for i, h := range p.Ground {
		if want := l.Terrain.Height(Point{float64(i) * 10, 0}); math.Abs(h-want) > 1e-9 {
			t.Errorf("ground at %d m = %v, want %v", i*10, h, want)
		}
	}
	if len(p.Cover) != 1 || p.Cover[0].Cover != &l.Cover[0] || math.Abs(p.Cover[0].Start-400) > 1e-9 || math.Abs(p.Cover[0].End-500) > 1e-9 || math.Abs(p.Cover[0].Below-100) > 1e-9 {
		t.Errorf("cover = %+v, want the wood from 400 to 500 m, all of it in the way", p.Cover)
	}
	// The line falls from 6 m to 2 m above the ground: at 400 m it is at 4.4 m, at 500 m at 4. A hedge of 4.1 m stands in the way
	// of the last quarter.
	l.Cover[0].Height = 4.1
	l.Profile(&p, &l.Sites[0], &l.Sites[1], 64) // its points are none of the wood's ends
	if len(p.Cover) != 1 || math.Abs(p.Cover[0].Below-25) > 1e-6 {
		t.Errorf("cover = %+v, want 25 m below its top", p.Cover)
	}
	l.Profile(&p, &l.Sites[1], &l.Sites[0], 64)
	if math.Abs(p.Cover[0].Below-25) > 1e-6 || math.Abs(p.Cover[0].Start-500) > 1e-9 {
		t.Errorf("the other way: cover = %+v, want from 500 m, and 25 m below its top", p.Cover)
	}
	own := 103.0
	l.Sites[1].Ground = &own
	l.Profile(&p, &l.Sites[0], &l.Sites[1], 2)
	if p.To != 105 || l.Antenna(&l.Sites[1]) != 105 || p.Ground[1] != 100 {
		t.Errorf("with a ground of its own the antenna is at %v, by Antenna at %v, the ground at %v", p.To, l.Antenna(&l.Sites[1]), p.Ground[1])
	}
}

// TestCheck: each thing that cannot be, by its path and words, and nothing else with it.
func TestCheck(t *testing.T) {
	nan, inf := math.NaN(), math.Inf(1)
	low, off := 90.0, 104.0
	for name, c := range map[string]struct {
		change func(l *Lane)
		want   string
	}{
		"NaN":                 {func(l *Lane) { l.Sites[1].At.East = nan }, "site.gate.at: found NaN m E, 0.0 m N, expected a place"},
		"Inf":                 {func(l *Lane) { l.Cover[0].Area[0][2].North = inf }, "cover[0].area: found 500.0 m E, +Inf m N, expected a place"},
		"height NaN":          {func(l *Lane) { l.Sites[1].AntennaHeight = nan }, `site.gate.antenna_height: found "NaN m", expected 0 m to 100 m`},
		"below the ground":    {func(l *Lane) { l.Sites[1].AntennaHeight = -1 }, `site.gate.antenna_height: found "-1 m", expected 0 m to 100 m`},
		"gain":                {func(l *Lane) { l.Sites[1].AntennaGain = 40 }, "site.gate.antenna_gain: found 40 dBi"},
		"loss":                {func(l *Lane) { l.Sites[1].CableLoss = -1 }, "site.gate.cable_loss: found -1 dB"},
		"far":                 {func(l *Lane) { l.Sites[1].At.East = 20000 }, "site.gate.at: found a place 20 km from the origin, expected one within 10 km"},
		"two at one place":    {func(l *Lane) { l.Sites[1].At = Point{0.3, 0} }, "site.gate.at: found the place of house again (0.30 m from it)"},
		"no gateway":          {func(l *Lane) { l.Sites[0].Role = RoleRelay }, "site: found no gateway"},
		"unwatched gate":      {func(l *Lane) { l.Zones = nil }, `site.gate.role: found "gate", expected a zone that is watched from here`},
		"zone without a site": {func(l *Lane) { l.Zones[0].Site, l.Sites[1].Role = "mill", RoleRelay }, `zone.gate.site: found "mill", expected the name of a site of this file: house, gate`},
		"zone at a candidate": {func(l *Lane) { l.Sites[1].Role = RoleCandidate }, `zone.gate.site: found "gate", where nothing stands yet`},
		"beam without length": {func(l *Lane) { l.Zones[0].Beams[1].Length = 0 }, `zone.gate.beam[1].length: found "0 m", expected more than 0 m, up to 1000 m`},
		"beam twice":          {func(l *Lane) { l.Zones[0].Beams[1].Along = 0 }, `zone.gate.beam[1].along: found "0 m" again`},
		"bow tie":             {func(l *Lane) { a := l.Cover[0].Area[0]; a[1], a[2] = a[2], a[1] }, "cover[0].area: found edges that cross or touch at 450.0 m E, 0.0 m N"},
		"two corners":         {func(l *Lane) { l.Cover[0].Area[0] = ring(0, 0, 5, 5, 0, 0, 0, 0) }, "cover[0].area: found 2 corners"},
		"no area":             {func(l *Lane) { l.Cover[0].Area = nil }, "cover[0].area: found nothing"},
		"hole outside":        {func(l *Lane) { l.Cover[0].Area = append(l.Cover[0].Area, ring(600, 0, 610, 0, 610, 10)) }, "cover[0].area: found a hole at 600.0 m E, 0.0 m N, outside of it"},
		"tiny":                {func(l *Lane) { l.Cover[0].Area[0] = ring(0, 0, .1, 0, .1, .1) }, "cover[0].area: found an area of 0.005 m²"},
		"cover's name":        {func(l *Lane) { l.Cover[0].Name = "a \x1b[31mwood" }, `cover[0].name: found "a \x1b[31mwood", expected a name that can be read`},
		"cover's height":      {func(l *Lane) { l.Cover[0].Height = 0 }, `cover[0].height: found "0 m", expected more than 0 m, up to 200 m`},
		"course":              {func(l *Lane) { l.Course = ring(3, 3, 3, 3) }, "course: found a line of 1 corners"},
		"course far":          {func(l *Lane) { l.Course[1].North = nan }, "course[1]: found 0.0 m E, NaN m N"},
		"no role":             {func(l *Lane) { l.Sites[1].Role = "" }, `site.gate.role: found nothing, expected "gateway", "gate", "relay", "candidate" or "building"`},
		"power":               {func(l *Lane) { l.Sites[1].Power = "sun" }, `site.gate.power: found "sun", expected "mains"`},
		"kind":                {func(l *Lane) { l.Cover[0].Kind = "forest" }, `cover[0].kind: found "forest", expected "wood", "orchard", "hedge" or "building"`},
		"a hill as cover":     {func(l *Lane) { l.Cover[0].Kind = "hill" }, "a hill is ground: a table [[terrain.hill]]"},
		"no density":          {func(l *Lane) { l.Cover[0].Density = "" }, "cover[0].density: found nothing"},
		"no leaves told":      {func(l *Lane) { l.Cover[0].Leaf = nil }, "cover[0].in_leaf: found nothing, expected the months in leaf"},
		"walls of a wood":     {func(l *Lane) { l.Cover[0].Walls = Efficient }, `cover[0].walls: found "efficient", expected no such key`},
		"leaves of walls":     {func(l *Lane) { l.Cover[0].Kind, l.Cover[0].Walls = Building, Efficient }, "cover[0].density: found density or in_leaf"},
		"no walls":            {func(l *Lane) { l.Cover[0].Kind, l.Cover[0].Density, l.Cover[0].Leaf = Building, "", nil }, `cover[0].walls: found nothing, expected "traditional" or "efficient"`},
		"hill":                {func(l *Lane) { l.Terrain.Hills[0].Radius = 0 }, `terrain.hill[0].radius: found "0 m"`},
		"inside a hill":       {func(l *Lane) { l.Sites[1].Ground = &low }, `site.gate.ground: found "90 m", which with the antenna's 2.0 m is 92.0 m, inside a hill, expected an antenna above the ground, which is at 100.0 m here`},
		"under a hill":        {func(l *Lane) { l.Terrain.Hills[0].At.East = 1000; v := 100.0; l.Sites[1].Ground = &v }, "inside a hill"},
		"other ground":        {func(l *Lane) { l.Sites[1].Ground = &off }, `site.gate.ground: found "104 m", expected within 3 m of what the terrain has here, 100.0 m`},
		"corners": {func(l *Lane) {
			l.Cover[0].Area[0] = make([]Point, MaxCorners+2)
			for i := range l.Cover[0].Area[0] {
				l.Cover[0].Area[0][i].East = float64(i % 7)
			}
		}, "cover[0].area: found the corner 20001"},
		"outside the tile": {func(l *Lane) {
			l.Terrain = FromTiles([]*Tile{tile(t, "N44W031.hgt", 1201, func(_, _ float64) int16 { return 5 })}, NewPlane(LatLon{44.5, -30.005}))
		}, "terrain.tiles: found no tile that covers 44.4"},
		"a void": {func(l *Lane) {
			l.Terrain = FromTiles([]*Tile{tile(t, "N44W031.hgt", 1201, func(lat, lon float64) int16 {
				if math.Abs(lon+30.5+0.0033) < 2e-3 {
					return 5
				}
				return void
			})}, NewPlane(LatLon{44.5, -30.5033}))
		}, "in N44W031.hgt that are voids"},
	} {
		l := small()
		c.change(l)
		problems := l.Check()
		if len(problems) != 1 || !strings.Contains(problems[0].Error(), c.want) {
			t.Errorf("%s: Check = %v, want one problem with %q", name, problems, c.want)
		}
	}
}

func TestMonths(t *testing.T) {
	for text, want := range map[string]Months{"apr-oct": 0b1111111000, "oct-apr": 0b111000001111, "Jan - jan": 1, "always": AllMonths, "never": 0} {
		var m Months
		if err := m.UnmarshalText([]byte(text)); err != nil || m != want {
			t.Errorf("months %q = %012b, %v, want %012b", text, m, err, want)
		}
	}
	for _, text := range []string{"", "apr", "apr-", "april-october", "apr-oct-nov", "4-10"} {
		var m Months
		if m.UnmarshalText([]byte(text)) == nil {
			t.Errorf("months %q were read as %012b", text, m)
		}
	}
	if m := Months(0b1111111000); m.Has(3) || !m.Has(4) || !m.Has(10) || m.Has(11) {
		t.Error("April to October has the wrong months")
	}
}

// BenchmarkProfiles is all ways between 200 sites, of 256 points, through 300 pieces of cover.
func BenchmarkProfiles(b *testing.B) {
	for name, l := range map[string]*Lane{"flat": crowded(b, 0), "30-spots": crowded(b, 30), "tile": crowded(b, -1)} {
		b.Run(name, func(b *testing.B) {
			var p Profile
			spans := 0
			for b.Loop() {
				spans = 0
				for i := range l.Sites {
					for j := range l.Sites {
						if i != j {
							l.Profile(&p, &l.Sites[i], &l.Sites[j], 256)
							spans += len(p.Cover)
						}
					}
				}
			}
			b.ReportMetric(float64(b.Elapsed().Microseconds())/float64(b.N)/float64(len(l.Sites)*(len(l.Sites)-1)), "µs/profile")
			b.ReportMetric(float64(spans)/float64(len(l.Sites)*(len(l.Sites)-1)), "spans/profile")
		})
	}
}

// crowded is on ground of so many spots; 0: flat; below 0: of a tile.
func crowded(b *testing.B, spots int) *Lane {
	rng := rand.New(rand.NewPCG(6, 6))
	l := &Lane{Terrain: Flat(100)}
	for i := range 200 {
		l.Sites = append(l.Sites, Site{Name: fmt.Sprint(i), Role: RoleGateway, At: Point{rng.Float64() * 2000, rng.Float64() * 2000}, AntennaHeight: 3, Power: PowerMains})
	}
	for range 300 {
		c, a := Point{rng.Float64() * 2000, rng.Float64() * 2000}, Area{nil}
		for i := range 12 {
			sin, cos := math.Sincos(2 * math.Pi * float64(i) / 12)
			r := 10 + 30*rng.Float64()
			a[0] = append(a[0], Point{c.East + r*cos, c.North + r*sin})
		}
		l.Cover = append(l.Cover, Cover{Kind: Wood, Area: a, Height: 12, Density: Dense, Leaf: new(Months)})
	}
	if spots < 0 {
		l.Terrain = FromTiles([]*Tile{tile(b, "N44W031.hgt", 3601, func(_, _ float64) int16 { return 100 })}, NewPlane(LatLon{44.5, -30.5}))
	}
	if spots > 0 {
		var list []Spot
		for range spots {
			list = append(list, Spot{Point{rng.Float64() * 2000, rng.Float64() * 2000}, 100 + 20*rng.Float64()})
		}
		var err error
		if l.Terrain, err = FromSpots(list); err != nil {
			b.Fatal(err)
		}
	}
	if problems := l.Check(); problems != nil {
		b.Fatal(problems)
	}
	return l
}
