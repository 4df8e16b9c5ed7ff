package modem

import (
	"context"
	"fmt"
	"io"
	"log/slog"
	"sync"
	"time"

	"longlane/radio"
)

// session is one stream, from its opening to its loss: all that does not depend on the words in which host and modem talk.
// Those are its dialect's. Its fields belong to the goroutine that runs loop; the reader and the writer goroutine have only
// the channels.
type session struct {
	m       *Modem
	d       dialect
	deliver func(radio.Packet)

	in     chan arrival  // from the reader, in order of arrival; its last is an error
	out    chan []byte   // to the writer
	broken chan *lost    // from the writer; capacity 2: a write that failed after it was stuck
	done   chan struct{} // closed when loop has ended

	ready   bool // set-up is done
	hold    bool // no frame may be handed to the modem just now
	ponged  bool // the last heartbeat was answered, or none was sent
	misses  int
	heardAt time.Time // when anything arrived last

	// retry is the dialect's, to ask again; the others are the session's.
	retry, setUpBy, beat, resultBy *time.Timer

	flying *request // told to the modem, no result yet
}

// dialect is how one session's modem is spoken with. The reader's goroutine calls parse; all else is called from loop.
//
// A dialect says its words with session.say, and reports what it has understood by session.setUp, pong, sent, refused,
// restarted and stray. Received frames need no report: they go to deliver in every phase.
type dialect interface {
	// parse finds what the modem said in the stream's next bytes, for which the reader has waited so long. It passes on
	// each received frame as a radio.Packet without time and bearer, and anything else in a form that hear knows.
	parse(b []byte, waited time.Duration, said func(any))
	// ask says what set-up is to begin with, or, whenever retry runs out, what is to be said again.
	ask()
	// hear takes what parse has found, received frames excepted.
	hear(said any) *lost
	// late says at which point set-up has come to a stop.
	late() *lost
	// send tells the modem to send a frame. An error means that it cannot be told.
	send(frame []byte) error
	// overdue answers the frame in flight, of which no result has come in time.
	overdue()
	// ping asks for a sign of life.
	ping() *lost
	// deaf decides what is done with a modem that is silent for the reason given.
	deaf(reason error) *lost
}

// arrival is what the dialect found and when its last byte arrived, or the error that ended reading.
type arrival struct {
	said any
	at   time.Time
	err  error
}

// serve runs a session over rw, closes rw, and waits for the session's goroutines. It returns nil if ctx ended it. The
// loss, if any, is why the session before it ended.
func serve(ctx context.Context, m *Modem, rw io.ReadWriteCloser, before *lost, deliver func(radio.Packet)) *lost {
	s := &session{
		m: m, deliver: deliver, heardAt: time.Now(),
		in: make(chan arrival, 16), out: make(chan []byte, 16), broken: make(chan *lost, 2), done: make(chan struct{}),
		retry: stopped(), setUpBy: stopped(), beat: stopped(), resultBy: stopped(),
	}
	s.d = m.dialect(s, before)
	var wg sync.WaitGroup
	wg.Go(func() { s.read(rw) })
	wg.Go(func() { s.write(rw) })
	err := s.loop(ctx)
	s.down()
	close(s.done)
	rw.Close() // nothing is to be done about its error: the stream is given up
	wg.Wait()
	for _, t := range []*time.Timer{s.retry, s.setUpBy, s.beat, s.resultBy} {
		t.Stop()
	}
	return err
}

func stopped() *time.Timer {
	t := time.NewTimer(time.Hour)
	t.Stop()
	return t
}

// read turns bytes into arrivals until reading fails.
func (s *session) read(rw io.Reader) {
	buf := make([]byte, 512)
	idle := 0
	for {
		began := time.Now()
		n, err := rw.Read(buf)
		at := time.Now()
		s.d.parse(buf[:n], at.Sub(began), func(said any) { s.arrive(arrival{said: said, at: at}) })
		if idle++; n > 0 {
			idle = 0
		}
		if err == nil && idle == 100 {
			err = io.ErrNoProgress // a stream that breaks io.Reader's word must not keep a core busy
		}
		if err != nil {
			s.arrive(arrival{err: err})
			return
		}
	}
}

func (s *session) arrive(a arrival) {
	select {
	case s.in <- a:
	case <-s.done:
	}
}

// write sends what loop hands it, until a write fails or loop has ended. A write that does not return is reported while it
// hangs; closing the stream then frees it.
func (s *session) write(rw io.Writer) {
	for {
		select {
		case <-s.done:
			return
		case b := <-s.out:
			stuck := time.AfterFunc(s.m.o.WriteTimeout, func() {
				s.broken <- &lost{LossStuck, fmt.Errorf("the modem took no bytes for %v", s.m.o.WriteTimeout)}
			})
			_, err := rw.Write(b)
			if !stuck.Stop() {
				return
			}
			if err != nil {
				s.broken <- &lost{LossWrite, err}
				return
			}
		}
	}
}

