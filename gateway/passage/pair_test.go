package passage

import (
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"longlane/proto"
	"longlane/radio/beam"
)

var noon = time.Date(2027, 5, 1, 12, 0, 0, 0, time.UTC)

// at is a break of a beam, so many s after noon, known to so many s either way, for so many s.
func at(id, beam string, s, off, dwell float64) Break {
	d := func(s float64) time.Duration { return time.Duration(math.Round(s * 1e9)) }
	return Break{ID: id, Beam: beam, At: noon.Add(d(s)), Early: d(off), Late: d(off), Dwell: d(dwell)}
}

func near(t *testing.T, what string, got, want, off float64) {
	t.Helper()
	if !(math.Abs(got-want) <= off) {
		t.Errorf("%s = %v, want %v give or take %v", what, got, want, off)
	}
}

func one(t *testing.T, s Settings, distance float64, breaks ...Break) Passage {
	t.Helper()
	got, err := Passages(s, Pair{Outer: "road", Inner: "yard", Distance: distance}, breaks)
	if err != nil || len(got) != 1 {
		t.Fatalf("%d passages, %v, want one", len(got), err)
	}
	return got[0]
}

// TestTwoBeams: worked by hand, v = D / t and L = v d - w, uniform motion as in any handbook of physics. A car of 4.5 m at 30 km/h = 8.333 m/s
// needs 0.12 s for 1 m, and breaks a beam of 2 cm for 4.52 m / 8.333 m/s = 0.5424 s. Each time is known to 0.5 ms, so t is 0.119 to 0.121 s.
func TestTwoBeams(t *testing.T) {
	s := For(0.02, beam.DefaultMovers())
	for _, c := range []struct {
		direction   Direction
		outer, yard float64
	}{{In, 0, 0.12}, {Out, 0.12, 0}} {
		p := one(t, s, 1, at("a", "road", c.outer, 0.0005, 0.5424), at("b", "yard", c.yard, 0.0005, 0.5424))
		if p.Direction != c.direction || p.Why != None {
			t.Errorf("direction %v (%s), want %v", p.Direction, p.Why, c.direction)
		}
		near(t, "speed", p.Speed.Value, 8.3333, 0.0001)
		near(t, "least speed", p.Speed.Least, 1/0.121, 0.0001) // 8.264
		near(t, "most speed", p.Speed.Most, 1/0.119, 0.0001)   // 8.403
		near(t, "length", p.Length.Value, 4.5, 0.0001)
		near(t, "least length", p.Length.Least, 0.5424/0.121-0.02, 0.0001)
		near(t, "most length", p.Length.Most, 0.5424/0.119-0.02, 0.0001)
		if p.Judgement.Class != beam.Vehicle || p.Judgement.Confidence != beam.Likely {
			t.Errorf("judged %+v, want a vehicle, likely", p.Judgement)
		}
	}
}

// TestDistanceError: a distance that is known to 1 % leaves a speed at least that uncertain.
func TestDistanceError(t *testing.T) {
	got, err := Passages(Defaults(), Pair{Outer: "road", Inner: "yard", Distance: 10, DistanceError: 0.1},
		[]Break{at("a", "road", 0, 0, 0.5), at("b", "yard", 1, 0, 0.5)})
	if err != nil || len(got) != 1 {
		t.Fatal(got, err)
	}
	near(t, "least speed", got[0].Speed.Least, 9.9, 1e-9)
	near(t, "most speed", got[0].Speed.Most, 10.1, 1e-9)
}

// TestByRadio: what comes in frames over LoRa is known to 2 s. It tells the direction of who needs longer, and hardly a speed; where that is
// too little, no number is given.
func TestByRadio(t *testing.T) {
	radio := func(id, beam string, s float64) Break {
		b := at(id, beam, s, 0, 0.5424)
		b.Early, b.Late = Timed(80 * time.Millisecond)
		return b
	}
	for _, c := range []struct {
		distance, speed float64
		direction       Direction
		why             Reason
		known           bool
	}{
		{1, 8.333, NoDirection, TimesVague, false},
		{10, 8.333, NoDirection, TimesVague, false},
		{30, 8.333, In, None, false},           // 3.6 s, give or take 2.06: 5.3 to 19.5 m/s is no speed to tell
		{100, 8.333, In, None, true},           // 12 s: 7.1 to 10.1 m/s
		{5, 1.2, In, None, false},              // a walker
		{5, 3, NoDirection, TimesVague, false}, // who runs takes 1.7 s
	} {
		p := one(t, Defaults(), c.distance, radio("a", "road", 0), radio("b", "yard", c.distance/c.speed))
		if p.Direction != c.direction || p.Why != c.why || p.Speed.Known() != c.known || p.Length.Known() && !c.known {
			t.Errorf("%v m at %v m/s: %v, %q, speed %+v, length %+v; want %v, %q, speed known: %v", c.distance, c.speed, p.Direction, p.Why, p.Speed, p.Length, c.direction, c.why, c.known)
		}
		if !c.known && (p.Speed.Value != 0 || p.Length.Value != 0) {
			t.Errorf("%v m at %v m/s: not known, and yet %v m/s, %v m", c.distance, c.speed, p.Speed.Value, p.Length.Value)
		}
	}
}

