// Package beam is a light barrier across a lane and who passes it: how long and how fast each is, which part of it a beam at
// some height sees, for how long it breaks the beam, and what can be told from that. The gateway judges trips by it (package
// gateway/passage), and a plan says by it what to expect (package radio/plan): one table, DefaultMovers, so that the two
// cannot disagree.
//
//	for _, m := range beam.DefaultMovers() {
//		sight := m.At(0.7, beam.UsualWidth) // a beam 70 cm above the ground
//	}
//	j := beam.Judge(kinds, told)
//
// # Arithmetic
//
// Who is L long and passes a beam of width w at the speed v breaks it for (L + w) / v: uniform motion, as in any handbook of
// physics. Across the width of a retro-reflective beam counts the reflector at the most, 2 to 10 cm (common practice, no
// source).
package beam
