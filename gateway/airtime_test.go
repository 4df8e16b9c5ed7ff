package gateway

import (
	"fmt"
	"io"
	"log/slog"
	"slices"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"longlane/gateway/airtime"
	"longlane/proto"
	"longlane/queue"
	"longlane/radio"
	"longlane/radio/lora"
	"longlane/radio/use"
)

var sf9 = lora.Settings{SpreadingFactor: 9, Bandwidth: 125000, CodingRate: 5, Preamble: 8}

// kept puts a real ledger, on the world's own queue, before its modem.
func (w *world) kept(band lora.Band) {
	c := w.clock.clock()
	k, err := airtime.Open(airtime.Options{Bearer: "lora", Device: "/dev/lora", Band: band, Settings: sf9, Use: use.Of, Store: w.queue,
		Mono: c.Mono, Log: slog.New(slog.NewTextHandler(io.Discard, nil)), Moment: func() lora.Moment {
			return lora.Moment{Boot: c.Boot, Mono: c.Mono(), Wall: c.Wall(), Set: c.Set()}
		}})
	w.must(err)
	w.link.setPermit(func(frame []byte) error {
		settle, err := k.Permit(frame)
		if err == nil {
			settle(radio.Sent, sf9.Airtime(len(frame)))
		}
		return err
	})
}

// busiest is the most airtime of receipts in any hour.
func busiest(sent []sentFrame) (most time.Duration) {
	for i, last := range sent {
		sum := time.Duration(0)
		for _, s := range sent[:i+1] {
			if last.at.Sub(s.at) < time.Hour {
				sum += sf9.Airtime(len(s.frame))
			}
		}
		most = max(most, sum)
	}
	return most
}

// A flood of trips uses up what is lawful, and no more, over restarts and a kill in the middle of it. Every trip sounds and
// is stored all the same, the house hears that receipts are withheld, and later tries get them.
func TestReceiptsKeepWithinTheLaw(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := newWorld(t).start()
		w.kept(lora.Band{DutyCycle: 0.001})
		n := w.node("river-gate")
		var sent []sentFrame
		const trips = 60
		for i := range trips {
			w.hear(n.open())
			w.pass(15 * time.Second)
			switch i {
			case 10:
				sent = append(sent, w.link.all()...)
				w.kill()
				w.start()
				w.kept(lora.Band{DutyCycle: 0.001})
			case 30:
				sent = append(sent, w.link.all()...)
				w.stop()
				w.start()
				w.kept(lora.Band{DutyCycle: 0.001})
			}
		}
		sent = append(sent, w.link.all()...)
		budget := 3600 * time.Millisecond
		if got := busiest(sent); got > budget || got < budget*8/10 {
			t.Errorf("receipts were on the air for %v in an hour, want most of %v and no more", got, budget)
		}
		if got := len(w.broker.all("/trip")); got < trips {
			t.Errorf("%d trips sounded, want %d", got, trips)
		}
		if got := w.notices(NoticeAirtimeShort); len(got) != 1 || !strings.HasPrefix(got[0], "began") {
			t.Errorf("faults: %q, want that it began, once", got)
		}
		w.pass(time.Hour + time.Minute)
		if got := w.notices(NoticeAirtimeShort); len(got) != 2 || !strings.HasPrefix(got[1], "ended") {
			t.Errorf("faults: %q, want that it ended", got)
		}
		before := len(n.eventReceipts())
		w.hear(n.opened(trips, 1, time.Hour))
		w.pass(time.Second)
		if len(n.eventReceipts()) != before+1 {
			t.Errorf("a node that tries again later gets no receipt")
		}
	})
}

// refuser is a ledger in the test's hands: it permits nothing before a time.
type refuser struct {
	mu    sync.Mutex
	until time.Time
	asked int
}

func (r *refuser) permit([]byte) error {
	r.mu.Lock()
	defer r.mu.Unlock()
	if wait := time.Until(r.until); wait > 0 {
		r.asked++
		return &radio.WaitError{For: wait}
	}
	return nil
}

// refused is a world whose modem may not send at first, for so long.
func refused(t *testing.T, wait time.Duration) (*world, *refuser) {
	w := newWorld(t).start()
	r := &refuser{until: time.Now().Add(wait)}
	w.link.setPermit(r.permit)
	return w, r
}