// TestClassOfTwoBeams: a length that is told makes a class likely where the dwell does not; one that is not told leaves what the dwell says; where
// the two disagree nothing is told.
func TestClassOfTwoBeams(t *testing.T) {
	for _, c := range []struct {
		name             string
		took, off, dwell float64 // s, for 10 m
		want             beam.Class
	}{
		{"a car at 36 km/h: 0.4 s may be a walker", 1, 0.001, 0.4, beam.Vehicle},     // 10 m/s: 3.95 m
		{"a dog that trots: 0.4 s may be a car", 5, 0.001, 0.4, beam.Walker},         // 2 m/s: 0.75 m
		{"a bicycle, or a calf", 2, 0.001, 0.35, beam.NoClass},                       // 5 m/s: 1.7 m
		{"a car whose speed is vague", 1.2, 0.3, 0.546, beam.Vehicle},                // 5.5 to 16 m/s
		{"a car that has stopped between the beams", 10, 0.001, 0.546, beam.NoClass}, // 1 m/s: 0.5 m, like a walker; by its dwell a car
	} {
		p := one(t, Defaults(), 10, at("a", "road", 0, c.off, c.dwell), at("b", "yard", c.took, c.off, c.dwell))
		if p.Direction != In || p.Judgement.Class != c.want {
			t.Errorf("%s: %v, %+v, length %+v; want %v", c.name, p.Direction, p.Judgement, p.Length, c.want)
		}
	}
}

// TestLorry: what is long for sure is a vehicle for sure. 1.205 s at 10 m/s are 12 m, and even at half that speed 5.97 m.
func TestLorry(t *testing.T) {
	p := one(t, Defaults(), 10, at("a", "road", 0, 0.001, 1.205), at("b", "yard", 1, 0.001, 1.205))
	if p.Judgement.Class != beam.Vehicle || p.Judgement.Confidence != beam.Sure {
		t.Errorf("%+v", p)
	}
	near(t, "length", p.Length.Value, 12, 0.001)
}

// TestLateCopy: whoever is slow, and whose second break was heard in a copy 1.9 s later only, is found all the same.
func TestLateCopy(t *testing.T) {
	a, b := at("a", "road", 0, 0.01, 0.5), at("b", "yard", 5/0.75+1.9, 0.01, 0.5)
	b.Early += 2 * time.Second
	if b.At.Sub(a.At).Seconds() < 5/0.7 {
		t.Fatal("it is not later than Reach")
	}
	if p := one(t, Defaults(), 5, a, b); p.Direction != In {
		t.Errorf("%+v", p)
	}
}

// TestSteps: Timed and DwellError cover what is lost when a time travels as proto encodes it.
func TestSteps(t *testing.T) {
	const seed = 3
	r := rand.New(rand.NewPCG(seed, 0))
	for range 200000 {
		d := time.Duration(math.Exp(r.Float64()*math.Log(2.7*3600e9))) + 1
		told := proto.EncodeDur8(d).Duration()
		if _, late := Timed(told); (told - d).Abs() > late-line {
			t.Fatalf("seed %d: an age of %v is told as %v, and may be wrong by %v only", seed, d, told, late-line)
		}
		told = proto.EncodeDur16(d).Duration()
		if (told - d).Abs() > DwellError(told) {
			t.Fatalf("seed %d: a dwell of %v is told as %v, and may be wrong by %v only", seed, d, told, DwellError(told))
		}
	}
	early, late := Timed(100*time.Millisecond, 3200*time.Millisecond)
	if want := 20*time.Millisecond + 10*time.Millisecond + 100*time.Millisecond; late != want || early != want+2*time.Second {
		t.Errorf("Timed = %v, %v, want %v and 2 s more", early, late, want)
	}
}

