// Package passage tells what came through, from nothing but the times at which beams were broken: its class, and with two beams
// its direction, speed and length; and which arrival and which departure belong together. It is pure: no clock, no I/O, and the same breaks
// give the same answers, whether they come one by one (Pairing) or all at once (Passages, Stays).
//
//	s := passage.Defaults()
//	j := s.OfDwell(540*time.Millisecond, time.Millisecond)        // cannot tell: a slow walker, or a car
//	p, err := passage.Passages(s, passage.Pair{Outer: "road", Inner: "yard", Distance: 30}, breaks)
//	stays := passage.StaysOf(s, p)
//
// It never guesses in silence. Each answer says how sure it is, in the words of package beam:
//
//   - Sure: nothing else is possible, as far as the settings say what may pass here and how fast.
//   - Likely: one answer is usual here, others are possible.
//   - CannotTell: and then it says what is possible.
//
// # Arithmetic
//
// Who is L long and passes a beam of width w at the speed v breaks it for (L + w) / v. Two beams at the distance D that are broken t apart
// tell v = D / t, and with the dwell d the length L = v d - w. That is kinematics of uniform motion, as in any handbook of
// physics; traffic engineers measure so with two detectors. Across the width of a retro-reflective beam counts the reflector at the
// most, 2 to 10 cm (common practice, no source).
//
// Every quantity is carried as a range that holds the truth, and ranges go through the arithmetic as wholes (Moore, Interval Analysis, 1966): a
// speed is no number with a guess beside it, but lies from D / longest to D / shortest time between.
//
// # How well times are known
//
// A trip's time is that of its reception less its age, less what relays held it for, all by the gateway's clock; so two beams need
// not hang on the same node, and nodes' clocks need not agree. What stays unknown is told by Timed: age and time held travel in a byte each
// (proto.Dur8), exact to 10 ms up to 0.6 s and to 1/32 beyond, and a frame may be heard only in a later copy, up to 2 s after it was sealed,
// which does not show. So over the radio, beams tell a direction if whoever passes needs more than about two seconds
// from one to the other: 30 m for a car at 30 km/h, 5 m for a walker. For contacts that are read side by side, give what you know of them.
//
// # What it relies on
//
// A sure direction holds if whoever passes is no faster and no slower than the settings say, and if each who came through broke both beams, once.
// Who turns back is seen to break a beam twice, if he does so within Reach. Who stops inside a beam and turns back leaves one break; if somebody else does the same at the other beam meanwhile, the two look like one who
// passed. A sure visit holds if nobody was inside before the record begins, and nobody came or went unseen.
package passage