// While the channel is in use a receipt waits, and goes once it is free; if it is in use until the node no longer listens the receipt
// is dropped. No airtime is short for all that.
func TestBusyChannel(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w, until := newWorld(t).start(), time.Now().Add(300*time.Millisecond)
		asked := 0
		w.link.setPermit(func([]byte) error {
			if time.Now().Before(until) {
				asked++
				return fmt.Errorf("mast: %w", radio.ErrBusy)
			}
			return nil
		})
		w.hear(w.node("river-gate").open())
		w.pass(time.Second)
		if sent := w.link.all(); len(sent) != 1 || sent[0].at.Sub(until) > 30*time.Millisecond || asked < 10 || asked > 61 {
			t.Errorf("after the channel was in use for 300 ms and the link was asked %d times: %d receipts sent", asked, len(sent))
		}
		until = time.Now().Add(time.Minute)
		w.hear(w.node("ridge-gate").open())
		w.pass(11 * time.Second)
		late, failed, told := w.meter.count(w.meter.receipts, "late"), w.meter.count(w.meter.receipts, "failed"), w.notices(NoticeAirtimeShort)
		if late != 1 || failed != 0 || len(told) != 0 {
			t.Errorf("%d late, %d failed, faults %q, want 1, none and none", late, failed, told)
		}
	})
}

// What waits goes as soon as it may: receipts for trips first, the newest of them before the others, then check-ins'.
func TestNewestTripsGoFirst(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w, r := refused(t, 5*time.Second)
		river, ridge := w.node("river-gate"), w.node("ridge-gate")
		w.hear(river.checkIn(), river.open())
		w.pass(time.Second)
		w.hear(ridge.open(), ridge.checkIn())
		w.pass(time.Second)
		w.hear(river.open())
		w.pass(3*time.Second - time.Millisecond)
		if got := w.link.all(); len(got) != 0 {
			t.Fatalf("%d receipts were sent before they might be", len(got))
		}
		w.pass(2 * time.Millisecond)
		var order []string
		for _, s := range w.link.all() {
			raw, err := proto.Parse(s.frame)
			w.must(err)
			order = append(order, fmt.Sprintf("%v %d.%d", raw.Type, raw.Node, raw.Counter))
		}
		trip, check := proto.TypeReceipt, proto.TypeCheckInReceipt
		want := []string{fmt.Sprintf("%v %d.2", trip, river.id), fmt.Sprintf("%v %d.1", trip, ridge.id), fmt.Sprintf("%v %d.1", trip, river.id),
			fmt.Sprintf("%v %d.1", check, ridge.id), fmt.Sprintf("%v %d.1", check, river.id)}
		if !slices.Equal(order, want) {
			t.Errorf("sent %q\nwant %q", order, want)
		}
		if r.asked > 10 {
			t.Errorf("the ledger was asked %d times for 5 receipts: once for each change is enough", r.asked)
		}
		if got := w.notices(NoticeAirtimeShort); len(got) != 0 {
			t.Errorf("faults: %q, want none: nothing was withheld", got)
		}
	})
}

// A receipt whose node no longer listens is not worth its airtime. The fault that follows for trips is told once, stands
// over a restart, and ends when for 20 minutes none was withheld. Receipts for check-ins raise none.
func TestLateReceiptsAreDropped(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w, _ := refused(t, 10*time.Minute)
		n := w.node("river-gate")
		w.hear(n.checkIn())
		w.pass(11 * time.Second)
		if late, told := w.meter.count(w.meter.receipts, "late"), w.notices(NoticeAirtimeShort); late != 1 || len(told) != 0 {
			t.Errorf("%d late, faults %q, want 1 and none", late, told)
		}
		w.hear(n.open())
		w.pass(9 * time.Second)
		if late := w.meter.count(w.meter.receipts, "late"); late != 1 {
			t.Errorf("after 9 s %d are late, want 1", late)
		}
		w.pass(3 * time.Second)
		if late, told := w.meter.count(w.meter.receipts, "late"), w.notices(NoticeAirtimeShort); late != 2 || len(told) != 1 {
			t.Errorf("%d late, faults %q, want 2 and one", late, told)
		}
		w.hear(n.open())
		w.pass(12 * time.Second)
		w.stop()
		w.start()
		w.pass(19 * time.Minute)
		if told := w.notices(NoticeAirtimeShort); len(told) != 1 || len(w.link.all()) != 0 {
			t.Errorf("faults %q and %d receipts, want one and none", told, len(w.link.all()))
		}
		w.pass(2 * time.Minute)
		if told := w.notices(NoticeAirtimeShort); len(told) != 2 || !strings.HasPrefix(told[1], "ended") {
			t.Errorf("faults %q, want it ended", told)
		}
	})
}

