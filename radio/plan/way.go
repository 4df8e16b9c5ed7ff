package plan

import (
	"errors"
	"fmt"
	"math"
	"time"

	"longlane/radio/lane"
	"longlane/radio/path"
)

// points are those of a profile.
const points = 256

// Way is what a signal loses between two sites, dB, at one frequency. The parts add up.
//
// Nothing is counted twice. Ground is the delta-Bullington loss over the bare ground; it holds the reflection from flat ground too, so
// that no plane-earth formula is added. What stands on the ground is either passed over or passed through, whichever takes less,
// and never both: over it, the loss is what delta-Bullington takes more with the tops of the cover as the ground; through it, plants
// take what Weissberger's formula says, and a building its walls twice (ITU-R P.2109, median). Two ways of equal strength would be
// up to 3 dB better than the one that is counted: the careful side. What an antenna stands in, below its top, can only be passed
// through.
type Way struct {
	From, To  *lane.Site
	Frequency float64 // Hz
	Length    float64 // m
	Free      float64 // in free space, ITU-R P.525
	Ground    float64 // diffraction, ITU-R P.526
	Buildings float64 // that stand in the way, or that an antenna is in
	// Plants are the trees and hedges, by month from January. Leaf is the worst month's, Bare the best one's.
	Plants     [12]float64
	Leaf, Bare float64
	// Depth is the way through plants, m, weighed by how dense they are; 0 if the signal goes over them.
	Depth float64
	// Least is where the ray has the least room over ground and cover; Blocked names what reaches into six tenths of the first Fresnel
	// ellipsoid, in order.
	Least   path.Clearance
	Blocked []string
	// What is not known, as standard deviations: see Hop.Parts.
	GroundError, PlantError, WallError float64

	net float64 // gains of both antennas less all that is lost in leaf, dB, as Setting.margin has it; of the ways of a question alone
}

// Loss is all of it in a month.
func (w *Way) Loss(month time.Month) float64 { return w.dry() + w.Plants[month-1] }

// InLeaf is all of it in the worst month.
func (w *Way) InLeaf() float64 { return w.dry() + w.Leaf }

func (w *Way) dry() float64 { return w.Free + w.Ground + w.Buildings }

// Clear reports whether nothing reaches into six tenths of the first Fresnel ellipsoid.
func (w *Way) Clear() bool { return w.Least.Share() >= clearShare }

// clearShare is the share of the first Fresnel radius that is to be free. Common practice, no source.
const clearShare = 0.6

// Thickness is how much of a metre through plants counts as a metre through the dense trees that Weissberger's formula is for. Our
// choice, no source: a sparse wood lets one see far through it.
var Thickness = map[lane.Density]float64{lane.Sparse: 0.3, lane.Medium: 0.6, lane.Dense: 1}

// leafShare is what the leaves are of the loss through trees in leaf: 2 of 21.4 dB at 900 MHz and 8.5 of 31.5 dB at 2200 MHz. Source:
// ITU-R P.833, section 2.1, the mixed forest near Mulhouse (1.15 f^0.43 dB at the most, and the season's share), from memory. Between
// the two it goes straight over log f, and beyond them it stays, which is our rule.
func leafShare(f float64) float64 {
	const low, high, atLow, atHigh = 900e6, 2200e6, 2 / 21.4, 8.5 / 31.5
	x := min(max(math.Log(f/low)/math.Log(high/low), 0), 1)
	return atLow + x*(atHigh-atLow)
}

// surveyor finds ways, and uses again what it has allocated. It is not safe for concurrent use.
type surveyor struct {
	lane    *lane.Lane
	depth   float64 // what plants' depth is multiplied with: 1, but where sensitivity is asked for
	off     float64 // how much the ground is higher in the middle, m, and less towards the ends: likewise 0
	profile lane.Profile
	tops    [2][]float64
}

// look takes the profile between two sites. What follows goes by it.
func (s *surveyor) look(from, to *lane.Site) {
	s.lane.Profile(&s.profile, from, to, points)
	if s.off != 0 {
		for i := range s.profile.Ground {
			s.profile.Ground[i] += s.off * math.Sin(math.Pi*float64(i)/(points-1))
		}
	}
}

// way finds what is lost at a frequency between the sites looked at last. The error wraps a *path.RangeError.
func (s *surveyor) way(from, to *lane.Site, f float64) (*Way, error) {
	w := &Way{From: from, To: to, Frequency: f, Length: s.profile.Length}
	if err := s.fill(w); err != nil {
		return nil, fmt.Errorf("%s to %s: %w", from.Name, to.Name, err)
	}
	return w, nil
}

