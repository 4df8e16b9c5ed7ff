package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"path/filepath"
	"strings"
	"sync/atomic"
	"time"

	"longlane/gateway"
	"longlane/gateway/memory"
	"longlane/gateway/mqtt"
	"longlane/radio"
	"longlane/radio/modem"
	"longlane/radio/serialport"
)

// mast is a modem on a pty, and the bearer that speaks with it.
type mast struct {
	pty    *serialport.Pty
	link   *modem.Modem
	cancel context.CancelFunc
	done   chan error
}

func newMast() (*mast, error) {
	p, err := serialport.NewPty("")
	if err != nil {
		return nil, err
	}
	device := modem.NewDevice(modem.DeviceOptions{Transmit: func([]byte) (time.Duration, error) { return 0, nil }})
	ctx, cancel := context.WithCancel(context.Background())
	m := &mast{pty: p, cancel: cancel, done: make(chan error, 1)}
	go func() { m.done <- device.Serve(ctx, p) }() // ends with close
	m.link = modem.New(modem.Options{Name: "mast",
		Permit: func([]byte) (func(radio.Fate, time.Duration), error) { // nothing is on the air
			return func(radio.Fate, time.Duration) {}, nil
		},
		Open: func(context.Context) (io.ReadWriteCloser, error) {
			return serialport.Open(serialport.Options{Path: p.Path()})
		},
		Parameters: modem.Parameters{Frequency: 868_100_000, Bandwidth: 125_000, SpreadingFactor: 7, CodingRate: 5, Power: 14, SyncWord: 0x12, Preamble: 8}})
	return m, nil
}

func (m *mast) close() error {
	m.cancel()
	return <-m.done
}

// hear writes to the tty what the modem would for a frame, in one write, and returns when that began. Beside it the
// device writes results of receipts; each is whole, since the kernel takes one write after the other.
func (m *mast) hear(frame []byte) (time.Time, error) {
	b := modem.Append(nil, modem.Received{RSSI: modem.Quarters(-88), SNR: modem.Quarters(8.5), Frame: frame})
	at := time.Now()
	_, err := m.pty.Write(b)
	return at, err
}

// house listens to the trips of all gateways at a broker.
type house struct {
	cancel context.CancelFunc
	done   chan error
	heard  chan arrival
}

type arrival struct {
	at      time.Time
	payload []byte
}

func newHouse(addr string) (*house, error) {
	ctx, cancel := context.WithCancel(context.Background())
	h := &house{cancel: cancel, done: make(chan error, 1), heard: make(chan arrival, 1024)}
	granted := make(chan struct{}, 1)
	go func() { // ends with close
		h.done <- mqtt.Subscribe(ctx, mqtt.SubscribeOptions{URL: "mqtt://" + addr, ClientID: "chime", QoS: 1, CleanSession: true,
			Filters: []string{"longlane/" + siteName + "/zone/+/trip"}, Connected: func() { granted <- struct{}{} }},
			func(_ string, payload []byte, _ bool) { h.heard <- arrival{time.Now(), payload} })
	}()
	select {
	case <-granted:
		return h, nil
	case <-time.After(patience):
		cancel()
		return nil, errors.Join(errors.New("no subscription"), <-h.done)
	}
}

func (h *house) close() error {
	h.cancel()
	return <-h.done
}

// next waits for the event with this counter.
func (h *house) next(counter uint32) (time.Time, error) {
	select {
	case a := <-h.heard:
		if !strings.Contains(string(a.payload), fmt.Sprintf(".%d\"", counter)) {
			return a.at, fmt.Errorf("waited for event %d, had %s", counter, a.payload)
		}
		return a.at, nil
	case <-time.After(patience):
		return time.Time{}, fmt.Errorf("event %d did not arrive in %v", counter, patience)
	}
}

// lane is one way from tty to subscriber.
type lane struct {
	*core
	mast  *mast
	house *house
	took  []time.Duration
}

// breath is between two trips.
const breath = 4 * time.Millisecond

// send sends one trip and notes how long it took to arrive. If settle is set it goes on only once the trip is stored, so
// that what is measured next is not disturbed by this one.
func (l *lane) send(settle bool) error {
	frame, err := l.trip(l.now())
	if err != nil {
		return err
	}
	began, err := l.mast.hear(frame)
	if err != nil {
		return err
	}
	at, err := l.house.next(l.counter)
	if err != nil {
		return err
	}
	l.took = append(l.took, at.Sub(began))
	if settle {
		err = l.settled()
	}
	time.Sleep(breath)
	return err
}

func (l *lane) settled() error {
	return await("the commit", func() bool { return l.meter.committed.Load() == int64(l.counter) })
}

// check holds the counts together: each trip was delivered once, by the live lane.
func (l *lane) check() error {
	if err := l.settled(); err != nil {
		return err
	}
	if err := await("the acknowledgements", func() bool { return l.depth() == 0 }); err != nil {
		return err
	}
	if live, backlog := l.meter.live.Load(), l.meter.backlog.Load(); live != int64(l.counter) || backlog+l.meter.dropped.Load() != 0 {
		return fmt.Errorf("%d trips sent, %d delivered live, %d from the backlog, %d dropped", l.counter, live, backlog, l.meter.dropped.Load())
	}
	return nil
}

