package ether

import (
	"encoding/binary"
	"fmt"
	"strings"
	"time"

	"longlane/proto"
	"longlane/radio/lora"
	"longlane/radio/use"
)

// Band is the row of the rules under which a station sends, by its number: the nodes in their order, and behind them the gateway's
// modem. The error is a *FieldError.
func (s Scenario) Band(number int) (lora.Band, error) {
	s = s.Filled()
	c, field := s.Air, "air.frequency"
	if number < len(s.Nodes) && s.Nodes[number].Power != nil {
		field = fmt.Sprintf("node[%d].power", number)
	}
	switch {
	case lora.Bands(c.Region) == nil:
		found := fmt.Sprintf("%q", c.Region)
		if c.Region == "" {
			found = "nothing"
		}
		return lora.Band{}, &FieldError{"air.region", found,
			fmt.Sprintf(`the one whose rules hold where the antennas stand, of %s; such as region = "europe" under [air]`, strings.Join(lora.Regions(), ", "))}
	case c.Frequency == 0:
		usual := lora.Default(c.Region)
		return lora.Band{}, &FieldError{"air.frequency", "nothing",
			fmt.Sprintf("the channel's centre in MHz, such as frequency = %v under [air]", float64(usual.Frequency)/1e6)}
	}
	band, err := lora.Lawful(c.Region, s.Transmitter(s.power(number), proto.MaxSize))
	if err != nil {
		return band, unlawful(field, err)
	}
	return band, nil
}

// unlawful is a refusal by the rules, with what would be lawful as what was expected.
func unlawful(field string, err error) error {
	expected := "a channel and a power that are lawful there"
	found, instead, ok := strings.Cut(err.Error(), ". Lawful instead: ")
	if ok {
		expected = instead
	}
	return &FieldError{field, found, expected}
}

// budget keeps a station within what is lawful, as gateway/airtime does on a board: a ledger, and of it in lasting memory what
// was so when it was last written, with airtime set aside ahead of use. Whoever loses his power finds that all of that has been
// sent, and no time has passed.
type budget struct {
	lora.Band
	block   time.Duration // what is set aside at a time
	ledger  *lora.Ledger
	written []byte

	granted  time.Duration // since the start
	reserved time.Duration // granted may reach this: lasting memory knows
}

// Airtime is set aside for two dozen frames of about a receipt's size, or a 16th of the budget, if that is less: as on a board.
const (
	blockFrames = 24
	frameSize   = 33
	blocks      = 16
)

func (e *Ether) newBudget(number int) (*budget, error) {
	if e.s.Air.Region == "" {
		return nil, nil
	}
	band, err := e.s.Band(number)
	if err != nil {
		return nil, err
	}
	return &budget{Band: band, block: min(band.Budget()/blocks, blockFrames*cost(e.Airtime(frameSize)))}, nil
}

// cost is what a frame counts for: a thousandth more, for what crystals are off.
func cost(airtime time.Duration) time.Duration { return airtime + airtime/1000 }

// moment is what a board without a battery clock knows of time.
func (st *station) moment() lora.Moment {
	m := lora.Moment{Mono: st.e.now - st.bootAt}
	binary.BigEndian.PutUint64(m.Boot[:], uint64(st.boot))
	return m
}

// open is the station's start.
func (b *budget) open(now lora.Moment) error {
	var err error
	b.granted, b.reserved = 0, 0
	b.ledger, err = lora.NewLedger(lora.LedgerOptions{Budget: b.Budget(), LongestFrame: b.LongestFrame, Pause: b.Pause, Now: now, Saved: b.written})
	return err
}

// permit grants a frame that goes on the air now and is over after airtime, or does not.
func (b *budget) permit(now lora.Moment, frame []byte, airtime time.Duration) bool {
	cost := cost(airtime)
	purpose, margin := use.Of(frame), cost/4
	if wait, err := b.ledger.Ask(now.Mono, purpose, cost); wait > 0 || err != nil {
		return false
	}
	if b.granted+cost+margin > b.reserved {
		b.write(now, max(b.block, cost+margin))
	}
	g, _, _ := b.ledger.Spend(now.Mono, purpose, cost) // as it has just said it would
	b.ledger.Settle(g, cost, now.Mono+airtime)
	b.granted += cost
	if b.reserved-b.granted < b.block/4 {
		b.write(now, b.block)
	}
	return true
}

// write sets airtime aside.
func (b *budget) write(now lora.Moment, ahead time.Duration) {
	b.written = b.ledger.Save(now, ahead)
	b.reserved = b.granted + ahead
}

// Limit is the most that a station may send in an hour, by the rules; name "gateway" is the modem. ok is false if there is no
// region, or no such station.
func (e *Ether) Limit(name string) (limit time.Duration, ok bool) {
	number := e.s.number(name)
	if number < 0 || e.s.Air.Region == "" {
		return 0, false
	}
	band, err := e.s.Band(number)
	return band.Budget(), err == nil
}