func (s *surveyor) fill(w *Way) (err error) {
	p, f := &s.profile, w.Frequency
	if w.Free, err = path.FreeSpace(f, p.Length); err != nil {
		return err
	}
	bare := path.Profile{Length: p.Length, Ground: p.Ground, From: p.From, To: p.To}
	edge, err := path.Bullington(f, &bare)
	if err != nil {
		return err
	}
	if w.Ground, err = path.Delta(f, &bare, path.Vertical); err != nil {
		return err
	}
	w.GroundError = groundError(w.Ground, edge)
	onto, loss, err := s.buildings(w, &bare)
	if err == nil {
		err = s.plants(w, onto, loss)
	}
	return err
}

// describe says where the ray has the least room, and what is in its way. It is apart, since it is asked of few.
func (s *surveyor) describe(w *Way) {
	s.look(w.From, w.To)
	w.Blocked = nil
	p := &s.profile
	tops, _ := s.raised(0, p.Ground, false)
	tops, _ = s.raised(1, tops, true)
	// No error: the way has been reckoned over the same.
	w.Least, _ = path.LeastClearance(w.Frequency, &path.Profile{Length: p.Length, Ground: tops, From: p.From, To: p.To})
	s.blocked(w)
}

// groundError is what the models themselves are off by, and half of what the cautious construction takes more than the single edge
// that is its core. 3 dB in the clear and 5 behind something are our choice: ITU-R P.526 and P.1546 speak of several dB for single
// paths.
func groundError(loss float64, e path.Edge) float64 {
	base := 3.0
	if e.V > -clearShare*math.Sqrt2 {
		base = 5
	}
	return math.Hypot(base, (loss-e.Single)/2)
}

// inside reports whether an antenna stands in the cover of a span, below its top.
func (s *surveyor) inside(sp *lane.Span) bool {
	p := &s.profile
	const near = 1e-6 // of the way
	return sp.Start <= near*p.Length && p.From < p.Ground[0]+sp.Height || sp.End >= (1-near)*p.Length && p.To < p.Ground[points-1]+sp.Height
}

// raised is ground with the tops of what stands on it, if it is of the kind that is asked for and no antenna is inside it. What is
// narrower than the points are apart stands on the nearest one. The ends stay: there the antennas are.
func (s *surveyor) raised(buffer int, on []float64, grows bool) (tops []float64, any bool) {
	p := &s.profile
	tops = append(s.tops[buffer][:0], on...)
	s.tops[buffer] = tops
	step := p.Length / (points - 1)
	for i := range p.Cover {
		sp := &p.Cover[i]
		if sp.Kind.Grows() != grows || s.inside(sp) {
			continue
		}
		first, last := int(math.Ceil(sp.Start/step)), int(math.Floor(sp.End/step))
		if first > last {
			first = int(math.Round((sp.Start + sp.End) / 2 / step))
			last = first
		}
		for k := max(first, 1); k <= min(last, points-2); k++ {
			tops[k], any = max(tops[k], p.Ground[k]+sp.Height), true
		}
	}
	return tops, any
}

// over is the profile over tops, and what it takes.
func (s *surveyor) over(f float64, tops []float64, below *path.Profile) (*path.Profile, float64, error) {
	top := &path.Profile{Length: below.Length, Ground: tops, From: below.From, To: below.To}
	loss, err := path.Delta(f, top, path.Vertical)
	return top, loss, err
}

// buildings adds what they take, and gives the ground, with their roofs if the signal goes over them, and what it takes.
func (s *surveyor) buildings(w *Way, ground *path.Profile) (*path.Profile, float64, error) {
	var through, in, spread float64
	for i := range s.profile.Cover {
		sp := &s.profile.Cover[i]
		if sp.Kind.Grows() || sp.Below == 0 && !s.inside(sp) {
			continue
		}
		median, sigma, err := walls(w.Frequency, sp.Walls)
		switch {
		case err != nil:
			return nil, 0, err
		case s.inside(sp):
			in += median
		default:
			through += 2 * median
		}
		spread = math.Hypot(spread, sigma)
	}
	tops, any := s.raised(0, ground.Ground, false)
	w.Buildings = in
	if in > 0 {
		w.WallError = spread
	}
	if !any {
		return ground, w.Ground, nil
	}
	top, loss, err := s.over(w.Frequency, tops, ground)
	if err != nil {
		return nil, 0, err
	}
	over := max(loss-w.Ground, 0)
	if through > 0 && through < over {
		w.Buildings, w.WallError = w.Buildings+through, spread
		return ground, w.Ground, nil
	}
	w.Buildings += over
	return top, loss, nil
}

// walls are what the walls of half of all buildings take at the most, and the standard deviation beside it: a tenth of them takes
// 1.28 of these more. Source: ITU-R P.2109; see path.BuildingEntry.
func walls(f float64, w lane.Walls) (median, sigma float64, err error) {
	if median, err = path.BuildingEntry(f, 0.5, 0, w == lane.Efficient); err != nil {
		return 0, 0, err
	}
	most, err := path.BuildingEntry(f, 0.9, 0, w == lane.Efficient)
	return median, (most - median) / 1.2816, err
}

