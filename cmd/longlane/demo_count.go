package main

import (
	"bufio"
	"encoding/json"
	"fmt"
	"os"
	"strings"
	"sync"
)

// summary counts, at the subscriber, what became of what the nodes got a receipt for.
func (d *demo) summary() error {
	s, err := readSim(d.path("sim.jsonl"))
	if err != nil {
		return err
	}
	missing := d.tally.missing(s.released)
	ids, repeats, delayed := d.tally.counts()
	fmt.Fprintf(d.c.out, `
At the gates    %4d openings and closings, sent as %d frames; %d got a receipt, %d still wait for theirs
On the air      %4d frames lost, %d damaged, %d forged
At the house    %4d delivered, %d of them delayed, %d repeats
With a receipt and not delivered: %d
`, len(s.made), s.sent, len(s.released), len(s.made)-len(s.released), s.lost, s.damaged, s.forged, ids, delayed, repeats, len(missing))
	if unknown := d.tally.unknown(s.made); len(unknown) > 0 {
		return fmt.Errorf("delivered and never made: %s", strings.Join(unknown, ", "))
	}
	if len(missing) > 0 {
		return fmt.Errorf("not delivered: %s", strings.Join(missing, ", "))
	}
	if ids == 0 {
		return fmt.Errorf("nothing was delivered; what the processes said is in their logs (run with --keep): %s", d.dir)
	}
	return nil
}

// simCounts is what the simulator wrote, counted.
type simCounts struct {
	made, released              map[string]bool
	sent, lost, damaged, forged int
}

func readSim(path string) (*simCounts, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	s := &simCounts{made: map[string]bool{}, released: map[string]bool{}}
	lines := bufio.NewScanner(f)
	for lines.Scan() {
		var r struct {
			What, ID, Kind string
		}
		if json.Unmarshal(lines.Bytes(), &r) != nil {
			continue // the last line may be half written while we read
		}
		switch r.What {
		case "made":
			s.made[r.ID] = true
		case "released":
			s.released[r.ID] = true
		case "sent":
			s.sent++
		case "lost":
			s.lost++
		case "damaged":
			s.damaged++
		case "forged":
			s.forged++
		}
	}
	return s, lines.Err()
}

// tally counts at the subscriber.
type tally struct {
	mu      sync.Mutex
	times   map[string]int
	delayed int
}

func (t *tally) note(id string, delayed bool) (repeat bool) {
	t.mu.Lock()
	defer t.mu.Unlock()
	if t.times == nil {
		t.times = map[string]int{}
	}
	t.times[id]++
	repeat = t.times[id] > 1
	if delayed && !repeat {
		t.delayed++
	}
	return repeat
}

func (t *tally) missing(want map[string]bool) (ids []string) {
	t.mu.Lock()
	defer t.mu.Unlock()
	for id := range want {
		if t.times[id] == 0 {
			ids = append(ids, id)
		}
	}
	return ids
}

func (t *tally) unknown(made map[string]bool) (ids []string) {
	t.mu.Lock()
	defer t.mu.Unlock()
	for id := range t.times {
		if !made[id] {
			ids = append(ids, id)
		}
	}
	return ids
}

func (t *tally) counts() (ids, repeats, delayed int) {
	t.mu.Lock()
	defer t.mu.Unlock()
	for _, n := range t.times {
		repeats += n - 1
	}
	return len(t.times), repeats, t.delayed
}
