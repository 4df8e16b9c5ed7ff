package unit

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"log/slog"
	"slices"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"longlane/proto"
	"longlane/radio"
	"longlane/radio/contact"
	"longlane/radio/node"
)

var key = bytes.Repeat([]byte{0x5e}, proto.KeySize)

// sent is a frame that went into the air, opened.
type sent struct {
	at   time.Duration
	raw  proto.Raw
	body proto.Body
}

// bench is all that a unit needs, in a bubble of time. The air takes 60 ms a frame, and a gateway answers unless told not to.
type bench struct {
	t     *testing.T
	began time.Time
	unit  *Unit
	stop  func() error
	src   []source
	air   chan radio.Packet

	mu     sync.Mutex
	keys   *proto.Keys
	down   error // what Send returns
	mute   bool  // the gateway is away
	number uint32
	sent   []sent
	saves  []node.Saved
	saving time.Duration // how long a Save takes
	log    bytes.Buffer
	told   []string // by Observed and Sent
}

type source chan contact.Reading

func (s source) Supervised() bool { return false }
func (s source) Run(ctx context.Context, emit func(contact.Reading)) {
	for {
		select {
		case r := <-s:
			emit(r)
		case <-ctx.Done():
			return
		}
	}
}

// elapse waits in the bubble's time; whoever else waits there goes on meanwhile.
func elapse(d time.Duration) { <-time.After(d) }

func (b *bench) now() time.Duration { return time.Since(b.began) + time.Hour }

func (b *bench) Name() string { return "air" }
func (b *bench) Up() bool     { return true }
func (b *bench) Run(ctx context.Context, deliver func(radio.Packet)) error {
	for {
		select {
		case p := <-b.air:
			deliver(p)
		case <-ctx.Done():
			return nil
		}
	}
}

func (b *bench) Send(ctx context.Context, _ string, frame []byte) error {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.down != nil {
		return b.down
	}
	b.mu.Unlock()
	elapse(60 * time.Millisecond)
	b.mu.Lock()
	raw, err := proto.Parse(frame)
	if err != nil {
		b.t.Errorf("sent %x: %v", frame, err)
		return err
	}
	body, err := raw.Open(b.keys, raw.Counter) // below 2^16, so the short form is the whole
	if err != nil {
		b.t.Errorf("sent %x: %v", frame, err)
		return err
	}
	if last := b.saves[len(b.saves)-1]; raw.Type.Event() && (raw.Counter >= last.Event || !last.MayHold) {
		b.t.Errorf("%v %d is in the air, and the disk has %+v", raw.Type, raw.Counter, last)
	}
	b.sent = append(b.sent, sent{b.now() - 60*time.Millisecond, raw, body})
	if b.mute {
		return nil
	}
	b.number++
	h := proto.Header{Type: proto.TypeReceipt, HopsLeft: 7, Site: 4711, Node: 7, Gen: 1, Counter: raw.Counter, Epoch: 1, Number: b.number}
	r := &proto.Receipt{Time: proto.EncodeGatewayTime(b.now()), Attempt: uint8(raw.Attempt)}
	if raw.Type == proto.TypeCheckIn {
		h.Type = proto.TypeCheckInReceipt
	}
	receipt, err := proto.Seal(nil, b.keys, h, r)
	if err != nil {
		b.t.Error(err)
	}
	go func() { // after the gateway has thought
		elapse(100 * time.Millisecond)
		b.air <- radio.Packet{Frame: receipt, Measured: true, RSSI: -90, SNR: 8}
	}()
	return nil
}