// plants adds what they take in each month; loss is what the ground takes, roofs and all.
func (s *surveyor) plants(w *Way, ground *path.Profile, loss float64) error {
	var all, inner float64
	var bare, innerBare [12]float64
	for i := range s.profile.Cover {
		sp := &s.profile.Cover[i]
		if !sp.Kind.Grows() || sp.Below == 0 {
			continue
		}
		d := sp.Below * Thickness[sp.Density] * s.depth
		all += d
		if s.inside(sp) {
			inner += d
		}
		for m := range bare {
			if !sp.InLeaf(time.Month(m + 1)) {
				bare[m] += d
				if s.inside(sp) {
					innerBare[m] += d
				}
			}
		}
	}
	if all == 0 {
		return nil
	}
	tops, any := s.raised(1, ground.Ground, true)
	over := math.Inf(1)
	if any {
		_, top, err := s.over(w.Frequency, tops, ground)
		if err != nil {
			return err
		}
		over = max(top-loss, 0)
	}
	through, err := path.Weissberger(w.Frequency, all)
	var outside *path.RangeError
	if errors.As(err, &outside) && outside.Value == all && any { // too deep for the formula: the way is over the tops
		through, err = math.Inf(1), nil
	}
	if err != nil {
		return err
	}
	within, err := path.Weissberger(w.Frequency, inner)
	if err != nil {
		return err
	}
	leaves := leafShare(w.Frequency)
	season := func(loss, depth, bare float64) float64 {
		if depth == 0 {
			return 0
		}
		return loss * (1 - leaves*bare/depth)
	}
	w.Leaf, w.Bare = 0, math.Inf(1)
	for m := range w.Plants {
		w.Plants[m] = min(season(through, all, bare[m]), season(within, inner, innerBare[m])+over)
		w.Leaf, w.Bare = max(w.Leaf, w.Plants[m]), min(w.Bare, w.Plants[m])
	}
	if through <= within+over {
		w.Depth = all
	} else {
		w.Depth = inner
	}
	// Weissberger gives about twice what ITU-R P.833 gives for a path into a wood: a quarter of the loss either way is half of that.
	// Where the tops are the better way, it is not sure that it is as clean as an edge: a quarter of what it saves, up to 6 dB.
	w.PlantError = math.Hypot(w.Leaf/4, min(through-w.Leaf, 24)/4)
	return nil
}

// blocked names what reaches into the six tenths.
func (s *surveyor) blocked(w *Way) {
	p := &s.profile
	step := p.Length / (points - 1)
	room := func(i int, h float64) bool {
		d1 := float64(i) * step
		d2 := p.Length - d1
		ray := p.From + (p.To-p.From)*d1/p.Length
		return ray-h-path.Bulge(d1, d2) >= clearShare*math.Sqrt(path.Wavelength(w.Frequency)*d1*d2/p.Length)
	}
	for i := 1; i < points-1; i++ {
		if !room(i, p.Ground[i]) {
			begin, highest, least := i, i, i
			depth, share := math.Inf(-1), math.Inf(1)
			for ; i < points-1 && !room(i, p.Ground[i]); i++ {
				d1 := float64(i) * step
				d2 := p.Length - d1
				d := p.Ground[i] - (p.From + (p.To-p.From)*d1/p.Length)
				if d > depth {
					highest, depth = i, d
				}
				if x := -(d + path.Bulge(d1, d2)) / math.Sqrt(path.Wavelength(w.Frequency)*d1*d2/p.Length); x < share {
					least, share = i, x
				}
			}
			what, worst := "the ground reaches up", least // where the ray has the least room by the ellipsoid, not by the metre: see Way.Least
			if depth > 0 {
				what, worst = fmt.Sprintf("the ground stands %.1f m above the line", depth), highest
			}
			w.Blocked = append(w.Blocked, fmt.Sprintf("%s at %.0f m (from %.0f to %.0f m)", what, float64(worst)*step, float64(begin)*step, float64(i-1)*step))
		}
	}
	for i := range p.Cover {
		sp := &p.Cover[i]
		free := !s.inside(sp)
		for k := max(int(sp.Start/step), 1); free && k <= min(int(sp.End/step+1), points-2); k++ {
			free = room(k, p.Ground[k]+sp.Height)
		}
		if !free {
			w.Blocked = append(w.Blocked, fmt.Sprintf("%s from %.0f to %.0f m", coverName(sp.Cover), sp.Start, sp.End))
		}
	}
}

func coverName(c *lane.Cover) string {
	if c.Name != "" {
		return c.Name
	}
	return "a " + string(c.Kind)
}