// TestReasons: what cannot be told says why.
func TestReasons(t *testing.T) {
	for _, c := range []struct {
		name   string
		breaks []Break
		want   []Reason
	}{
		{"one beam", []Break{at("a", "road", 0, 0.01, 0.5)}, []Reason{OneBeam}},
		{"somebody turns back", []Break{at("a", "road", 0, 0.01, 0.5), at("b", "road", 9, 0.01, 0.5)}, []Reason{OneBeam}},
		{"nobody is so slow", []Break{at("a", "road", 0, 0.01, 0.5), at("b", "yard", 60, 0.01, 0.5)}, []Reason{OneBeam, OneBeam}},
		{"nobody is so fast", []Break{at("a", "road", 0, 0.01, 0.5), at("b", "yard", 0.1, 0.01, 0.5)}, []Reason{OneBeam, OneBeam}},
		{"two cars", []Break{at("a", "road", 0, 0.01, 0.5), at("b", "road", 2, 0.01, 0.5), at("c", "yard", 2, 0.01, 0.5), at("d", "yard", 4, 0.01, 0.5)}, []Reason{Several}},
		{"a car after a minute", []Break{at("a", "road", 0, 0.01, 0.5), at("b", "yard", 2, 0.01, 0.5), at("c", "road", 60, 0.01, 0.5), at("d", "yard", 62, 0.01, 0.5)}, []Reason{None, None}},
		{"two dwells that are not alike", []Break{at("a", "road", 0, 0.01, 0.1), at("b", "yard", 2, 0.01, 0.5)}, []Reason{Unlike}},
		{"no dwell yet", []Break{at("a", "road", 0, 0.01, -1), at("b", "yard", 2, 0.01, 0.5)}, []Reason{None}},
	} {
		got, err := Passages(Defaults(), Pair{Outer: "road", Inner: "yard", Distance: 20}, c.breaks)
		if err != nil {
			t.Fatal(err)
		}
		var why []Reason
		for _, p := range got {
			why = append(why, p.Why)
			if p.Why != None && (p.Direction != NoDirection || p.Speed.Known() || p.Length.Known()) {
				t.Errorf("%s: %q, and yet %+v", c.name, p.Why, p)
			}
		}
		if !slices.Equal(why, c.want) {
			t.Errorf("%s: %q, want %q", c.name, why, c.want)
		}
	}
}

// TestLive: breaks that come one by one, out of order, twice, and first without a dwell, come to the same as all at once; what is not over yet waits.
func TestLive(t *testing.T) {
	pair := Pair{Outer: "road", Inner: "yard", Distance: 20}
	p, err := NewPairing(Defaults(), pair)
	if err != nil {
		t.Fatal(err)
	}
	add := func(b Break) {
		t.Helper()
		if err := p.Add(b); err != nil {
			t.Fatal(err)
		}
	}
	add(at("b", "yard", 2, 0.01, -1))
	add(at("a", "road", 0, 0.01, 0.5))
	add(at("b", "yard", 2, 0.01, 0.5))
	add(at("c", "road", 40, 0.01, 0.5))
	if got := p.Settle(noon.Add(30 * time.Second)); len(got) != 0 || p.Waiting() != 3 {
		t.Errorf("after 30 s %+v, and %d wait: somebody slow may still come", got, p.Waiting())
	}
	got := p.Settle(noon.Add(31 * time.Second)) // 20 m at 0.7 m/s are 28.6 s
	if len(got) != 1 || got[0].Direction != In || got[0].Breaks[1].Dwell != 500*time.Millisecond || p.Waiting() != 1 {
		t.Errorf("after 31 s %+v, and %d wait", got, p.Waiting())
	}
	if got := p.Settle(noon.Add(time.Hour)); len(got) != 1 || got[0].Why != OneBeam || p.Waiting() != 0 {
		t.Errorf("after an hour %+v", got)
	}
	for _, b := range []Break{at("x", "barn", 0, 0, 1), {ID: "y", Beam: "road"}, {ID: "z", Beam: "road", At: noon, Late: -1}} {
		if p.Add(b) == nil {
			t.Errorf("%+v was taken", b)
		}
	}
	for i := range mostWaiting {
		add(at(fmt.Sprint(i), "road", float64(i), 0, 1))
		if i > 100 { // the rest only fills up: looking for each by its id is slow
			p.waiting = slices.Grow(p.waiting, mostWaiting)[:mostWaiting]
			break
		}
	}
	if err := p.Add(at("one more", "road", 0, 0, 1)); !errors.Is(err, ErrFull) {
		t.Errorf("one more than can wait: %v", err)
	}
	if _, err := Passages(Defaults(), pair, []Break{{ID: "y", Beam: "road"}}); err == nil {
		t.Error("a break without a time was taken")
	}
	if got, err := Passages(Defaults(), pair, []Break{at("x", "barn", 0, 0, 1), at("a", "road", 0, 0, 1), at("a", "road", 0, 0, 1)}); err != nil || len(got) != 1 || len(got[0].Breaks) != 1 {
		t.Errorf("another's break, and one that comes twice: %+v, %v", got, err)
	}
	for _, bad := range []Pair{{"a", "a", 1, 0}, {"", "a", 1, 0}, {"a", "b", 0, 0}, {"a", "b", 1, 1}, {"a", "b", 1, -1}, {"a", "b", math.NaN(), 0}} {
		if _, err := NewPairing(Defaults(), bad); err == nil {
			t.Errorf("%+v was taken", bad)
		}
	}
}

