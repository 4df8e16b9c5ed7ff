package modem

import (
	"context"
	"fmt"
	"io"
	"log/slog"
	"math/rand/v2"
	"sync"
	"time"

	"longlane/radio"
)

// phase is how far a session has come.
type phase uint8

const (
	greeting phase = iota // hello sent, no answer yet
	setting               // parameters sent, no answer yet
	ready
)

// session is one stream, from its opening to its loss. Its fields belong to the goroutine that runs loop; the reader and
// the writer goroutine have only the channels.
type session struct {
	m       *Modem
	deliver func(radio.Packet)

	in     chan arrival  // from the reader, in order of arrival; its last is an error
	out    chan []byte   // to the writer
	broken chan *lost    // from the writer; capacity 2: a write that failed after it was stuck
	done   chan struct{} // closed when loop has ended

	phase    phase
	nonce    uint32 // of our hello
	tag      uint16 // last one given out
	firmware string
	maxFrame int

	ping   uint32 // nonce of the last ping
	ponged bool   // it has been answered
	misses int

	retry, setUpBy, beat, resultBy *time.Timer

	flying    *request // told to the modem, no result yet
	flyingTag uint16
}

// arrival is a message and when its last byte arrived, or the error that ended reading.
type arrival struct {
	msg Message
	at  time.Time
	err error
}

// serve runs a session over rw, closes rw, and waits for the session's goroutines. It returns nil if ctx ended it.
func serve(ctx context.Context, m *Modem, rw io.ReadWriteCloser, deliver func(radio.Packet)) *lost {
	s := &session{
		m: m, deliver: deliver,
		in: make(chan arrival, 16), out: make(chan []byte, 16), broken: make(chan *lost, 2), done: make(chan struct{}),
		nonce: rand.Uint32() | 1, tag: uint16(rand.Uint32()),
		retry: stopped(), setUpBy: stopped(), beat: stopped(), resultBy: stopped(),
	}
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
	var d Deframer
	buf := make([]byte, 512)
	idle := 0
	for {
		n, err := rw.Read(buf)
		at := time.Now()
		d.Push(buf[:n], func(kind byte, body []byte) {
			if msg := s.parse(kind, body); msg != nil {
				s.arrive(arrival{msg: msg, at: at})
			}
		})
		s.m.count(func(st *Stats) { st.Line.add(d.Counts) })
		d.Counts = LineCounts{}
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

func (s *session) parse(kind byte, body []byte) Message {
	verdict := UnknownType
	var msg Message
	if kind&0x80 != 0 { // a host's message can only be our own, sent back by a tty that echoes
		msg, verdict = Parse(kind, body)
	}
	switch verdict {
	case UnknownType:
		s.m.count(func(st *Stats) { st.UnknownType++ })
	case BadBody:
		s.m.count(func(st *Stats) { st.BadBody++ })
	}
	return msg
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
	s.ask()
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
			s.ask()
		case <-s.setUpBy.C:
			err = s.setUpFailed()
		case <-s.beat.C:
			err = s.heartbeat()
		case req := <-s.ready():
			s.transmit(req)
		case <-s.resultBy.C:
			s.m.count(func(st *Stats) { st.NoResult++ })
			s.answer(result{err: fmt.Errorf("%w within %v", ErrNoResult, s.m.o.SendTimeout)})
		}
		if err != nil {
			return err
		}
	}
}

// ask repeats what the present phase asks of the modem.
func (s *session) ask() {
	switch s.phase {
	case greeting:
		s.tell(Hello{Version: Version, Nonce: s.nonce})
	case setting:
		s.tell(SetParameters{Tag: s.tag, Parameters: s.m.o.Parameters})
	case ready:
		return
	}
	s.retry.Reset(s.m.o.Retry)
}

// tell hands a message to the writer. With the queue to the writer full, the message is dropped: the writer is stuck
// then, and about to say so.
func (s *session) tell(m Message) {
	select {
	case s.out <- Append(nil, m):
	default:
	}
}

func (s *session) setUpFailed() *lost {
	if s.phase == greeting {
		return &lost{LossHello, fmt.Errorf("no hello within %v: is this the modem's port, and its speed right?", s.m.o.HelloTimeout)}
	}
	return &lost{LossParameters, fmt.Errorf("set-up not done within %v of opening or of the modem's last restart", s.m.o.HelloTimeout)}
}

// heartbeat looks whether the last ping was answered, and sends the next.
func (s *session) heartbeat() *lost {
	if !s.ponged {
		s.misses++
		s.m.count(func(st *Stats) { st.HeartbeatMisses++ })
		if s.misses == maxMisses {
			return &lost{LossDeaf, fmt.Errorf("no answer to %d heartbeats in a row", maxMisses)}
		}
	}
	s.ponged = false
	s.ping++
	s.tell(Ping{s.ping})
	s.beat.Reset(s.m.o.Heartbeat)
	return nil
}

// ready returns the queue while a frame may be handed to the modem, else a channel that never delivers.
func (s *session) ready() <-chan *request {
	if s.phase == ready && s.flying == nil {
		return s.m.queue
	}
	return nil
}

func (s *session) transmit(req *request) {
	switch {
	case req.ctx.Err() != nil:
		req.done <- result{err: req.ctx.Err()}
	case len(req.frame) > s.maxFrame:
		s.m.count(func(st *Stats) { st.Refused++ })
		req.done <- result{err: &RefusedError{ReasonTooLong, fmt.Sprintf("%d bytes, at most %d", len(req.frame), s.maxFrame)}}
	default:
		s.tag++
		s.flying, s.flyingTag = req, s.tag
		s.tell(Send{s.tag, req.frame})
		s.resultBy.Reset(s.m.o.SendTimeout)
	}
}

