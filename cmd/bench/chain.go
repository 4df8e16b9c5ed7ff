package main

import (
	"errors"
	"fmt"
	"path/filepath"
	"time"

	"longlane/gateway"
	"longlane/gateway/memory"
	"longlane/radio"
)

// How many events are under way at most: so many that neither the live lane (256) nor what may wait for a commit (1024)
// is full and something has to go by the disk, or be dropped.
const (
	mostPublishing = 200
	mostCommitting = 900
)

// stream is a gateway fed as fast as it takes.
type stream struct {
	*core
	feed *feed
}

func (b *bench) newStream(name string, st gateway.Store, addr string) (*stream, error) {
	s, err := newSite(filepath.Join(b.dir, name))
	if err != nil {
		return nil, err
	}
	f := newFeed("mast")
	c, err := startCore(s, st, []radio.Link{f}, addr, name)
	if err != nil {
		return nil, err
	}
	return &stream{c, f}, c.connected()
}

// pour gives n trips, sealed before the clock starts, and returns the rate at which they were done with: stored, and
// acknowledged by the broker.
func (s *stream) pour(n int) (perSecond float64, err error) {
	frames := make([][]byte, n)
	for i := range frames {
		if frames[i], err = s.trip(s.now()); err != nil {
			return 0, err
		}
	}
	published := func() int64 { return s.meter.live.Load() + s.meter.backlog.Load() }
	before := int64(s.counter) - int64(n)
	began := time.Now()
	for i, f := range frames {
		sent := before + int64(i)
		for sent-published() >= mostPublishing || sent-s.meter.committed.Load() >= mostCommitting {
			if time.Since(began) > patience {
				return 0, fmt.Errorf("%d trips of %d in %v", i, n, patience)
			}
			time.Sleep(50 * time.Microsecond)
		}
		s.feed.give(f)
	}
	total := int64(s.counter)
	err = await("all trips to be stored and acknowledged", func() bool {
		return s.meter.committed.Load() == total && published() >= total && s.depth() == 0
	})
	took := time.Since(began)
	if got := published(); got != total {
		err = errors.Join(err, fmt.Errorf("%d trips given, %d published: the broker was meant to have each once", total, got))
	}
	return float64(n) / took.Seconds(), err
}

// chain measures the sustained rate of the whole way: verify, commit, publish, PUBACK.
func chain(b *bench) (rows []row, err error) {
	mos, err := startMosquitto(b.dir)
	if err != nil {
		return nil, err
	}
	defer mos.stop()
	q, err := openQueue(b.dir, "own", nil)
	if err != nil {
		return nil, err
	}
	defer func() { err = errors.Join(err, q.Close()) }()
	own, err := b.newStream("own", gateway.OnQueue(q), mos.addr)
	if err != nil {
		return nil, err
	}
	defer func() { err = errors.Join(err, own.stop()) }()
	floor, err := b.newStream("floor", memory.New(), mos.addr)
	if err != nil {
		return nil, err
	}
	defer func() { err = errors.Join(err, floor.stop()) }()
	var mine, theirs, ratio []float64
	for i := range b.sizes.rounds + 1 {
		m, err := own.pour(b.sizes.chain)
		if err != nil {
			return nil, err
		}
		f, err := floor.pour(b.sizes.chain)
		if err != nil {
			return nil, err
		}
		if i == 0 {
			continue // to warm up
		}
		mine, theirs, ratio = append(mine, m), append(theirs, f), append(ratio, m/f)
		b.progress("round %d: %s, without a disk %s", i, rate(m), rate(f))
	}
	return []row{atLeast("whole chain, sustained", median(ratio), 0.9, rate(median(mine)), rate(median(theirs))+" without a disk")}, nil
}
