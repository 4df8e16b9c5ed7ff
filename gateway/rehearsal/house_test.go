package rehearsal

import (
	"context"
	"encoding/json"
	"errors"
	"log/slog"
	"path/filepath"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"longlane/gateway"
	"longlane/proto"
	"longlane/queue"
	"longlane/radio"
	"longlane/radio/ether"
	"longlane/radio/lora"
	"longlane/radio/node"
)

// antenna joins a running gateway to an air that lives by the same clock.
type antenna struct{ live *ether.Live }

type port func(radio.Packet)

func (p port) Receive(frame []byte, rssi, snr, freqErr float64) error {
	p(radio.Packet{Frame: frame, Measured: true, RSSI: rssi, SNR: snr, FreqErr: freqErr, At: time.Now(), Bearer: mastName})
	return nil
}

func (antenna) Name() string { return mastName }
func (antenna) Up() bool     { return true }
func (a antenna) Run(ctx context.Context, deliver func(radio.Packet)) error {
	return a.live.Run(ctx, port(deliver))
}
func (a antenna) Send(_ context.Context, _ string, frame []byte) error {
	_, err := a.live.Transmit(frame)
	return err
}

// receiver is what a sink speaks to, with moods.
type receiver struct {
	mu       sync.Mutex
	mood     mood
	got      map[string]int // events acknowledged, by id
	sessions []*session
}

type mood int

const (
	willing mood = iota
	away         // nobody answers a dial, and sessions end
	mute         // takes all and acknowledges nothing
)

type session struct {
	r      *receiver
	closed chan struct{}
	once   sync.Once
}

func (r *receiver) dial(context.Context, bool) (gateway.Session, error) {
	r.mu.Lock()
	defer r.mu.Unlock()
	if r.mood == away {
		return nil, errors.New("nobody is there")
	}
	s := &session{r: r, closed: make(chan struct{})}
	r.sessions = append(r.sessions, s)
	return s, nil
}

func (r *receiver) become(m mood) {
	r.mu.Lock()
	r.mood = m
	sessions := r.sessions
	r.sessions = nil
	r.mu.Unlock()
	for _, s := range sessions { // a broker that stops and starts
		s.Close()
	}
}

func (s *session) Publish(_ string, qos byte, _ bool, payload []byte, done func(error)) {
	s.r.mu.Lock()
	m := s.r.mood
	s.r.mu.Unlock()
	go func() {
		if m == willing {
			select {
			case <-time.After(3 * time.Millisecond):
			case <-s.closed:
			}
		} else {
			<-s.closed
		}
		select {
		case <-s.closed:
			done(errors.New("the session ended"))
			return
		default:
		}
		var e struct{ ID, Type string }
		if json.Unmarshal(payload, &e) == nil && e.ID != "" && qos > 0 {
			s.r.mu.Lock()
			s.r.got[e.ID]++
			s.r.mu.Unlock()
		}
		done(nil)
	}()
}

func (s *session) Closed() <-chan struct{} { return s.closed }
func (s *session) Err() error              { return errors.New("the receiver went") }
func (s *session) Close()                  { s.once.Do(func() { close(s.closed) }) }

// TestHouseRuns: the core as Run runs it, goroutines and all, on a real queue, between the simulated air and a receiver that
// goes away, comes back and falls silent; another that never acknowledges anything hinders nobody. All that the nodes made
// arrives, and only that.
func TestHouseRuns(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := lane().Filled()
		s.Until, s.Faults.Lose, s.Faults.Corrupt = ether.Duration(40*time.Minute), 0.05, 0.05
		for i := range s.Nodes {
			s.Nodes[i].Card = s.Nodes[i].Name
			if s.Nodes[i].Rate != nil {
				s.Nodes[i].Rate.PerHour = 60
			}
		}
		current, cards, err := people(&s)
		if err != nil {
			t.Fatal(err)
		}
		made := map[string]bool{}
		e, err := ether.New(s, 7, ether.Options{Card: func(name string) (node.Card, error) { return cards[name], nil },
			Record: func(r ether.Record) {
				if r.What == ether.RecordMade {
					made[r.ID] = true
				}
			}})
		if err != nil {
			t.Fatal(err)
		}
		q, err := queue.Open(filepath.Join(t.TempDir(), "queue.db"), queue.Options{Advance: gateway.AdvanceMark})
		if err != nil {
			t.Fatal(err)
		}
		house := &receiver{got: map[string]int{}}
		never := &receiver{got: map[string]int{}, mood: mute}
		sink := func(name string, r *receiver, required bool) gateway.SinkOptions {
			return gateway.SinkOptions{Name: name, Required: required, MaxLag: 20, FromStart: true, Window: 32, Dial: r.dial, MaxBackoff: time.Second,
				Reason: func(error) string { return "ended" }}
		}
		live := ether.NewLive(e)
		began := time.Now()
		g, err := gateway.New(gateway.Options{Site: "rehearsal", Name: "house", Roster: current, Queue: gateway.OnQueue(q), Links: []radio.Link{antenna{live}},
			Air: map[string]gateway.Air{mastName: {Settings: lora.Settings{SpreadingFactor: 7, Bandwidth: 125000, CodingRate: 5, Preamble: 8}}}, OldAfter: 10 * time.Second, FreshWithin: proto.FreshWithin, CheckIn: 15 * time.Minute,
			Clock: gateway.Clock{Wall: time.Now, Mono: func() time.Duration { return time.Since(began) }, Boot: [16]byte{1}, Set: func() bool { return true }},
			Sinks: []gateway.SinkOptions{sink("house", house, true), sink("never", never, false)}, Meter: newTally(cards), Log: slog.New(slog.DiscardHandler)})
		if err != nil {
			t.Fatal(err)
		}
		ctx, cancel := context.WithCancel(context.Background())
		done := make(chan error, 1)
		go func() { done <- g.Run(ctx) }()
		for _, turn := range []struct {
			m    mood
			last time.Duration
		}{{willing, 10 * time.Minute}, {away, 5 * time.Minute}, {willing, 5 * time.Minute}, {mute, 5 * time.Minute}, {willing, 90 * time.Minute}} {
			house.become(turn.m)
			<-time.After(turn.last)
		}
		synctest.Wait()
		cancel()
		if err := errors.Join(<-done, q.Close()); err != nil {
			t.Error(err)
		}
		if len(made) < 100 || live.Held() != 0 {
			t.Errorf("%d events made, %d still held", len(made), live.Held())
		}
		for id := range made {
			if house.got[id] == 0 {
				t.Errorf("%s never arrived", id)
			}
		}
		for id := range house.got {
			if !made[id] && id[0] >= '1' && id[0] <= '9' {
				t.Errorf("%s arrived and was never made", id)
			}
		}
	})
}
