package airtime

import (
	"bytes"
	"errors"
	"fmt"
	"log/slog"
	"math/rand/v2"
	"strings"
	"sync"
	"testing"
	"time"

	"longlane/radio"
	"longlane/radio/lora"
)

// disk is a Store in memory.
type disk struct {
	mu      sync.Mutex
	values  map[string][]byte
	puts    int
	err     error
	blocked chan struct{} // if not nil, Put waits for it to be closed
}

func (d *disk) Get(name string) ([]byte, error) {
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.values[name], d.err
}

func (d *disk) Put(name string, v []byte) error {
	d.mu.Lock()
	blocked := d.blocked
	d.mu.Unlock()
	if blocked != nil {
		<-blocked
	}
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.err != nil {
		return d.err
	}
	d.puts++
	d.values[name] = bytes.Clone(v)
	return nil
}

// bench is a Keeper on a disk and a clock that the test moves by hand.
type bench struct {
	t    *testing.T
	disk *disk
	now  time.Duration
	boot byte
	o    Options
	log  strings.Builder
	k    *Keeper
}

var sf7 = lora.Settings{SpreadingFactor: 7, Bandwidth: 125000, CodingRate: 5, Preamble: 8}

func newBench(t *testing.T) *bench {
	b := &bench{t: t, disk: &disk{values: map[string][]byte{}}, boot: 1}
	b.o = Options{Bearer: "mast", Device: "/dev/mast", Band: lora.Band{DutyCycle: 0.01}, Settings: sf7, Store: b.disk,
		Use:    func(frame []byte) lora.Use { return lora.Use(frame[0]) },
		Moment: func() lora.Moment { return lora.Moment{Boot: [16]byte{b.boot}, Mono: b.now} },
		Mono:   func() time.Duration { return b.now },
		Log:    slog.New(slog.NewTextHandler(&b.log, nil))}
	b.open()
	return b
}

func (b *bench) open() {
	b.t.Helper()
	k, err := Open(b.o)
	if err != nil {
		b.t.Fatal(err)
	}
	b.k = k
}

// frame is a receipt's worth of bytes, for trips.
func frame(n int) []byte { return make([]byte, n) }

// TestWhatIsOnTheDiskIsAtLeastWhatWasSent kills the process at random moments, right after a grant among them, and sums
// every hour of what went out. It also bounds what that costs: the writes, and the airtime that nobody sent.
func TestWhatIsOnTheDiskIsAtLeastWhatWasSent(t *testing.T) {
	seed := uint64(time.Now().UnixNano())
	t.Logf("seed %d", seed)
	for life := range uint64(20) {
		r := rand.New(rand.NewPCG(seed, life))
		b := newBench(t)
		type sent struct{ begin, end time.Duration }
		var frames []sent
		kills := 0
		for range 2000 {
			f := frame(20 + r.IntN(40))
			settle, err := b.k.Permit(f)
			b.k.writes.Wait() // it looks at the clock
			var wait *radio.WaitError
			switch {
			case errors.As(err, &wait):
				b.now += time.Duration(r.Int64N(int64(2 * wait.For)))
				continue
			case err != nil:
				t.Fatal(err)
			}
			airtime, told := sf7.Airtime(len(f)), r.IntN(20) > 0
			if told { // up to a fifth more than is reckoned
				airtime = airtime * time.Duration(1000+r.IntN(200)) / 1000
			}
			frames = append(frames, sent{b.now, b.now + airtime})
			b.now += airtime
			if told {
				settle(radio.Sent, airtime)
			}
			if r.IntN(100) == 0 {
				kills++
				b.k.writes.Wait()
				if r.IntN(2) == 0 {
					b.boot++ // without a clock: no time has passed
				}
				b.now += time.Duration(r.Int64N(int64(time.Minute)))
				b.open()
			}
			b.now += time.Duration(r.Int64N(int64(2 * time.Second)))
		}
		for _, last := range frames {
			sum := time.Duration(0)
			for _, f := range frames {
				sum += max(min(f.end, last.end)-max(f.begin, last.end-time.Hour), 0)
			}
			// The ledger cannot know of more than the modem tells before it tells, so one frame may be above.
			if sum > 36*time.Second+20*time.Millisecond {
				t.Fatalf("life %d: the hour that ends at %v holds %v", life, last.end, sum)
			}
		}
		if b.disk.puts > len(frames)/15+2*kills+2 {
			t.Errorf("life %d: %d writes for %d frames and %d kills", life, b.disk.puts, len(frames), kills)
		}
	}
}

