package contact

import (
	"context"
	"sync"
	"time"

	"golang.org/x/sys/unix"

	"longlane/radio/gpio"
)

// GPIO reads a contact by a pin of the board: active is closed.
type GPIO struct {
	Line gpio.Options
	// Wire, if given, is a second pin, which a comparator on the board holds active while the resistance of the loop is that of
	// a whole wire. Inactive, the wire is short if the contact's pin says closed, and cut if it says open.
	Wire *gpio.Options
}

// Supervised implements Source.
func (g *GPIO) Supervised() bool { return g.Wire != nil }

// pin is what is needed of a gpio.Line.
type pin interface {
	Active() (bool, error)
	Read() ([]gpio.Edge, error)
	Close() error
}

var openPin = func(o gpio.Options) (pin, error) {
	l, err := gpio.Open(o)
	if err != nil {
		return nil, err // not a nil *Line in an interface
	}
	return l, nil
}

// Run implements Source.
func (g *GPIO) Run(ctx context.Context, emit func(Reading)) {
	for wait := (backoff{}); ctx.Err() == nil; {
		began := time.Now()
		err := g.watch(ctx, emit)
		if ctx.Err() != nil {
			return
		}
		emit(Reading{Away, Now(), err.Error()})
		wait.sleep(ctx, time.Since(began))
	}
}

// change is a pin's new state.
type change struct {
	wire, active bool
	at           time.Duration
	err          error
}

// watch reads the pins until one of them cannot be read.
func (g *GPIO) watch(ctx context.Context, emit func(Reading)) error {
	pins := []gpio.Options{g.Line}
	if g.Wire != nil {
		pins = append(pins, *g.Wire)
	}
	changes, done := make(chan change), make(chan struct{})
	var readers sync.WaitGroup
	defer readers.Wait()
	defer close(done)
	whole, closed := true, false
	for i, o := range pins {
		p, err := openPin(o)
		if err != nil {
			return err
		}
		defer p.Close() // frees its reader, and comes before the wait for it
		active, err := p.Active()
		if err != nil {
			return err
		}
		if i == 0 {
			closed = active
		} else {
			whole = active
		}
		readers.Go(func() { follow(p, i == 1, changes, done) })
	}
	for emit(Reading{position(closed, whole), Now(), ""}); ; {
		select {
		case <-ctx.Done():
			return ctx.Err()
		case c := <-changes:
			switch {
			case c.err != nil:
				return c.err
			case c.wire:
				whole = c.active
			default:
				closed = c.active
			}
			emit(Reading{position(closed, whole), c.at, ""})
		}
	}
}

func position(closed, whole bool) Position {
	switch {
	case whole && closed:
		return Closed
	case whole:
		return Open
	case closed:
		return Short
	}
	return Cut
}

// follow hands on the edges of one pin until it is closed.
func follow(p pin, wire bool, to chan<- change, done <-chan struct{}) {
	for {
		edges, err := p.Read()
		ahead := Now() - monotonic() // what the machine has slept since boot: the kernel dates edges without it
		list := []change{{err: err}}
		if err == nil {
			list = list[:0]
			for _, e := range edges {
				list = append(list, change{wire: wire, active: e.Active, at: e.At + ahead})
			}
		}
		for _, c := range list {
			select {
			case to <- c:
			case <-done:
				return
			}
		}
		if err != nil {
			return
		}
	}
}

func monotonic() time.Duration {
	var ts unix.Timespec
	if err := unix.ClockGettime(unix.CLOCK_MONOTONIC, &ts); err != nil {
		panic(err) // every Linux has it
	}
	return time.Duration(ts.Nano())
}
