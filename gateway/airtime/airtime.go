// Package airtime keeps one modem within the airtime that is lawful, whatever dies: a lora.Ledger, made safe for
// concurrent use, whose state is on the disk before a frame that counts against it is in the air.
//
// A write for every frame would wear out the card and double what an event costs. So airtime is set aside on the disk
// ahead of use, in blocks of two dozen frames, or of a 16th of the budget if that is less: after a kill -9 the whole block
// counts as sent. While a quarter of it is left, the next is written beside what goes on.
package airtime

import (
	"cmp"
	"errors"
	"fmt"
	"log/slog"
	"sync"
	"time"

	"longlane/radio"
	"longlane/radio/lora"
)

// Store keeps a small value under a name. Put returns once it is on the disk; Get gives nil if there is none.
type Store interface {
	Get(name string) ([]byte, error)
	Put(name string, value []byte) error
}

// Options say whose airtime it is, and what is lawful.
type Options struct {
	Bearer   string // for the log
	Device   string // names the transmitter in the Store, whatever the bearer is called and wherever it sends
	Band     lora.Band
	Settings lora.Settings
	Use      func(frame []byte) lora.Use // what a frame is for
	Store    Store
	Register *Register            // what the Store must hold; nil: a ledger that is not there means that it has never sent
	Moment   func() lora.Moment   // all that the machine knows of time
	Mono     func() time.Duration // time since boot alone
	Log      *slog.Logger
}

// wallError is how far off a wall clock may be that counts as set: a battery clock that agrees within a minute makes it so.
const wallError = time.Minute

// A block is for so many frames of about a receipt's size, in bytes.
const (
	blockFrames = 24
	frameSize   = 33
)

// Keeper keeps the airtime of one modem. All methods are safe for concurrent use.
type Keeper struct {
	o     Options
	block time.Duration

	saving sync.Mutex // held while writing, and never while mu is waited for by settle

	mu       sync.Mutex // protects what follows
	ledger   *lora.Ledger
	granted  time.Duration // of this run, in all
	reserved time.Duration // granted may reach this: the disk knows
	asked    bool          // the next block is being written
	failing  bool          // the last write failed
	waits    uint64
	closed   bool
	writes   sync.WaitGroup
}

// Open goes on from what the Store holds.
func Open(o Options) (*Keeper, error) {
	k := &Keeper{o: o}
	if err := o.Settings.Check(); err != nil {
		return nil, fmt.Errorf("airtime of %s: %w", o.Bearer, err)
	}
	if o.Register == nil {
		o.Register = &Register{store: o.Store}
	}
	saved, lost := o.Register.ledger(o.Device)
	if lost != nil {
		saved = []byte{} // no ledger: it counts as damaged
	}
	var err error
	k.ledger, err = lora.NewLedger(lora.LedgerOptions{Budget: o.Band.Budget(), LongestFrame: o.Band.LongestFrame,
		Pause: o.Band.Pause, Now: o.Moment(), Saved: saved, WallError: wallError})
	if errors.Is(err, lora.ErrLedgerLost) {
		o.Log.Warn("nothing is known of what this modem has sent: it sends nothing for up to an hour, until that is lawful again whatever it was",
			"bearer", o.Bearer, "reason", cmp.Or(lost, err))
	} else if err != nil {
		return nil, fmt.Errorf("airtime of %s: %w", o.Bearer, err)
	}
	if err != nil || o.Register.devices != nil { // or the hour would begin anew with each start
		if err := k.save(0); err != nil {
			return nil, fmt.Errorf("airtime of %s: %w", o.Bearer, err)
		}
	}
	k.block = min(k.ledger.Budget()/16, blockFrames*k.cost(frameSize))
	return k, nil
}

func (k *Keeper) name() string { return ledgerName(k.o.Device) }

func ledgerName(device string) string { return "airtime " + device }

// cost is the airtime of a frame of n bytes, and a thousandth for what crystals are off and bandwidths are rounded.
func (k *Keeper) cost(n int) time.Duration {
	a := k.o.Settings.Airtime(n)
	return a + a/1000
}

