package annunciator

import (
	"fmt"
	"math/rand/v2"
	"runtime"
	"slices"
	"strings"
	"testing"
	"time"
)

// TestRandomLives: whatever is killed when, with a slow disk and a broker that gives again what was not acknowledged: each young event
// sounds once, each old one never, and each is reported with what became of it. Between the children and the unit a claim is all that lasts.
func TestRandomLives(t *testing.T) {
	for seed := range uint64(200) {
		r := rand.New(rand.NewPCG(seed, 7))
		s := newStage(t)
		s.cfg.Other.HoldOff = 0
		s.length, s.acks, s.ticks = 50*time.Millisecond, true, true
		s.start()
		type sent struct {
			zone, id string
			age      time.Duration
		}
		var all []sent
		unacked := map[string]sent{}
		heard := map[string]string{}
		played := map[string]int{}
		look := func() {
			for _, line := range s.out {
				w := strings.Fields(line)
				switch {
				case w[1] == "ack":
					delete(unacked, w[2])
				case w[1] == "heard":
					heard[w[2]] = w[3]
				}
			}
			s.out = nil
		}
		deliver := func(e sent) {
			unacked[e.id] = e
			s.event([]string{"open", e.zone, e.id}, map[string]string{"age": e.age.String()})
			look()
		}
		s.slow = r.IntN(2) == 0
		for i := range 60 {
			s.advance(s.now.Mono + time.Duration(r.IntN(2000))*time.Millisecond)
			look()
			switch r.IntN(6) {
			case 0:
				s.do([]string{"written"})
				look()
			case 1: // killed
				again := make([]sent, 0, len(unacked))
				for _, e := range all {
					if _, ok := unacked[e.id]; ok {
						again = append(again, e)
					}
				}
				at := s.now.Mono
				s.start()
				look()
				for _, e := range again {
					s.replay(e.zone, e.id)
					look()
				}
				if s.now.Mono != at {
					t.Fatal("time has passed")
				}
			default:
				e := sent{fmt.Sprintf("zone-%d", r.IntN(5)), fmt.Sprintf("1.1.%d", i), 0}
				if r.IntN(4) == 0 {
					e.age = 2 * time.Minute
				}
				all = append(all, e)
				deliver(e)
			}
		}
		s.slow = false
		s.do([]string{"written"})
		s.advance(s.now.Mono + 2*time.Minute)
		look()
		for claim := range s.claims {
			if key, ok := strings.CutSuffix(claim, " sound"); ok {
				played[strings.Fields(key)[1]]++
			}
		}
		for _, e := range all {
			want, times := "sounded", 1
			if e.age > 0 {
				want, times = "silent", 0
			}
			if heard[e.id] != want || played[e.id] != times || s.plays[e.id] != times {
				t.Errorf("seed %d: event %s, %v old: %s, its claim was made %d times and it was played %d times; want %s, %d", seed, e.id, e.age,
					heard[e.id], played[e.id], s.plays[e.id], want, times)
			}
		}
		if len(unacked) > 0 {
			t.Errorf("seed %d: never acknowledged: %v", seed, unacked)
		}
		if t.Failed() {
			return
		}
	}
}

// TestStorm: 1,000 trips in 10 s, of 20 zones: each is reported once, what sounds is what hold-off lets, and memory does not grow
// with how many storms there were.
func TestStorm(t *testing.T) {
	s := newStage(t)
	s.ticks = true
	s.start()
	sounded, reported, heap := 0, 0, []uint64{}
	for storm := range 6 {
		from := s.now.Mono
		for i := range 1000 {
			s.advance(from + time.Duration(i)*10*time.Millisecond)
			s.event([]string{"open", fmt.Sprintf("zone-%d", i%20), fmt.Sprintf("%d.1.%d", storm+1, i)}, nil)
		}
		s.advance(from + 3*time.Minute)
		for _, line := range s.out {
			w := strings.Fields(line)
			if w[1] == "heard" {
				reported++
				if w[3] == "sounded" {
					sounded++
				}
			}
		}
		s.out, s.written, s.tokens, s.claims = nil, s.core.Snapshot(), map[uint64]string{}, map[string]bool{}
		s.plays, s.payloads = map[string]int{}, map[string][]byte{}
		var m runtime.MemStats
		runtime.GC()
		runtime.ReadMemStats(&m)
		heap = append(heap, m.HeapAlloc)
	}
	if reported != 6000 || sounded != 6*20 {
		t.Errorf("of 6,000 trips %d were reported, and %d sounded; want all, and 120: each zone once a storm", reported, sounded)
	}
	// After the fifth the memory of ids is full.
	if grown := int64(heap[5]) - int64(heap[4]); grown > 200<<10 {
		t.Errorf("the sixth storm has added %d KiB to memory: %v", grown>>10, heap)
	}
	if len(s.core.events) != Remembered || len(s.core.order) != Remembered {
		t.Errorf("%d and %d events are remembered, want %d", len(s.core.events), len(s.core.order), Remembered)
	}
}