// answer ends the frame in flight.
func (s *session) answer(r result) {
	if s.flying != nil {
		s.flying.done <- r
		s.flying = nil
	}
	s.resultBy.Stop()
}

// down makes the bearer down, and fails what is in flight and in the queue.
func (s *session) down() {
	s.answer(result{err: fmt.Errorf("%w: the modem went away before it told what became of the frame", radio.ErrDown)})
	s.m.setDown()
}

// drain delivers what the reader has read already.
func (s *session) drain() {
	for {
		select {
		case a := <-s.in:
			if r, ok := a.msg.(Received); ok {
				s.received(r, a.at)
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
	switch msg := a.msg.(type) {
	case Received:
		s.received(msg, a.at)
	case ModemHello:
		return s.greeted(msg)
	case ParametersResult:
		return s.parametersSet(msg)
	case SendResult:
		s.sendResult(msg)
	case Pong:
		s.pong(msg)
	case Noise:
		s.m.count(func(st *Stats) { st.NoiseFloor, st.NoiseAt = msg.Floor.DB(), a.at })
	case FaultReport:
		s.fault(msg)
	}
	return nil
}

// received delivers in every phase: a modem may still be set up from before, and a frame is a frame.
func (s *session) received(r Received, at time.Time) {
	s.m.count(func(st *Stats) { st.Frames++ })
	s.deliver(radio.Packet{
		Frame: r.Frame, Measured: true, RSSI: r.RSSI.DB(), SNR: r.SNR.DB(), FreqErr: float64(r.FreqErr),
		At: at, Bearer: s.m.o.Name,
	})
}

// greeted takes the answer to our hello, and the hello of a modem that has just started, which knows no parameters.
func (s *session) greeted(h ModemHello) *lost {
	started := h.Nonce == 0
	if !started && (s.phase != greeting || h.Nonce != s.nonce) {
		if h.Nonce != s.nonce { // else a repeated hello was answered twice
			s.stray()
		}
		return nil
	}
	if h.Version != Version {
		return &lost{LossVersion, fmt.Errorf("the modem (firmware %q) speaks version %d of the protocol, this program version %d: update one of them", h.Firmware, h.Version, Version)}
	}
	s.firmware, s.maxFrame = h.Firmware, int(h.MaxFrame)
	if started && s.phase != greeting {
		s.restarted("it said so")
	}
	s.set()
	return nil
}

// restarted takes note that the modem has forgotten its parameters. The time allowed for set-up begins only at the first
// of several restarts: a modem that falls over its parameters is to be given up, not asked for ever.
func (s *session) restarted(how string) {
	s.m.count(func(st *Stats) { st.Restarts++ })
	if s.phase == ready {
		s.m.logChange(slog.LevelWarn, "modem has restarted, setting it up again", "noticed", how)
		s.setUpBy.Reset(s.m.o.HelloTimeout)
	}
	s.beat.Stop()
	s.down()
}

// set begins the setting of parameters.
func (s *session) set() {
	s.phase = setting
	s.tag++
	s.ask()
}

func (s *session) parametersSet(r ParametersResult) *lost {
	if s.phase != setting || r.Tag != s.tag {
		s.stray()
		return nil
	}
	if r.Reason != ReasonNone {
		return &lost{LossRefused, fmt.Errorf("the modem refused its parameters: %v %q", r.Reason, r.Text)}
	}
	s.phase, s.misses, s.ponged = ready, 0, true
	s.retry.Stop()
	s.setUpBy.Stop()
	s.beat.Reset(s.m.o.Heartbeat)
	s.m.setUp(s.firmware)
	return nil
}

func (s *session) sendResult(r SendResult) {
	if s.flying == nil || r.Tag != s.flyingTag {
		s.stray()
		return
	}
	report := Report{r.Power, time.Duration(r.Airtime) * time.Millisecond}
	var err error
	s.m.count(func(st *Stats) {
		switch r.Outcome {
		case Sent:
			st.Sent++
			st.Airtime += report.Airtime
		case Busy:
			st.Busy++
			err = ErrBusy
		default:
			st.Refused++
			err = &RefusedError{r.Reason, r.Text}
		}
	})
	s.answer(result{report, err})
	if r.Reason == ReasonNotSetUp { // its hello was lost on the line
		s.restarted("it refused to send")
		s.set()
	}
}

func (s *session) pong(p Pong) {
	if s.phase != ready || p.Nonce != s.ping {
		s.stray()
		return
	}
	s.ponged, s.misses = true, 0
	s.m.count(func(st *Stats) { st.LostIn = p.Lost })
	if !p.SetUp { // its hello was lost on the line
		s.restarted("its heartbeat told")
		s.set()
	}
}

func (s *session) fault(f FaultReport) {
	was := FaultNone
	s.m.count(func(st *Stats) { was, st.Fault = st.Fault, f.Code })
	switch {
	case was == f.Code:
	case f.Code == FaultNone:
		s.m.o.Log.Info("modem reports that its fault is over", "bearer", s.m.o.Name, "fault", was.String())
	default:
		s.m.o.Log.Warn("modem reports a fault", "bearer", s.m.o.Name, "fault", f.Code.String(), "text", f.Text)
	}
}

func (s *session) stray() { s.m.count(func(st *Stats) { st.Stray++ }) }