// mover is somebody whose truth is known.
type mover struct {
	kind      beam.Mover
	length    float64
	direction Direction
	took      time.Duration // from beam to beam
	steady    bool          // no stop between the beams
}

// lane makes people who pass, in s after noon, and the breaks they leave: some stop between the beams, some turn back at one, and all times are
// wrong by as much as may be.
func lane(r *rand.Rand, s Settings, pair Pair, rate float64, people int) (breaks []Break, by map[string]*mover) {
	by = map[string]*mover{}
	now := 0.0
	draw := func(g beam.Range) float64 { return g.Least + (g.Most-g.Least)*r.Float64() }
	leave := func(m *mover, name string, when, speed float64) {
		early, late := 0.002+r.Float64(), 0.002+0.1*r.Float64()
		if r.IntN(2) == 0 {
			early = late
		}
		b := Break{ID: fmt.Sprint("b", len(breaks)), Beam: name, Early: time.Duration(early * 1e9), Late: time.Duration(late * 1e9), DwellError: 5 * time.Millisecond}
		b.At = noon.Add(time.Duration((when + early - (early+late)*r.Float64()) * 1e9))
		b.Dwell = max(beam.Dwell(m.length, s.Width, speed)+time.Duration((2*r.Float64()-1)*float64(b.DwellError)), 0)
		by[b.ID] = m
		breaks = append(breaks, b)
	}
	kinds := beam.DefaultMovers()
	for range people {
		now += r.ExpFloat64() / rate
		m := &mover{kind: kinds[r.IntN(len(kinds))], direction: In, steady: true}
		m.length = draw(m.kind.Length)
		speed := beam.Range{Least: max(m.kind.Possible.Least, s.Slowest*1.2), Most: min(m.kind.Possible.Most, s.Fastest/1.2)}
		mean := draw(speed)
		first, second := pair.Outer, pair.Inner
		if r.IntN(2) == 0 {
			first, second, m.direction = second, first, Out
		}
		if r.IntN(10) == 0 { // turns back at the first beam
			m.direction = NoDirection
			leave(m, first, now, mean)
			leave(m, first, now+0.5+0.5*r.Float64()*pair.Distance/s.Slowest, mean)
			continue
		}
		v1, v2 := mean, mean
		took := pair.Distance / mean
		if r.IntN(5) == 0 && took < 0.8*pair.Distance/s.Slowest { // stops between the beams
			took += r.Float64() * (0.95*pair.Distance/s.Slowest - took)
			m.steady = false
		} else if r.IntN(2) == 0 { // speeds up, or slows down
			v1 = mean / (1 + 0.3*r.Float64())
			v2 = 2*mean - v1
			if r.IntN(2) == 0 {
				v1, v2 = v2, v1
			}
			if p := m.kind.Possible; min(v1, v2) < p.Least || max(v1, v2) > p.Most {
				v1, v2 = mean, mean
			}
		}
		m.took = time.Duration(took * 1e9)
		leave(m, first, now, v1)
		leave(m, second, now+took, v2)
	}
	r.Shuffle(len(breaks), func(i, j int) { breaks[i], breaks[j] = breaks[j], breaks[i] })
	return breaks, by
}

