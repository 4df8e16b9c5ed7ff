package beam

// Mover is a kind by how fast it is, from which Kind reckons its dwell.
type Mover struct {
	Name     string
	Class    Class
	Length   Range  // m, of its body along the lane
	Usual    Range  // m/s; zero: it does not pass here as a rule
	Possible Range  // m/s; from 0: it may stand in the beam
	Animal   bool   // it is no arrival: a minimum dwell may well miss it
	Source   string // of its figures; empty: common practice, no source

	// Body says how high above the ground its body is, and Others what else of it a beam may see, below and above. The zero
	// Body is not known, and taken to be at any height.
	Body   Heights
	Others []Part
}

// Practice is the source of figures that have none.
const Practice = "common practice, no source"

// Sourced is where a mover's figures are from.
func (m Mover) Sourced() string {
	if m.Source == "" {
		return Practice
	}
	return m.Source
}

// Heights are from the lower edge of something to its upper one, m above the ground; each differs from one to another.
type Heights struct{ Low, High Range }

// Part is what a beam sees of a mover elsewhere than at its body.
type Part struct {
	Name   string
	Height Heights
	Length Range // m
	// Pace is by which factor it is slower or faster than the whole; zero: as fast.
	Pace Range
}

// Kind gives the dwell of a mover's body in a beam of that width (m): it is what the gateway judges by, which does not know
// how high a beam is.
func (m Mover) Kind(width float64) Kind {
	k := Kind{Name: m.Name, Class: m.Class, Length: m.Length, Possible: dwells(m.Length, width, m.Possible)}
	if m.Usual != (Range{}) {
		k.Usual = dwells(m.Length, width, m.Usual)
	}
	return k
}

// Kinds are those of many.
func Kinds(movers []Mover, width float64) (list []Kind) {
	for _, m := range movers {
		list = append(list, m.Kind(width))
	}
	return list
}

// everywhere is where a thing flies that may be at any height of a beam.
var everywhere = Heights{Range{0, 0}, Range{10, 10}}

// swing is a leg's pace: one that swings is about twice as fast as the walker, and the shin of one that stands turns about
// its foot at less than half of it. Common practice, no source.
var swing = Range{0.4, 2}

// DefaultMovers pass a gate on a lane, grown-up where they grow. Common practice, no source, but where one is named.
//
// Two-wheelers and large animals are possible everywhere and usual nowhere: their dwell lies among that of walkers and cars,
// so where they are usual little can be told from one beam. Who knows better at his gate changes the list.
func DefaultMovers() []Mover {
	return []Mover{
		{Name: "leaf", Class: Debris, Length: Range{0.03, 0.10}, Usual: Range{2, 8}, Possible: Range{1, 20}, Body: everywhere},
		// Small birds fly at 8 to 15 m/s.
		{Name: "bird", Class: Debris, Length: Range{0.10, 0.40}, Usual: Range{5, 15}, Possible: Range{3, 25}, Body: everywhere},
		// The torso, to which the thighs belong as far down as they hide the gap between them.
		{Name: "person", Class: Walker, Source: "common practice; ISO 13855 has 1.6 m/s for who walks up to a machine, which lies among its speeds", Length: Range{0.20, 0.50}, Usual: Range{1.2, 4}, Possible: Range{0, 9}, Body: Heights{Range{0.55, 0.70}, Range{1.25, 1.55}}, Others: []Part{
			{"one leg at a time", Heights{Range{0, 0}, Range{0.55, 0.70}}, Range{0.08, 0.25}, swing},
			{"head", Heights{Range{1.25, 1.55}, Range{1.50, 1.95}}, Range{0.15, 0.25}, Range{}}}},
		{Name: "dog", Class: Walker, Animal: true, Length: Range{0.30, 0.90}, Usual: Range{2, 5}, Possible: Range{0, 15}, Body: Heights{Range{0.10, 0.35}, Range{0.25, 0.75}}, Others: []Part{
			{"one leg at a time", Heights{Range{0, 0}, Range{0.10, 0.35}}, Range{0.03, 0.10}, swing},
			{"head", Heights{Range{0.25, 0.75}, Range{0.35, 1.00}}, Range{0.12, 0.35}, Range{}}}},
		{Name: "deer, horse, cow", Class: Walker, Animal: true, Length: Range{0.90, 2.60}, Possible: Range{0, 18}, Body: Heights{Range{0.35, 0.90}, Range{0.65, 1.75}}, Others: []Part{
			{"one leg at a time", Heights{Range{0, 0}, Range{0.35, 0.90}}, Range{0.04, 0.20}, swing},
			{"head and neck", Heights{Range{0.65, 1.75}, Range{0.90, 2.50}}, Range{0.20, 1.00}, Range{}}}},
		{Name: "bicycle", Class: Vehicle, Length: Range{1.50, 2.00}, Possible: Range{0, 14}, Body: Heights{Range{0.05, 0.25}, Range{0.55, 0.70}}, Others: []Part{
			{"one wheel at a time", Heights{Range{0, 0}, Range{0.05, 0.25}}, Range{0.20, 0.70}, Range{}},
			{"rider", Heights{Range{0.55, 0.70}, Range{1.40, 1.90}}, Range{0.30, 1.20}, Range{}}}},
		{Name: "motorcycle", Class: Vehicle, Length: Range{1.80, 2.60}, Possible: Range{0, 30}, Body: Heights{Range{0.15, 0.30}, Range{0.75, 0.95}}, Others: []Part{
			{"one wheel at a time", Heights{Range{0, 0}, Range{0.15, 0.30}}, Range{0.40, 0.70}, Range{}},
			{"rider", Heights{Range{0.75, 0.95}, Range{1.30, 1.75}}, Range{0.30, 1.20}, Range{}}}},
		// Up to the bonnet of a low one, and of a high one.
		{Name: "car", Class: Vehicle, Length: Range{3.30, 5.50}, Usual: Range{2, 10}, Possible: Range{0, 30}, Body: Heights{Range{0.15, 0.30}, Range{0.70, 1.00}}, Others: []Part{
			{"one wheel at a time", Heights{Range{0, 0}, Range{0.15, 0.30}}, Range{0.30, 0.80}, Range{}},
			{"cabin (glass)", Heights{Range{0.70, 1.00}, Range{1.25, 1.95}}, Range{1.50, 4.50}, Range{}}}},
		// Between the axles of a lorry hang guards, no higher than 0.55 m above the ground.
		{Name: "van, lorry, tractor", Class: Vehicle, Source: "greatest length and height, 18.75 m and 4 m: Directive 96/53/EC; guards at 0.55 m: UN Regulation 73, from memory; the rest common practice", Length: Range{4.50, 18.80}, Usual: Range{2, 8}, Possible: Range{0, 25}, Body: Heights{Range{0.20, 0.55}, Range{1.20, 4.00}}, Others: []Part{
			{"one wheel at a time", Heights{Range{0, 0}, Range{0.20, 0.55}}, Range{0.30, 1.90}, Range{}},
			{"cab", Heights{Range{1.20, 4.00}, Range{1.90, 4.00}}, Range{1.00, 2.50}, Range{}}}},
	}
}