func (b *bench) save(saved []byte) error {
	b.mu.Lock()
	takes := b.saving
	b.mu.Unlock()
	elapse(takes)
	var s node.Saved
	if err := s.UnmarshalBinary(saved); err != nil {
		b.t.Error(err)
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	b.saves = append(b.saves, s)
	return nil
}

// Write takes the log.
func (b *bench) Write(p []byte) (int, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.log.Write(p)
}

// onBench runs test with a unit of two inputs, of which the second is normally closed, and a tamper switch (source 2) that
// is closed while all is well.
func onBench(t *testing.T, test func(b *bench)) {
	t.Helper()
	onBenchWith(t, func(*Options) {}, test)
}

func onBenchWith(t *testing.T, edit func(*Options), test func(b *bench)) {
	t.Helper()
	synctest.Test(t, func(t *testing.T) {
		b := &bench{t: t, began: time.Now(), air: make(chan radio.Packet, 2000), src: []source{make(source), make(source), make(source)}}
		b.keys, _ = proto.NewKeys(key)
		o := Options{Node: node.Config{Site: 4711, Node: 7, Gen: 1, Key: key, Seed: 1, Mains: true,
			Inputs: []node.InputConfig{{Number: 0}, {Number: 1, NormallyClosed: true}}},
			Saved: node.FirstSaved(), Save: b.save, Link: b, Now: b.now, Log: slog.New(slog.NewTextHandler(b, &slog.HandlerOptions{Level: slog.LevelDebug})),
			Inputs: []Input{{0, b.src[0]}, {1, b.src[1]}}, Tamper: &Tamper{b.src[2], true},
			Observed: func(o node.Observed) {
				b.set(func() { b.told = append(b.told, fmt.Sprintf("%s %d", o.What, o.Counter)) })
			},
			Sent: func(x node.Transmit, err error) {
				b.set(func() { b.told = append(b.told, fmt.Sprintf("sent %v %d: %v", x.Type, x.Counter, err)) })
			}}
		edit(&o)
		u, err := New(o)
		if err != nil {
			t.Fatal(err)
		}
		b.unit = u
		ctx, cancel := context.WithCancel(context.Background())
		ended := make(chan error, 1)
		go func() { ended <- u.Run(ctx) }()
		b.stop = sync.OnceValue(func() error {
			cancel()
			return <-ended
		})
		b.put(0, contact.Open)
		b.put(1, contact.Closed)
		b.put(2, contact.Closed)
		elapse(5 * time.Second) // the first check-in is over
		test(b)
		if err := b.stop(); err != nil {
			t.Errorf("Run: %v", err)
		}
		elapse(time.Minute) // what a receipt's goroutine still waits for
	})
}

// set changes how the bench behaves.
func (b *bench) set(change func()) {
	b.mu.Lock()
	defer b.mu.Unlock()
	change()
}

func (b *bench) put(i int, p contact.Position) { b.src[i] <- contact.Reading{Position: p, At: b.now()} }

// events are what was sent, check-ins and repetitions apart.
func (b *bench) events() (list []string) {
	b.mu.Lock()
	defer b.mu.Unlock()
	for _, s := range b.sent {
		if s.raw.Attempt > 0 {
			continue
		}
		test := func(in proto.Input) string {
			if in.Test {
				return ", a test"
			}
			return ""
		}
		switch p := s.body.(type) {
		case *proto.TripOpened:
			list = append(list, fmt.Sprintf("opened %d%s", p.Input.Number, test(p.Input)))
		case *proto.TripClosed:
			list = append(list, fmt.Sprintf("closed %d%s", p.Input.Number, test(p.Input)))
		case *proto.Fault:
			list = append(list, fmt.Sprintf("fault %v input %d argument %d ended %v", p.Kind, p.Input.Number, p.Argument, p.Ended))
		}
	}
	return list
}

// first is the first event that was sent.
func (b *bench) first() sent {
	b.t.Helper()
	b.mu.Lock()
	defer b.mu.Unlock()
	i := slices.IndexFunc(b.sent, func(s sent) bool { return s.raw.Type.Event() })
	if i < 0 {
		b.t.Fatal("no event was sent")
	}
	return b.sent[i]
}

func (b *bench) expect(want ...string) {
	b.t.Helper()
	if got := b.events(); !slices.Equal(got, want) {
		b.mu.Lock()
		defer b.mu.Unlock()
		b.t.Errorf("sent %q, want %q; the log:\n%s", got, want, b.log.String())
	}
}

func (b *bench) logged(text string) int {
	b.mu.Lock()
	defer b.mu.Unlock()
	return strings.Count(b.log.String(), text)
}

// TestTrip: an arrival is in the air once debounce and minimum dwell are over, with its age, and released by the receipt;
// what left it behind is told too. The disk knows of each before the air does: Send sees to that.
func TestTrip(t *testing.T) {
	onBench(t, func(b *bench) {
		at := b.now()
		b.put(0, contact.Closed)
		elapse(3 * time.Second)
		b.put(0, contact.Open)
		elapse(3 * time.Second)
		b.expect("opened 0", "closed 0")
		first := b.first()
		opened := first.body.(*proto.TripOpened)
		if late := first.at - at; late != 75*time.Millisecond {
			t.Errorf("in the air %v after the contact, want the minimum dwell", late)
		}
		if age := opened.Age.Duration(); age < 70*time.Millisecond || age > 80*time.Millisecond {
			t.Errorf("age %v, want about 75 ms", age)
		}
		if n := b.logged("the gateway has the event on its disk"); n != 2 {
			t.Errorf("%d events released, want 2", n)
		}
	})
}

// TestReadingsKeepTheirTime: what a contact did while the disk held everything up counts as it was, not as it was found.
func TestReadingsKeepTheirTime(t *testing.T) {
	onBench(t, func(b *bench) {
		b.set(func() { b.saving = 1500 * time.Millisecond })
		b.put(0, contact.Closed)
		elapse(100 * time.Millisecond) // the disk is at work
		b.put(1, contact.Open)
		elapse(60 * time.Millisecond) // less than a trip
		b.put(1, contact.Closed)
		elapse(540 * time.Millisecond)
		b.put(0, contact.Open)
		elapse(20 * time.Second)
		b.expect("opened 0", "closed 0")
		if b.logged("dwell=700ms") != 1 {
			t.Errorf("the dwell is not 700 ms:\n%s", b.log.String())
		}
	})
}

// TestDiskHangs: an arrival is announced even so, and the fault tells that the counters are not safe.
func TestDiskHangs(t *testing.T) {
	onBench(t, func(b *bench) {
		b.set(func() {
			b.saving = time.Hour
			b.saves = append(b.saves, node.Saved{Event: 1000, MayHold: true}) // so that Send does not complain
		})
		at := b.now()
		b.put(0, contact.Closed)
		elapse(10 * time.Second)
		b.expect("opened 0", "fault number store input 0 argument 0 ended false")
		if late := b.first().at - at; late > saveTimeout+100*time.Millisecond {
			t.Errorf("announced after %v", late)
		}
		elapse(2 * time.Hour) // the next Save of each minute is refused until this one has ended
	})
}

// TestAway: a contact that nobody can read is a fault and no silence; a gap of a moment is none.
func TestAway(t *testing.T) {
	onBench(t, func(b *bench) {
		b.put(0, contact.Away)
		elapse(200 * time.Millisecond)
		b.put(0, contact.Open)
		elapse(10 * time.Second)
		b.expect()
		b.put(0, contact.Away)
		elapse(10 * time.Second)
		b.expect("fault input wire input 0 argument 65535 ended false")
		b.put(0, contact.Closed)
		elapse(10 * time.Second)
		b.expect("fault input wire input 0 argument 65535 ended false", "opened 0", "fault input wire input 0 argument 65535 ended true")
		if n := b.logged("position=away"); n != 2 {
			t.Errorf("the log tells %d times that the contact is away, want 2", n)
		}
	})
}

// TestWire: a shorted wire looks closed and a cut one open, and either is a fault as well.
func TestWire(t *testing.T) {
	onBench(t, func(b *bench) {
		b.put(0, contact.Short)
		elapse(10 * time.Second)
		b.put(1, contact.Cut)
		elapse(10 * time.Second)
		b.expect("opened 0", "fault input wire input 0 argument 0 ended false", "opened 1", "fault input wire input 1 argument 65535 ended false")
	})
}

// TestTamper: the switch bounces, and makes one fault.
func TestTamper(t *testing.T) {
	onBench(t, func(b *bench) {
		for range 5 {
			b.put(2, contact.Open)
			elapse(5 * time.Millisecond)
			b.put(2, contact.Closed)
			elapse(5 * time.Millisecond)
		}
		b.put(2, contact.Open)
		elapse(10 * time.Second)
		b.expect("fault tamper input 0 argument 0 ended false")
		b.put(2, contact.Away)
		elapse(10 * time.Second)
		b.put(2, contact.Closed)
		elapse(10 * time.Second)
		b.expect("fault tamper input 0 argument 0 ended false", "fault tamper input 0 argument 0 ended true")
	})
}

// TestNoModem: what cannot be sent is tried again until it can, and the log says so once.
func TestNoModem(t *testing.T) {
	onBench(t, func(b *bench) {
		b.set(func() { b.down = fmt.Errorf("usb: %w", radio.ErrDown) })
		b.put(0, contact.Closed)
		elapse(30 * time.Second)
		b.set(func() { b.down = &radio.WaitError{For: time.Second} })
		elapse(30 * time.Second)
		b.set(func() { b.down = nil })
		elapse(15 * time.Minute)
		b.first()
		b.stop()
		if held := b.unit.node.Held(); held != 0 {
			t.Errorf("%d events are held still, want 0", held)
		}
		for text, want := range map[string]int{"bearer is down": 1, "airtime that is lawful is used up": 1, "frames are sent again": 1} {
			if n := b.logged(text); n != want {
				t.Errorf("the log says %q %d times, want %d", text, n, want)
			}
		}
	})
}

// TestBusyChannel: while the channel is in use a trip waits, and goes when it is free; nobody need hear of it.
func TestBusyChannel(t *testing.T) {
	onBench(t, func(b *bench) {
		b.set(func() { b.down = fmt.Errorf("mast: %w", radio.ErrBusy) })
		b.put(0, contact.Closed)
		elapse(120 * time.Millisecond)
		b.set(func() { b.down = nil })
		elapse(500 * time.Millisecond) // one that had failed for another reason would go as the next attempt
		b.expect("opened 0")
		b.stop()
		if n := b.logged("could not be sent"); n != 0 {
			t.Errorf("the log tells %d times of a channel that was in use", n)
		}
	})
}

// TestProbe: a probe goes at once, and whoever asked for it is told what was sent, what was not and why, and what was observed,
// in order.
func TestProbe(t *testing.T) {
	onBench(t, func(b *bench) {
		b.set(func() { b.told = nil })
		b.unit.Probe()
		b.unit.Probe() // makes no difference
		elapse(4 * time.Second)
		b.set(func() { b.down = &radio.WaitError{For: time.Hour} })
		b.unit.Probe()
		elapse(time.Second)
		b.mu.Lock()
		defer b.mu.Unlock()
		want := []string{"probed 2", "sent check-in 2: <nil>", "time taken 2", "answered 2", "probed 3",
			"sent check-in 3: it may not be sent yet, for want of lawful airtime: in 1h0m0s it may"}
		if !slices.Equal(b.told, want) {
			t.Errorf("told %q, want %q", b.told, want)
		}
	})
}

// TestFlood: while the disk holds everything up, frames from the air beyond what may wait are dropped, with one line in the
// log, and the trip goes all the same.
func TestFlood(t *testing.T) {
	onBench(t, func(b *bench) {
		b.set(func() { b.saving = time.Second })
		b.put(0, contact.Closed)
		elapse(200 * time.Millisecond)
		for range 1000 {
			b.air <- radio.Packet{Frame: []byte{1, 2, 3}}
		}
		elapse(20 * time.Second)
		b.expect("opened 0")
		if n := b.logged("some are dropped"); n != 1 {
			t.Errorf("the log tells %d times of frames that were dropped, want once", n)
		}
	})
}

// TestStop: events without a receipt are named when the unit stops.
func TestStop(t *testing.T) {
	onBench(t, func(b *bench) {
		b.set(func() { b.mute = true })
		b.put(0, contact.Closed)
		elapse(10 * time.Second)
		b.stop()
		if b.logged("they are lost") != 1 || b.logged("events=1") != 1 {
			t.Errorf("the log does not tell what is lost:\n%s", b.log.String())
		}
	})
}

// TestLinkImpossible: a link that can never work ends the unit with its error.
func TestLinkImpossible(t *testing.T) {
	refused := errors.New("frequency is 0 Hz")
	u, err := New(Options{Node: node.Config{Site: 1, Node: 1, Key: key}, Saved: node.FirstSaved(), Save: func([]byte) error { return nil },
		Link: impossible{refused}, Now: contact.Now, Log: slog.New(slog.DiscardHandler)})
	if err != nil {
		t.Fatal(err)
	}
	if err := u.Run(context.Background()); !errors.Is(err, refused) {
		t.Errorf("Run: %v, want %v", err, refused)
	}
	if _, err := New(Options{Node: node.Config{Node: 1}, Now: contact.Now}); err == nil {
		t.Error("New takes a node without a key")
	}
}

type impossible struct{ err error }

func (i impossible) Name() string                                  { return "" }
func (i impossible) Up() bool                                      { return false }
func (i impossible) Run(context.Context, func(radio.Packet)) error { return i.err }
func (i impossible) Send(context.Context, string, []byte) error    { return radio.ErrDown }

// TestTests: a test trip of each input, on demand and by the clock: one soon after the start, the others about an interval apart,
// and never at the same time as those of other nodes for long.
func TestTests(t *testing.T) {
	one := []string{"opened 0, a test", "opened 1, a test", "closed 0, a test", "closed 1, a test"} // openings go first
	onBench(t, func(b *bench) {
		elapse(48 * time.Hour)
		b.expect() // nobody asked
		b.unit.Test()
		elapse(10 * time.Second)
		b.expect(one...)
	})
	starts := map[time.Duration]bool{}
	for seed := range uint64(8) {
		const every = 6 * time.Hour
		onBenchWith(t, func(o *Options) { o.TestEvery, o.Node.Seed = every, seed }, func(b *bench) {
			elapse(3*every + every/2)
			want := slices.Concat(one, one, one, one)
			b.expect(want...)
			last := time.Duration(0)
			for _, s := range b.sent {
				if p, ok := s.body.(*proto.TripOpened); !ok || p.Input.Number != 0 || s.raw.Attempt > 0 {
					continue
				}
				at := s.at - time.Hour
				if gap := at - last; last == 0 && (at < 5*time.Minute || at > 16*time.Minute) || last != 0 && (gap < every*9/10 || gap > every*11/10+time.Minute) {
					t.Errorf("seed %d: a test at %v, the one before at %v", seed, at, last)
				}
				last = at
			}
			starts[last.Round(time.Minute)] = true
		})
	}
	if len(starts) < 4 {
		t.Errorf("eight nodes test at %v", starts)
	}
	onBenchWith(t, func(o *Options) { o.TestEvery = time.Minute }, func(b *bench) {
		elapse(90 * time.Second) // the first does not wait for longer than an interval
		if len(b.events()) == 0 {
			t.Error("no test came")
		}
	})
}
