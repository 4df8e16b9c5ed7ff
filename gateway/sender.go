package gateway

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"math/rand/v2"
	"slices"
	"sync/atomic"
	"time"

	"longlane/proto"
	"longlane/radio"
	"longlane/radio/lora"
	"longlane/radio/use"
)

// sender sends receipts and hints over one bearer from a goroutine of its own: a modem that takes its time holds up nobody. While
// the bearer has no lawful airtime left they wait here, and those for trips go first, the newest of them before the
// others: its node is the likeliest to listen still, and it vouches for the events before it as well.
type sender struct {
	link  radio.Link
	meter Meter
	log   *slog.Logger
	mono  func() time.Duration
	queue chan outgoing

	waiting []outgoing // of each use, in order of arrival
	said    string     // why nothing was permitted, as last logged

	tries, busy atomic.Int64 // tries to send, and those at which the channel was in use
	withheld    atomic.Int64 // when a trip's receipt was last given up for want of airtime, on our clock; 0: never
}

type outgoing struct {
	to    string
	frame []byte
	sent  func()        // called once it has been sent; may be nil
	heard time.Duration // when what it answers came in, on our clock

	answers string // what it answers: two with the same say the same; "": nothing

	kept time.Duration // for how long after heard it may wait at the most; 0: it is a receipt, for which see listensFor

	use    lora.Use
	waited bool   // it was ready to go, and could not
	short  bool   // for want of airtime
	hint   string // what it is, of the closed list Hints; "" for a receipt
}

const (
	maxOutgoing = 32 // in the queue, and once more among those that wait

	// listensFor is how long a receipt is worth its airtime. After 10 s a node believes no more of it than that the event
	// is stored (proto/PROTOCOL.md), and one on a battery has long stopped listening; its next try gets another.
	listensFor = 10 * time.Second
)

func newSender(l radio.Link, o *Options) *sender {
	return &sender{link: l, meter: o.Meter, log: o.Log, mono: o.Clock.Mono, queue: make(chan outgoing, maxOutgoing)}
}

// send hands over a frame; when too many wait it is dropped and counted, and the node's next try is answered.
func (s *sender) send(o outgoing) {
	o.use = use.Of(o.frame)
	if raw, err := proto.Parse(o.frame); err == nil && raw.Type.Group() {
		o.hint = raw.Type.String()
	}
	select {
	case s.queue <- o:
	default:
		s.dropped(o)
	}
}

func (s *sender) dropped(o outgoing) {
	if o.hint != "" {
		s.meter.Dropped("hint")
	} else {
		s.meter.Dropped("receipt")
	}
}

// count counts what became of o.
func (s *sender) count(o outgoing, result string) {
	if o.hint != "" {
		s.meter.Hint(s.link.Name(), o.hint, result)
	} else {
		s.meter.Receipt(s.link.Name(), result)
	}
}

func (s *sender) run(ctx context.Context) {
	again := time.NewTimer(time.Hour)
	again.Stop()
	for {
		select {
		case <-ctx.Done():
			return
		case o := <-s.queue:
			s.take(o)
		case <-again.C:
		}
		if wait := s.sendWaiting(ctx); wait > 0 {
			again.Reset(wait)
		}
	}
}

// take keeps a frame until it may be sent, in the place of one that answers the same: a relay that asks again and again while
// there is no airtime is answered once. When too many wait, the last in line is dropped and counted.
func (s *sender) take(o outgoing) {
	s.waiting = slices.DeleteFunc(s.waiting, func(w outgoing) bool { return o.answers != "" && o.answers == w.answers })
	s.waiting = append(s.waiting, o)
	if len(s.waiting) <= maxOutgoing {
		return
	}
	last := 0
	for i, w := range s.waiting {
		if w.use > s.waiting[last].use {
			last = i
		}
	}
	s.dropped(s.waiting[last])
	s.waiting = slices.Delete(s.waiting, last, last+1)
}

// next takes out the one that goes first: receipts before hints of the same use.
func (s *sender) next() outgoing {
	rank := func(o outgoing) int {
		if o.hint != "" {
			return 2*int(o.use) + 1
		}
		return 2 * int(o.use)
	}
	first := 0
	for i, w := range s.waiting {
		if rank(w) <= rank(s.waiting[first]) {
			first = i
		}
	}
	o := s.waiting[first]
	s.waiting = slices.Delete(s.waiting, first, first+1)
	return o
}