// Permit is what modem.Options.Permit asks for. Its error is a *radio.WaitError, or wraps lora.ErrNever, or tells that the
// disk does not take the ledger. It may wait for the disk; what it returns does not.
func (k *Keeper) Permit(frame []byte) (settle func(radio.Fate, time.Duration), err error) {
	use, cost := k.o.Use(frame), k.cost(len(frame))
	margin := cost / 4 // the modem may tell of more than was reckoned, and the disk is to know of that too
	for {
		g, enough, err := k.grant(use, cost, margin)
		if err != nil {
			return nil, err
		}
		if enough {
			return func(fate radio.Fate, airtime time.Duration) { k.settle(g, fate, cost, airtime) }, nil
		}
		if err := k.save(max(k.block, cost+margin)); err != nil {
			return nil, err
		}
	}
}

// grant gives enough = false if too little is set aside on the disk.
func (k *Keeper) grant(use lora.Use, cost, margin time.Duration) (g lora.Grant, enough bool, err error) {
	k.mu.Lock()
	defer k.mu.Unlock()
	if k.closed {
		return 0, false, radio.ErrDown
	}
	now := k.o.Mono()
	wait, err := k.ledger.Ask(now, use, cost)
	switch {
	case err != nil:
		return 0, false, err
	case wait > 0:
		k.waits++
		return 0, false, &radio.WaitError{For: wait}
	case k.granted+cost+margin > k.reserved:
		return 0, false, nil
	}
	g, _, err = k.ledger.Spend(now, use, cost)
	k.granted += cost
	if k.reserved-k.granted < k.block/4 && !k.asked {
		k.asked = true
		k.writes.Go(func() { _ = k.save(k.block) }) // ends with the write; Close waits for it
	}
	return g, true, err
}

// save writes the ledger as it is, and sets airtime aside. That it cannot, and that it can again, is logged once.
func (k *Keeper) save(ahead time.Duration) error {
	k.saving.Lock()
	defer k.saving.Unlock()
	k.mu.Lock()
	image, upTo := k.ledger.Save(k.o.Moment(), ahead), k.granted+ahead
	k.mu.Unlock()
	err := k.o.Store.Put(k.name(), image)
	k.mu.Lock()
	defer k.mu.Unlock()
	k.asked = false
	switch failing := err != nil; {
	case failing && !k.failing:
		k.o.Log.Error("the ledger of airtime cannot be written: once what is set aside is used up, this modem sends nothing more", "bearer", k.o.Bearer, "err", err)
	case !failing && k.failing:
		k.o.Log.Info("the ledger of airtime is written again", "bearer", k.o.Bearer)
	}
	k.failing = err != nil
	if err != nil {
		return fmt.Errorf("nothing more is sent until the ledger of airtime can be written: %w", err)
	}
	k.reserved = upTo
	return nil
}

// settle takes the greater of what was reckoned and what the modem tells: if it tells less its settings are not those of
// the config, or it does not tell all.
func (k *Keeper) settle(g lora.Grant, fate radio.Fate, cost, told time.Duration) {
	k.mu.Lock()
	defer k.mu.Unlock()
	now := k.o.Mono()
	switch fate {
	case radio.NotSent:
		k.ledger.Settle(g, 0, now)
	case radio.Sent:
		k.ledger.Settle(g, max(cost, told), now)
		k.granted += max(told-cost, 0)
	default: // it may go now
		k.ledger.Settle(g, cost, now+cost)
	}
}

// Close writes what was really sent, so that the next run need take nothing for sent. Nothing is permitted any more.
func (k *Keeper) Close() error {
	k.mu.Lock()
	k.closed = true
	k.mu.Unlock()
	k.writes.Wait()
	k.mu.Lock()
	untouched := k.granted == 0 && k.reserved == 0
	k.mu.Unlock()
	if untouched {
		return nil // what the disk has is true still
	}
	return k.save(0)
}

// Used is the airtime of the last hour, as it counts now.
func (k *Keeper) Used() time.Duration {
	k.mu.Lock()
	defer k.mu.Unlock()
	return k.ledger.Used(k.o.Mono())
}

// Budget is the most airtime in any hour.
func (k *Keeper) Budget() time.Duration { return k.ledger.Budget() }

// Waits is how many times a frame was told to wait.
func (k *Keeper) Waits() uint64 {
	k.mu.Lock()
	defer k.mu.Unlock()
	return k.waits
}