// TestNeverWrong: in lanes with random people a direction that is told is right, and its two breaks are of one; speed and length lie where they are told
// to, and what is sure is so. Each break comes back once. Live and all at once come to the same.
func TestNeverWrong(t *testing.T) {
	directions, speeds, lengths, sure, all := 0, 0, 0, 0, 0
	for seed := range uint64(300) {
		r := rand.New(rand.NewPCG(seed, 5))
		s := Defaults()
		pair := Pair{Outer: "road", Inner: "yard", Distance: []float64{1, 5, 30, 100}[seed%4]}
		breaks, by := lane(r, s, pair, []float64{0.001, 0.01, 0.05}[seed%3], 200)
		got, err := Passages(s, pair, breaks)
		if err != nil {
			t.Fatal(err)
		}
		seen := map[string]bool{}
		for i := range got {
			p := &got[i]
			all += len(p.Breaks)
			for _, b := range p.Breaks {
				if seen[b.ID] {
					t.Fatalf("seed %d: %s comes back twice", seed, b.ID)
				}
				seen[b.ID] = true
			}
			checkPassage(t, seed, p, by, pair, &speeds, &lengths, &sure)
			if p.Direction != NoDirection {
				directions++
			}
		}
		if len(seen) != len(breaks) {
			t.Errorf("seed %d: %d breaks came back, of %d", seed, len(seen), len(breaks))
		}
		if live := settleLive(t, s, pair, breaks); fmt.Sprint(live) != fmt.Sprint(got) {
			t.Errorf("seed %d: live they come to something else", seed)
		}
	}
	t.Logf("%d breaks: %d directions, %d speeds, %d lengths, %d classes for sure", all, directions, speeds, lengths, sure)
	if directions < 1000 || speeds < 1000 || lengths < 500 || sure < 100 {
		t.Errorf("too little is told for this to prove anything")
	}
}

func checkPassage(t *testing.T, seed uint64, p *Passage, by map[string]*mover, pair Pair, speeds, lengths, sure *int) {
	t.Helper()
	m := by[p.Breaks[0].ID]
	if p.Direction != NoDirection && (len(p.Breaks) != 2 || by[p.Breaks[1].ID] != m || m.direction != p.Direction) {
		t.Fatalf("seed %d: it went %v, and was told to have gone %v: %+v", seed, m.direction, p.Direction, p)
	}
	if len(p.Breaks) == 1 || p.Direction != NoDirection {
		if !p.Judgement.May(m.kind.Class) {
			t.Fatalf("seed %d: a %s of %.2f m is judged %+v by %+v", seed, m.kind.Name, m.length, p.Judgement, p)
		}
		if p.Judgement.Confidence == beam.Sure {
			*sure++
		}
	}
	if v := pair.Distance / m.took.Seconds(); p.Speed.Known() {
		*speeds++
		if v < p.Speed.Least-1e-6 || v > p.Speed.Most+1e-6 || p.Speed.Most > 1.5*p.Speed.Least {
			t.Fatalf("seed %d: its speed is %v, told %+v", seed, v, p.Speed)
		}
	}
	if p.Length.Known() && m.steady {
		*lengths++
		if m.length < p.Length.Least-1e-6 || m.length > p.Length.Most+1e-6 {
			t.Fatalf("seed %d: its length is %v, told %+v", seed, m.length, p.Length)
		}
	}
}

// settleLive adds breaks in the order in which they would come, and settles every ten minutes what is five old.
func settleLive(t *testing.T, s Settings, pair Pair, breaks []Break) (out []Passage) {
	t.Helper()
	p, err := NewPairing(s, pair)
	if err != nil {
		t.Fatal(err)
	}
	breaks = slices.SortedFunc(slices.Values(breaks), func(a, b Break) int { return a.At.Compare(b.At) })
	next := noon
	for _, b := range breaks {
		for b.At.After(next) {
			out = append(out, p.Settle(next.Add(-5*time.Minute))...)
			next = next.Add(10 * time.Minute)
		}
		if err := p.Add(b); err != nil {
			t.Fatal(err)
		}
	}
	out = append(out, p.Settle(next.Add(24*time.Hour))...)
	slices.SortStableFunc(out, func(a, b Passage) int { return a.Breaks[0].At.Compare(b.Breaks[0].At) })
	return out
}