// loop is the session's state machine. Whatever arrived before the loss is still delivered.
func (s *session) loop(ctx context.Context) *lost {
	s.setUpBy.Reset(s.m.o.HelloTimeout)
	s.d.ask()
	for {
		var err *lost
		select {
		case <-ctx.Done():
			return nil
		case a := <-s.in:
			err = s.arrived(a)
		case err = <-s.broken:
			s.drain()
		case <-s.retry.C:
			s.d.ask()
		case <-s.setUpBy.C:
			err = s.d.late()
		case <-s.beat.C:
			err = s.heartbeat()
		case req := <-s.waiting():
			s.transmit(req)
		case <-s.resultBy.C:
			s.d.overdue()
		}
		if err != nil {
			return err
		}
	}
}

// say hands bytes to the writer. With the queue to the writer full, they are dropped: the writer is stuck then, and about
// to say so.
func (s *session) say(b []byte) {
	select {
	case s.out <- b:
	default:
	}
}

// heartbeat looks whether the last ping was answered, and sends the next.
func (s *session) heartbeat() *lost {
	s.beat.Reset(s.m.o.Heartbeat)
	if !s.ponged {
		s.misses++
		s.m.count(func(st *Stats) { st.HeartbeatMisses++ })
		if s.misses == maxMisses {
			return s.d.deaf(fmt.Errorf("no answer to %d heartbeats in a row", maxMisses))
		}
	}
	s.ponged = false
	return s.d.ping()
}

// pong takes note of a sign of life.
func (s *session) pong() { s.ponged, s.misses = true, 0 }

// waiting returns the queue while a frame may be handed to the modem, else a channel that never delivers.
func (s *session) waiting() <-chan *request {
	if s.ready && !s.hold && s.flying == nil {
		return s.m.queue
	}
	return nil
}

func (s *session) transmit(req *request) {
	if err := req.ctx.Err(); err != nil {
		req.answer(radio.NotSent, result{err: err})
		return
	}
	if err := s.d.send(req.frame); err != nil {
		s.m.count(func(st *Stats) { st.Refused++ })
		req.answer(radio.NotSent, result{err: err})
		return
	}
	s.flying = req
	s.resultBy.Reset(s.m.o.SendTimeout)
}

// answer ends the frame in flight.
func (s *session) answer(fate radio.Fate, r result) {
	if s.flying != nil {
		s.flying.answer(fate, r)
		s.flying = nil
	}
	s.resultBy.Stop()
}

// sent answers the frame in flight with success.
func (s *session) sent(r Report) {
	s.m.count(func(st *Stats) {
		st.Sent++
		st.Airtime += r.Airtime
	})
	s.answer(radio.Sent, result{report: r})
}

// refused answers the frame in flight with the modem's refusal.
func (s *session) refused(r Report, reason Reason, text string) {
	s.m.count(func(st *Stats) { st.Refused++ })
	s.answer(radio.NotSent, result{r, &RefusedError{reason, text}})
}

// noResult answers the frame in flight when the modem does not.
func (s *session) noResult() {
	s.m.count(func(st *Stats) { st.NoResult++ })
	s.answer(radio.Unknown, result{err: fmt.Errorf("%w within %v", ErrNoResult, s.m.o.SendTimeout)})
}

// down makes the bearer down, and fails what is in flight and in the queue.
func (s *session) down() {
	s.answer(radio.Unknown, result{err: fmt.Errorf("%w: the modem went away before it told what became of the frame", radio.ErrDown)})
	s.m.setDown()
}

// drain delivers what the reader has read already.
func (s *session) drain() {
	for {
		select {
		case a := <-s.in:
			if p, ok := a.said.(radio.Packet); ok {
				s.received(p, a.at)
			}
		default:
			return
		}
	}
}

func (s *session) arrived(a arrival) *lost {
	if a.err != nil {
		return &lost{LossRead, a.err}
	}
	s.heardAt = a.at
	if p, ok := a.said.(radio.Packet); ok {
		s.received(p, a.at)
		return nil
	}
	return s.d.hear(a.said)
}

// received delivers in every phase: a modem may still be set up from before, and a frame is a frame.
func (s *session) received(p radio.Packet, at time.Time) {
	p.At, p.Bearer = at, s.m.o.Name
	s.m.count(func(st *Stats) { st.Frames++ })
	s.deliver(p)
}

// setUp makes the bearer up.
func (s *session) setUp(firmware string) {
	s.ready, s.hold = true, false
	s.pong()
	s.retry.Stop()
	s.setUpBy.Stop()
	s.beat.Reset(s.m.o.Heartbeat)
	s.m.setUp(firmware)
}

// restarted takes note that the modem has forgotten its settings. The time allowed for set-up begins only at the first of
// several restarts: a modem that falls over its settings is to be given up, not asked for ever.
func (s *session) restarted(how string) {
	s.m.count(func(st *Stats) { st.Restarts++ })
	if s.ready {
		s.m.logChange(slog.LevelWarn, "modem has restarted, setting it up again", "noticed", how)
		s.setUpBy.Reset(s.m.o.HelloTimeout)
	}
	s.ready = false
	s.beat.Stop()
	s.down()
}

func (s *session) stray() { s.m.count(func(st *Stats) { st.Stray++ }) }