// TestKillCostsABlock: what was set aside and never sent counts for an hour, and an orderly end costs nothing.
func TestKillCostsABlock(t *testing.T) {
	b := newBench(t)
	settle, err := b.k.Permit(frame(33))
	if err != nil {
		t.Fatal(err)
	}
	settle(radio.Sent, 0)
	used := b.k.Used()
	if want := b.k.cost(33); used != want {
		t.Errorf("used %v, want %v", used, want)
	}
	kept := bytes.Clone(b.disk.values["airtime /dev/mast"])
	b.open()
	if got, most := b.k.Used(), used+min(b.k.Budget()/16, 24*b.k.cost(33)); got < used || got > most {
		t.Errorf("after a kill %v are used, want %v to %v", got, used, most)
	}
	b.disk.values["airtime /dev/mast"] = kept
	b.open()
	settle, _ = b.k.Permit(frame(33))
	settle(radio.NotSent, 0)
	used = b.k.Used()
	if err := b.k.Close(); err != nil {
		t.Fatal(err)
	}
	if _, err := b.k.Permit(frame(33)); !errors.Is(err, radio.ErrDown) {
		t.Errorf("Permit after Close = %v, want ErrDown", err)
	}
	b.open()
	if got := b.k.Used(); got < used || got > used+time.Millisecond {
		t.Errorf("after an orderly end %v are used, want %v", got, used)
	}
	puts := b.disk.puts
	if err := b.k.Close(); err != nil || b.disk.puts != puts {
		t.Errorf("a run that sent nothing wrote %d times at its end, %v", b.disk.puts-puts, err)
	}
}

// TestDiskIsAhead: at every moment the disk knows of at least what was sent, although the modem tells of twice as much for
// each frame; and the next block is there before the last is used up, so that no frame waits for the disk.
func TestDiskIsAhead(t *testing.T) {
	b := newBench(t)
	var sent time.Duration
	for i := range 100 {
		settle, err := b.k.Permit(frame(33))
		if err != nil {
			t.Fatal(err)
		}
		told := 2 * b.k.cost(33)
		settle(radio.Sent, told)
		sent += told
		b.k.writes.Wait()
		if left := b.k.reserved - b.k.granted; left < b.k.block/4-told {
			t.Fatalf("after frame %d %v are set aside, want a quarter of %v", i, left, b.k.block)
		}
		again, err := Open(b.o) // as after a kill
		if err != nil {
			t.Fatal(err)
		}
		if got := again.Used(); got < sent {
			t.Fatalf("after frame %d the disk knows of %v, sent were %v", i, got, sent)
		}
	}
}

// TestLostLedgerIsAFullHour: what cannot be read, and what is gone, and that a second start does not begin it anew.
func TestLostLedgerIsAFullHour(t *testing.T) {
	for name, lose := range map[string]func(b *bench){
		"damaged": func(b *bench) { b.disk.values["airtime /dev/mast"] = []byte("nonsense") },
		"gone":    func(b *bench) { b.o.Register = OpenRegister(b.disk, []string{b.o.Device}, true) },
	} {
		b := newBench(t)
		lose(b)
		b.open()
		var wait *radio.WaitError
		if _, err := b.k.Permit(frame(33)); !errors.As(err, &wait) || wait.For < 59*time.Minute {
			t.Errorf("%s: Permit = %v, want to wait for most of an hour", name, err)
		}
		if !strings.Contains(b.log.String(), "it sends nothing for up to an hour") {
			t.Errorf("%s: the log does not say so: %s", name, b.log.String())
		}
		b.now += 50 * time.Minute
		b.o.Register = nil
		b.open()
		if _, err := b.k.Permit(frame(33)); !errors.As(err, &wait) || wait.For > 10*time.Minute+20*time.Second {
			t.Errorf("%s: after 50 minutes and a restart Permit = %v, want to wait for the rest", name, err)
		}
	}
	if b := newBench(t); b.log.Len() > 0 {
		t.Errorf("a first start says: %s", b.log.String())
	}
}

