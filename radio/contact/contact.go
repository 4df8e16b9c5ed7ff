// Package contact reads a contact of the outside world: a switch, a beam's relay, a loop. It says in which position the
// contact stands, each time that changes, and says as well when nobody can tell.
//
// There are two ways to read one: Command, a program that prints words, and GPIO, a pin of the board. Debouncing and
// all that follows from a position are not decided here.
package contact

import (
	"context"
	"time"

	"golang.org/x/sys/unix"
)

// Position is how a contact stands.
type Position uint8

// The positions. Cut and Short are told only of a loop that is supervised, commonly by two resistors: the wire is broken,
// or its two conductors touch. Away is not knowing: the program ended, or the pin cannot be read.
const (
	Open Position = iota
	Closed
	Cut
	Short
	Away
)

func (p Position) String() string { return [...]string{"open", "closed", "cut", "short", "away"}[p] }

// Reading is a position as it was read.
type Reading struct {
	Position Position
	At       time.Duration // since boot: see Now
	Why      string        // of Away, for people
}

// Source is where readings come from.
type Source interface {
	// Run reads until ctx ends. It emits the position once it knows it, and then each change; a position may be repeated.
	// It never gives up: what cannot be read is emitted as Away, and tried again. emit is called from one goroutine at
	// a time and may wait for its receiver.
	Run(ctx context.Context, emit func(Reading))
	// Supervised reports whether the source can tell a cut or shorted wire from a contact that rests.
	Supervised() bool
}

// Now is the time since boot, suspension included (CLOCK_BOOTTIME). It never runs backwards.
func Now() time.Duration {
	var ts unix.Timespec
	if err := unix.ClockGettime(unix.CLOCK_BOOTTIME, &ts); err != nil {
		panic(err) // Linux has had it since 2.6.39
	}
	return time.Duration(ts.Nano())
}

// backoff is the wait between attempts: it doubles, and begins anew after an attempt that lasted.
type backoff struct{ next time.Duration }

const (
	backoffMin = time.Second
	backoffMax = 5 * time.Minute // each attempt that works for a moment costs two frames on the air
	lasted     = time.Minute
)

// sleep waits, but not beyond the end of ctx. took is how long the last attempt lasted.
func (b *backoff) sleep(ctx context.Context, took time.Duration) {
	if took >= lasted {
		b.next = 0
	}
	b.next = min(max(b.next, backoffMin), backoffMax)
	t := time.NewTimer(b.next)
	defer t.Stop()
	b.next *= 2
	select {
	case <-t.C:
	case <-ctx.Done():
	}
}