// sendWaiting sends what may be sent, and tells when to try again; 0 if nothing waits.
func (s *sender) sendWaiting(ctx context.Context) (wait time.Duration) {
	for ctx.Err() == nil {
		for more := true; more; { // what has come meanwhile may go before what waits
			select {
			case o := <-s.queue:
				s.take(o)
			default:
				more = false
			}
		}
		s.giveUpLate()
		if len(s.waiting) == 0 {
			return 0
		}
		o := s.next()
		if wait = s.try(ctx, &o); wait > 0 {
			o.waited = true
			s.waiting = append(s.waiting, o) // the newest of its use, or nothing newer of it would have gone first
			return min(wait, listensFor)
		}
	}
	return 0
}

// giveUpLate drops what could not go for so long that its node no longer listens, and hints that say what was.
func (s *sender) giveUpLate() {
	s.waiting = slices.DeleteFunc(s.waiting, func(o outgoing) bool {
		waited := s.mono() - o.heard
		late := o.waited && waited >= listensFor
		if o.hint != "" {
			late = waited >= o.kept
		}
		if late {
			s.gaveUp(o, "late")
		}
		return late
	})
}

// gaveUp counts what was not sent.
func (s *sender) gaveUp(o outgoing, result string) {
	s.count(o, result)
	if o.short && o.use == lora.UseTrip {
		s.withheld.Store(int64(s.mono()))
	}
}

// While the channel is in use a frame is tried again after a few ms, which differ each time, so that two that wait for the end of
// a third do not begin together. Common practice, no source.
const (
	busyPause  = 5 * time.Millisecond
	busyJitter = 20 * time.Millisecond
)

// try sends o, unless it must wait.
func (s *sender) try(ctx context.Context, o *outgoing) (wait time.Duration) {
	err := s.link.Send(ctx, o.to, o.frame)
	var early *radio.WaitError
	switch {
	case errors.Is(err, radio.ErrBusy):
		s.busy.Add(1)
		s.tries.Add(1)
	case err == nil:
		s.tries.Add(1)
	}
	switch {
	case err == nil:
		s.said = ""
		s.count(*o, "sent")
		if o.sent != nil {
			o.sent()
		}
	case errors.As(err, &early):
		o.short = true
		return max(early.For, time.Millisecond)
	case errors.Is(err, radio.ErrBusy):
		return busyPause + time.Duration(rand.Int64N(int64(busyJitter)))
	case errors.Is(err, lora.ErrNever):
		o.short = true
		s.gaveUp(*o, "failed")
		if text := err.Error(); text != s.said {
			s.said = text
			s.log.Error("a frame cannot be sent", "bearer", s.link.Name(), "err", err)
		}
	default:
		s.count(*o, "failed")
	}
	return 0
}

// shortFor is how long no trip's receipt must have been withheld before the fault ends: a node that has none tries again
// within 15 minutes and a quarter of that, so one that is withheld still would show.
const shortFor = 20 * time.Minute

// watchAirtime tells the house that receipts for trips are withheld, and that they are not any more.
func (in *ingest) watchAirtime() {
	now := in.g.o.Clock.Mono()
	for _, l := range in.g.o.Links {
		name, s := l.Name(), in.g.senders[l.Name()]
		at, told := time.Duration(s.withheld.Load()), in.short[name]
		switch {
		case at != 0 && !told:
			in.short[name] = true
			in.notice(Notice{Code: NoticeAirtimeShort, about: name, Detail: name + " has used up the airtime that is lawful within an hour: " +
				"receipts for trips are withheld, and nodes keep their trips and send them again; the trips themselves sound and are stored"})
		case told && now-at >= shortFor:
			delete(in.short, name)
			s.withheld.CompareAndSwap(int64(at), 0)
			in.notice(Notice{Code: NoticeAirtimeShort, Ended: true, about: name,
				Detail: fmt.Sprintf("for %s no receipt for a trip was withheld for want of airtime of %s", shortFor, name)})
		}
	}
}

// silentBearers tells the house, once, of bearers that may not send at all; and that they may now. It comes after restore.
func (in *ingest) silentBearers() {
	for _, l := range in.g.o.Links {
		why, silent := in.g.o.Silent[l.Name()]
		n := Notice{Code: NoticeReceiveOnly, about: l.Name(), Ended: !silent,
			Detail: l.Name() + " only listens: " + why + ". Nodes get no receipts by it, keep their trips and send them again and again"}
		if n.Ended {
			n.Detail = l.Name() + " sends receipts now"
		}
		if in.standing.faults[n.key()] != silent {
			in.notice(n)
		}
	}
}