// Only so many wait, and those that matter least make room. What may go at once is not held up by what waits.
func TestWaitingIsBounded(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w, _ := refused(t, 5*time.Second)
		n := w.node("river-gate")
		for range 10 {
			w.hear(n.checkIn())
		}
		for range maxOutgoing {
			w.hear(n.open())
		}
		if got := w.meter.count(w.meter.drops, "receipt"); got != 10 {
			t.Errorf("%d dropped, want 10", got)
		}
		w.pass(6 * time.Second)
		if got := len(n.eventReceipts()); got != maxOutgoing || len(n.receipts()) != maxOutgoing {
			t.Errorf("%d receipts for trips of %d, want %d", got, len(n.receipts()), maxOutgoing)
		}
	})
}

// A modem that takes a second for each frame: a trip's receipt goes before those for check-ins that came before it, and what
// waits for the modem alone is never too late.
func TestSlowModem(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := newWorld(t).start()
		w.link.setPermit(func([]byte) error {
			elapse(time.Second)
			return nil
		})
		n := w.node("river-gate")
		for range 14 {
			w.hear(n.checkIn())
		}
		w.hear(n.open())
		w.pass(2500 * time.Millisecond)
		sent := w.link.all()
		if raw, err := proto.Parse(sent[len(sent)-1].frame); err != nil || len(sent) != 2 || raw.Type != proto.TypeReceipt {
			t.Errorf("sent %d, the last is a %v, %v; want 2 and the trip's", len(sent), raw.Type, err)
		}
		w.pass(15 * time.Second)
		if late, sent := w.meter.count(w.meter.receipts, "late"), len(w.link.all()); late != 0 || sent != 15 {
			t.Errorf("%d were sent and %d late, want 15 and none", sent, late)
		}
	})
}

// A frame that may never go is no reason to wait: it is given up, said once, and the house hears of it.
func TestNeverLawful(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := newWorld(t)
		var log strings.Builder
		w.log = &log
		w.start()
		w.link.setPermit(func([]byte) error { return fmt.Errorf("%w: it is too long", lora.ErrNever) })
		n := w.node("river-gate")
		w.hear(n.open(), n.open(), n.open())
		w.pass(2 * time.Second)
		w.stop()
		if got := strings.Count(log.String(), "it is too long"); got != 1 {
			t.Errorf("said %d times, want once", got)
		}
		if failed, told := w.meter.count(w.meter.receipts, "failed"), w.notices(NoticeAirtimeShort); failed != 3 || len(told) != 1 {
			t.Errorf("%d failed, faults %q, want 3 and one", failed, told)
		}
	})
}

// A modem without a region: the house hears once that it only listens, over restarts too, and that it sends when it does.
func TestSilentBearer(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := newWorld(t)
		w.opts = func(o *Options) { o.Silent = map[string]string{"lora": "no region is set for it"} }
		for range 2 {
			w.start()
			w.pass(2 * time.Second)
			w.stop()
		}
		if got := w.notices(NoticeReceiveOnly); len(got) != 1 {
			t.Errorf("faults: %q, want one", got)
		}
		if detail := fmt.Sprint(w.broker.all("/fault")[0].data["detail"]); !strings.HasPrefix(detail, "lora only listens: no region is set for it.") {
			t.Errorf("the detail is %q", detail)
		}
		w.opts = nil
		for range 2 {
			w.start()
			w.pass(2 * time.Second)
			w.stop()
		}
		if got := w.notices(NoticeReceiveOnly); len(got) != 2 || !strings.HasPrefix(got[1], "ended") {
			t.Errorf("faults: %q, want it ended", got)
		}
	})
}

// The ledger costs no event a sync of its own: commits are counted beside those of a modem without one.
func TestLedgerCostsFewCommits(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		count := func(keep bool) int {
			w := newWorld(t).start()
			if keep {
				w.kept(lora.Band{DutyCycle: 0.1})
			}
			n := w.node("river-gate")
			w.pass(5 * time.Second)
			w.mu.Lock()
			w.commits = 0
			w.mu.Unlock()
			for range 300 {
				w.hear(n.open())
				w.pass(time.Second)
			}
			if got := len(n.eventReceipts()); got != 300 {
				t.Errorf("%d receipts, want 300", got)
			}
			w.mu.Lock()
			defer w.mu.Unlock()
			return w.commits
		}
		with, without := count(true), count(false)
		if extra := float64(with-without) / 300; extra > 0.1 {
			t.Errorf("%d commits with a ledger, %d without: %.2f more an event, want at most 0.1", with, without, extra)
		}
	})
}

var _ airtime.Store = (*queue.Queue)(nil)
