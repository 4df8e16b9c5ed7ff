package main

import (
	"errors"
	"fmt"
	"slices"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"

	"longlane/gateway"
)

// reconnect measures how soon the first live trip is acknowledged once a broker listens again.
func reconnect(b *bench) (rows []row, err error) {
	mos, err := startMosquitto(b.dir)
	if err != nil {
		return nil, err
	}
	defer func() { mos.stop() }()
	q, err := openQueue(b.dir, "own", nil)
	if err != nil {
		return nil, err
	}
	defer func() { err = errors.Join(err, q.Close()) }()
	s, err := b.newStream("own", gateway.OnQueue(q), mos.addr)
	if err != nil {
		return nil, err
	}
	defer func() { err = errors.Join(err, s.stop()) }()
	quit, fed := make(chan struct{}), make(chan error, 1)
	go func() { fed <- s.trickle(quit) }() // ends with quit
	var own, floor []time.Duration
	for i := range b.sizes.outages {
		mine, theirs, err := s.outage(mos, 2*time.Second+time.Duration(i)*300*time.Millisecond)
		if err != nil {
			close(quit)
			return nil, errors.Join(err, <-fed)
		}
		own, floor = append(own, mine), append(floor, theirs)
		b.progress("outage %d: %s, bare client %s", i+1, ms(mine), ms(theirs))
	}
	close(quit)
	if err := <-fed; err != nil {
		return nil, err
	}
	if err := await("what waited for the broker", func() bool { return s.depth() == 0 }); err != nil {
		return nil, err
	}
	worst := slices.Max(own)
	return []row{{name: "broker back: first live trip acknowledged, worst", own: ms(worst), floor: ms(slices.Max(floor)) + " a client that dials every 5 ms",
		ratio: over(worst, slices.Max(floor)), asked: "≤ 2s", met: worst <= 2*time.Second,
		note: fmt.Sprintf("worst of %d outages of 2 s and more, median %s; the broker's process goes, its machine stays", len(own), ms(median(own)))}}, nil
}

// trickle has a trip come in twenty times a second.
func (s *stream) trickle(quit <-chan struct{}) error {
	tick := time.NewTicker(50 * time.Millisecond)
	defer tick.Stop()
	for {
		select {
		case <-quit:
			return nil
		case <-tick.C:
			frame, err := s.trip(s.now())
			if err != nil {
				return err
			}
			s.feed.give(frame)
		}
	}
}

func (s *stream) outage(mos *broker, length time.Duration) (own, floor time.Duration, err error) {
	mos.stop()
	if err := await("the session to end", func() bool { return s.g.Sessions()[sinkName] != nil }); err != nil {
		return 0, 0, err
	}
	time.Sleep(length)
	live := s.meter.live.Load()
	bare := make(chan time.Time, 1)
	go func() { bare <- eager(mos.addr) }() // ends with its acknowledgement or after patience
	if err := mos.start(); err != nil {
		return 0, 0, err
	}
	back := time.Now()
	err = await("a live trip to be acknowledged", func() bool { return s.meter.live.Load() > live })
	own = time.Since(back)
	at := <-bare
	if at.IsZero() {
		err = errors.Join(err, errors.New("the bare client had no acknowledgement"))
	}
	return own, max(at.Sub(back), time.Millisecond), err // it may have been faster than our own look
}

// eager dials until it is let in, publishes once, and returns when that was acknowledged; zero: never.
func eager(addr string) time.Time {
	for end := time.Now().Add(patience); time.Now().Before(end); time.Sleep(5 * time.Millisecond) {
		c := paho.NewClient(paho.NewClientOptions().AddBroker("tcp://" + addr).SetClientID("eager").SetAutoReconnect(false))
		if t := c.Connect(); !t.WaitTimeout(time.Second) || t.Error() != nil {
			continue
		}
		t := c.Publish("longlane/"+siteName+"/zone/river-gate/trip", 1, false, "{}")
		ok := t.WaitTimeout(time.Second) && t.Error() == nil
		at := time.Now()
		c.Disconnect(0)
		if ok {
			return at
		}
	}
	return time.Time{}
}
