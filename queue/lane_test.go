package queue

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"
)

// A lane answers what a plain list of its numbers would, whatever is added to it and dropped from it.
func TestLane(t *testing.T) {
	seed := rand.Uint64()
	t.Logf("seed %d", seed)
	rng := rand.New(rand.NewPCG(seed, 0))
	for range 30 {
		var l lane
		var want []Seq
		next := Seq(rng.Uint64N(1 << 40))
		most := []uint64{1, 3, 1000, 1 << 20}[rng.IntN(4)]
		for range 60 {
			switch rng.IntN(4) {
			case 0, 1:
				for range rng.IntN(3000) {
					next += 1 + Seq(rng.Uint64N(most))
					l.add(next)
					want = append(want, next)
				}
			case 2: // the oldest, as after deliveries
				n := rng.IntN(len(want) + 1)
				l.drop(want[:n])
				want = slices.Clone(want[n:])
			case 3: // here and there, some that are not in it among them
				var gone, left []Seq
				for _, s := range want {
					switch rng.IntN(5) {
					case 0:
						gone = append(gone, s)
						continue
					case 1:
						if !slices.Contains(want[max(0, len(left)-2):min(len(want), len(left)+2)], s+1) && rng.IntN(50) == 0 {
							gone = append(gone, s+1)
						}
					}
					left = append(left, s)
				}
				slices.Sort(gone)
				left = slices.DeleteFunc(left, func(s Seq) bool { _, ok := slices.BinarySearch(gone, s); return ok })
				l.drop(gone)
				want = left
			}
			compareLane(t, rng, &l, want)
			if t.Failed() {
				return
			}
		}
	}
}

func compareLane(t *testing.T, rng *rand.Rand, l *lane, want []Seq) {
	t.Helper()
	if got := slices.Collect(l.since(0)); l.len() != len(want) || !slices.Equal(got, want) {
		t.Errorf("%d numbers (%d by its own count), want %d", len(got), l.len(), len(want))
		return
	}
	if l.after(math.MaxUint64) != len(want) || l.from(math.MaxUint64) != len(want) {
		t.Errorf("%d and %d up to the last number there can be, want %d", l.after(math.MaxUint64), l.from(math.MaxUint64), len(want))
	}
	for range min(20, len(want)) {
		s := want[rng.IntN(len(want))] + Seq(rng.IntN(3)) - 1
		i, has := slices.BinarySearch(want, s)
		after := i
		if has {
			after++
		}
		first, ok := l.first(s)
		if l.from(s) != i || l.after(s) != after || l.has(s) != has || ok != (i < len(want)) || ok && first != want[i] {
			t.Errorf("%d: from %d, after %d, has %v, first %d %v; want %d, %d, %v", s, l.from(s), l.after(s), l.has(s), first, ok, i, after, has)
		}
		if n := rng.IntN(5000); !slices.Equal(l.list(s, n, nil), want[i:min(len(want), i+n)]) {
			t.Errorf("the %d numbers from %d on are not those", n, s)
		}
		if j := rng.IntN(len(want)); l.gap(s, want[j]) != (after < j) {
			t.Errorf("gap between %d and %d: %v, want %v", s, want[j], l.gap(s, want[j]), after < j)
		}
	}
}