// TestFlood: sounds, commands, zones and troubles that wait or are known are bounded, whatever comes.
func TestFlood(t *testing.T) {
	s := newStage(t)
	z := s.cfg.Other
	z.HoldOff, z.Commands = 0, []string{"lights"}
	s.cfg.Other = z
	s.hangs, s.ticks = true, true
	s.start()
	for i := range 3000 {
		s.event([]string{"open", fmt.Sprintf("zone-%d", i), fmt.Sprintf("1.1.%d", i)}, nil)
		s.do([]string{"fault", "began", "tamper", fmt.Sprintf("node=n%d", i)})
	}
	c := s.core
	if len(c.queue) > maxQueue || len(c.commands) > maxCommands || len(c.running) > s.cfg.MaxCommands || len(c.zones) > maxZones || len(c.troubles) > maxZones {
		t.Errorf("%d sounds, %d commands wait, %d run, %d zones, %d troubles", len(c.queue), len(c.commands), len(c.running), len(c.zones), len(c.troubles))
	}
	heard := map[string]bool{}
	for _, line := range s.out {
		if w := strings.Fields(line); w[1] == "heard" {
			heard[w[2]] = true
		}
	}
	s.out = nil
	s.advance(s.now.Mono + 2*time.Minute)
	for _, line := range s.out {
		if w := strings.Fields(line); w[1] == "heard" {
			heard[w[2]] = true
		}
	}
	if len(heard) != maxZones {
		t.Errorf("%d openings were reported, want those of the %d zones that are known", len(heard), maxZones)
	}
}

// TestFloodWithoutTick: what waits for a tick is bounded, and the newest are those that are kept.
func TestFloodWithoutTick(t *testing.T) {
	s := newStage(t)
	z := s.cfg.Other
	z.HoldOff = 0
	s.cfg.Other = z
	s.use([]string{"passage", "road", "yard", "20s", "5s", "sound"})
	road, yard := z, z
	s.cfg.Zones["road"], s.cfg.Zones["yard"] = road, yard
	s.length = time.Millisecond
	s.start()
	for i := range 3000 {
		s.event([]string{"open", "road", fmt.Sprintf("1.1.%d", i)}, nil)
		if len(s.core.waiting) > maxWaiting {
			t.Fatalf("%d events wait", len(s.core.waiting))
		}
	}
	s.event([]string{"open", "mill-lane", "2.1.1"}, nil)
	if n := len(s.core.waiting); s.core.waiting[n-1].ID != "2.1.1" {
		t.Error("the newest does not wait")
	}
	s.do([]string{"tick"})
	if n := len(s.core.held); n > maxQueue {
		t.Errorf("%d chimes are held back", n)
	}
}

// TestTwoCores: the same inputs give the same outputs.
func TestTwoCores(t *testing.T) {
	play := func() string {
		s := newStage(t)
		return s.perform("use passage road yard 20s 3s sound\n0s ticks\n1s open road 1.1.1\n2s open yard 1.2.1\n3s open barn 1.3.1\n4s open shed 1.4.1\n" +
			"5s state barn unwatched\n5s state shed unwatched\n5s fault began tamper node=barn\n70s until\n")
	}
	if list := []string{play(), play(), play()}; len(slices.Compact(list)) != 1 {
		t.Errorf("the same script went differently:\n%s", strings.Join(list, "\n"))
	}
}