func (b *bench) newLane(name string, st gateway.Store, addr string, h *house) (l *lane, err error) {
	l = &lane{house: h}
	s, err := newSite(filepath.Join(b.dir, name))
	if err != nil {
		return nil, err
	}
	if l.mast, err = newMast(); err != nil {
		return nil, err
	}
	if l.core, err = startCore(s, st, []radio.Link{l.mast.link}, addr, name); err != nil {
		return nil, errors.Join(err, l.mast.close())
	}
	return l, l.connected()
}

func (l *lane) close() error { return errors.Join(l.stop(), l.mast.close()) }

const held = 500 * time.Millisecond

// brake holds up every commit, and knows when it last let one go.
type brake struct{ released atomic.Int64 } // Unix time, ns

func (b *brake) hold(string) error {
	time.Sleep(held)
	b.released.Store(time.Now().UnixNano())
	return nil
}

// meets is for how long after a release a trip may meet what follows: the receipts for all that was held.
const meets = 5 * time.Millisecond

// since is how long ago a commit was last let go.
func (b *brake) since() time.Duration {
	return time.Duration(time.Now().UnixNano() - b.released.Load())
}

// alert measures the way of a trip from the tty to a subscriber: with the queue, with the store in memory, and with a
// queue whose commits take half a second longer. The three take turns trip by trip.
func alert(b *bench) (rows []row, err error) {
	mos, err := startMosquitto(b.dir)
	if err != nil {
		return nil, err
	}
	defer mos.stop()
	h, err := newHouse(mos.addr)
	if err != nil {
		return nil, err
	}
	defer func() { err = errors.Join(err, h.close()) }()
	var lanes []*lane
	var brake brake
	for _, kind := range []struct {
		name  string
		disk  bool
		fault func(string) error
	}{{"own", true, nil}, {"floor", false, nil}, {"held", true, brake.hold}} {
		var st gateway.Store = memory.New()
		if kind.disk {
			q, err := openQueue(b.dir, kind.name, kind.fault)
			if err != nil {
				return nil, err
			}
			defer func() { err = errors.Join(err, q.Close()) }()
			st = gateway.OnQueue(q)
		}
		l, err := b.newLane(kind.name, st, mos.addr, h)
		if err != nil {
			return nil, err
		}
		defer func() { err = errors.Join(err, l.close()) }()
		lanes = append(lanes, l)
	}
	own, floor, slow := lanes[0], lanes[1], lanes[2]
	var met []time.Duration // of those whose commits are held: what trips took just after a release
	for i := range b.sizes.rounds {
		from := i * b.sizes.alerts
		for range b.sizes.alerts {
			if err := errors.Join(own.send(true), floor.send(true)); err != nil {
				return nil, err
			}
			burst := brake.since() < meets
			if err := slow.send(false); err != nil {
				return nil, err
			}
			if burst {
				met = append(met, slow.took[len(slow.took)-1])
			}
		}
		b.progress("round %d: median %s, floor %s; 99th %s, floor %s, commits held %s", i+1, ms(median(own.took[from:])), ms(median(floor.took[from:])),
			ms(quantile(own.took[from:], 0.99)), ms(quantile(floor.took[from:], 0.99)), ms(quantile(slow.took[from:], 0.99)))
	}
	for _, l := range lanes {
		if err := l.check(); err != nil {
			return nil, err
		}
	}
	n := fmt.Sprintf(" (%d trips each)", len(own.took))
	mid, midFloor, midRatio := b.byRounds(own.took, floor.took, 0.5)
	tail, tailFloor, tailRatio := b.byRounds(own.took, floor.took, 0.99)
	tailSlow, _, slowRatio := b.byRounds(slow.took, own.took, 0.99)
	held := atMost("alert, 99th of 100, each commit held 500 ms", slowRatio, 1.5, ms(tailSlow), ms(tail)+" undisturbed")
	held.note = fmt.Sprintf("median %s, of the %d trips within %s of a release ", ms(median(slow.took)), len(met), meets)
	if len(met) > 0 {
		held.note += ms(median(met))
	}
	return []row{
		atMost("alert, median"+n, midRatio, 1.3, ms(mid), ms(midFloor)+" without a disk"),
		atMost("alert, 99th of 100", tailRatio, 1.5, ms(tail), ms(tailFloor)+" without a disk"),
		held,
	}, nil
}

// byRounds takes a quantile of each round of both, and gives the medians: of one's, of the other's, of their ratios. What else the
// machine does within a round falls on both, and a round in which it did much is one of many.
func (b *bench) byRounds(own, floor []time.Duration, q float64) (o, f time.Duration, ratio float64) {
	var owns, floors []time.Duration
	var ratios []float64
	for i := range b.sizes.rounds {
		of := func(took []time.Duration) time.Duration {
			return quantile(took[i*b.sizes.alerts:(i+1)*b.sizes.alerts], q)
		}
		owns, floors = append(owns, of(own)), append(floors, of(floor))
		ratios = append(ratios, over(owns[i], floors[i]))
	}
	return median(owns), median(floors), median(ratios)
}