// TestNothingIsSentThatTheDiskDoesNotKnow: a disk that takes nothing more ends it once what was set aside is used up.
func TestNothingIsSentThatTheDiskDoesNotKnow(t *testing.T) {
	b := newBench(t)
	failed := errors.New("no space left")
	sent := time.Duration(0)
	for range 3 { // then a block is there
		settle, err := b.k.Permit(frame(33))
		if err != nil {
			t.Fatal(err)
		}
		settle(radio.Sent, 0)
		sent += b.k.cost(33)
	}
	b.k.writes.Wait()
	b.disk.err = failed
	var err error
	for range 1000 {
		var settle func(radio.Fate, time.Duration)
		if settle, err = b.k.Permit(frame(33)); err != nil {
			break
		}
		settle(radio.Sent, 0)
		sent += b.k.cost(33)
	}
	if !errors.Is(err, failed) {
		t.Fatalf("Permit = %v, want the disk's error", err)
	}
	b.k.writes.Wait()
	for range 3 {
		_, _ = b.k.Permit(frame(33))
	}
	if told := strings.Count(b.log.String(), "cannot be written"); told != 1 {
		t.Errorf("the log says %d times that the ledger cannot be written, want once:\n%s", told, b.log.String())
	}
	b.disk.err = nil
	if _, err := b.k.Permit(frame(33)); err != nil || !strings.Contains(b.log.String(), "is written again") {
		t.Errorf("once the disk takes it again: %v, and the log is\n%s", err, b.log.String())
	}
	b.open() // as the disk has it
	if got := b.k.Used(); got < sent {
		t.Errorf("%v were sent, the disk knows of %v", sent, got)
	}
}

// TestSettleDoesNotWaitForTheDisk: it is called from the modem's goroutine, which must go on hearing.
func TestSettleDoesNotWaitForTheDisk(t *testing.T) {
	b := newBench(t)
	settle, err := b.k.Permit(frame(33))
	if err != nil {
		t.Fatal(err)
	}
	b.k.writes.Wait()
	blocked := make(chan struct{})
	b.disk.mu.Lock()
	b.disk.blocked = blocked
	b.disk.mu.Unlock()
	waiting := make(chan error)
	go func() { waiting <- b.k.save(time.Second) }()
	settle(radio.Sent, 0) // hangs if it waits
	b.k.Used()
	close(blocked)
	if err := <-waiting; err != nil {
		t.Error(err)
	}
}

// TestUsesAndNever: what a frame is for decides how much is left for it; what is too long is refused for good.
func TestUsesAndNever(t *testing.T) {
	b := newBench(t)
	for {
		settle, err := b.k.Permit(append([]byte{byte(lora.UseHop)}, frame(32)...))
		if err != nil {
			break
		}
		settle(radio.Sent, 0)
	}
	if used, most := b.k.Used(), b.k.Budget()*6/10; used > most || used < most*99/100 {
		t.Errorf("hops have used %v, want %v", used, most)
	}
	if b.k.Waits() != 1 {
		t.Errorf("%d waits, want 1", b.k.Waits())
	}
	if _, err := b.k.Permit(frame(33)); err != nil {
		t.Errorf("then a trip's receipt = %v, want it permitted", err)
	}
	b.o.Band.LongestFrame = 10 * time.Millisecond
	b.open()
	if _, err := b.k.Permit(frame(33)); !errors.Is(err, lora.ErrNever) {
		t.Errorf("Permit = %v, want ErrNever", err)
	}
	b.o.Settings.SpreadingFactor = 3
	if _, err := Open(b.o); err == nil || !strings.Contains(fmt.Sprint(err), "spreading factor 3") {
		t.Errorf("Open = %v, want the setting named", err)
	}
}
