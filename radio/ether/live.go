package ether

import (
	"context"
	"errors"
	"sync/atomic"
	"time"
)

// Port is where frames from the air go: the modem's own end of its line (modem.Device). An error says why the host did
// not get the frame.
type Port interface {
	Receive(frame []byte, rssi, snr, freqErr float64) error
}

// Live drives an Ether from the wall clock. Run's goroutine owns the Ether; the other methods are safe for concurrent
// use.
type Live struct {
	// Plug, if not nil, is told of the modem's plug, from Run's goroutine. It must not call Transmit.
	Plug func(Plug)

	e     *Ether
	sends chan send
	ended chan struct{}
	held  atomic.Int64
}

type send struct {
	frame  []byte
	result chan sendResult // has room for one
}

type sendResult struct {
	airtime time.Duration
	err     error
}

// NewLive takes over e.
func NewLive(e *Ether) *Live {
	l := &Live{e: e, sends: make(chan send), ended: make(chan struct{})}
	l.held.Store(int64(e.Held()))
	return l
}

// Held is how many events wait in all nodes for their receipts.
func (l *Live) Held() int { return int(l.held.Load()) }

// ErrEnded is returned by Transmit once Run has ended.
var ErrEnded = errors.New("the simulated air has ended")

// Transmit senses the carrier, sends a frame of the modem's, and returns when it has been on the air, with its airtime; before
// Run it waits for Run. Its error is radio.ErrBusy or ErrEnded.
func (l *Live) Transmit(frame []byte) (time.Duration, error) {
	s := send{frame, make(chan sendResult, 1)}
	sensed := time.NewTimer(l.e.Sensing())
	defer sensed.Stop()
	select {
	case <-sensed.C:
	case <-l.ended:
		return 0, ErrEnded
	}
	select {
	case l.sends <- s:
	case <-l.ended:
		return 0, ErrEnded
	}
	r := <-s.result // Run answers what it has taken
	if r.err != nil {
		return 0, r.err
	}
	timer := time.NewTimer(r.airtime)
	defer timer.Stop()
	select {
	case <-timer.C:
		return r.airtime, nil
	case <-l.ended:
		return 0, ErrEnded
	}
}

// Run lets the ether's time run with the wall clock until ctx ends, and returns nil then. It can run once.
func (l *Live) Run(ctx context.Context, to Port) error {
	defer close(l.ended)
	start := time.Now()
	timer := time.NewTimer(0)
	defer timer.Stop()
	for {
		events, wake := l.e.Step(time.Since(start))
		for _, ev := range events {
			l.pass(to, ev)
		}
		l.held.Store(int64(l.e.Held()))
		if wake == never {
			timer.Stop()
		} else {
			timer.Reset(max(wake-time.Since(start), 0))
		}
		select {
		case <-ctx.Done():
			return nil
		case <-timer.C:
		case s := <-l.sends:
			airtime, err := l.e.Transmit(time.Since(start), s.frame)
			s.result <- sendResult{airtime, err}
		}
	}
}

func (l *Live) pass(to Port, ev Event) {
	if ev.Plug != PlugStays {
		if l.Plug != nil {
			l.Plug(ev.Plug)
		}
		return
	}
	if err := to.Receive(ev.Frame, ev.RSSI, ev.SNR, ev.Freq); err != nil {
		l.e.lost(Record{Kind: kindOf(ev.Frame)}, toGateway, "the host did not get it: "+err.Error())
	}
}
