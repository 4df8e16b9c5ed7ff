package modem

import (
	"fmt"
	"math/rand/v2"
	"time"

	"longlane/radio"
)

// phase is how far the set-up of a framed modem has come.
type phase uint8

const (
	greeting phase = iota // hello sent, no answer yet
	setting               // parameters sent, no answer yet
	ready
)

// framed is the dialect of MODEM.md.
type framed struct {
	s *session
	f Deframer // the reader's

	phase    phase
	nonce    uint32 // of our hello
	tag      uint16 // last one given out
	flying   uint16 // tag of the frame in flight
	pinged   uint32 // nonce of the last ping
	firmware string
	maxFrame int
}

func newFramed(s *session) *framed {
	return &framed{s: s, nonce: rand.Uint32() | 1, tag: uint16(rand.Uint32())}
}

func (f *framed) parse(b []byte, _ time.Duration, said func(any)) {
	f.f.Push(b, func(kind byte, body []byte) {
		f.counted()
		switch msg := f.message(kind, body).(type) {
		case nil:
		case Received:
			said(radio.Packet{Frame: msg.Frame, Measured: true, RSSI: msg.RSSI.DB(), SNR: msg.SNR.DB(), FreqErr: float64(msg.FreqErr)})
		default:
			said(msg)
		}
	})
	f.counted()
}

// counted goes before everything that is handed on, so that who has a frame finds it in the figures.
func (f *framed) counted() {
	f.s.m.count(func(st *Stats) { st.Line.add(f.f.Counts) })
	f.f.Counts = LineCounts{}
}

func (f *framed) message(kind byte, body []byte) Message {
	verdict := UnknownType
	var msg Message
	if kind&0x80 != 0 { // a host's message can only be our own, sent back by a tty that echoes
		msg, verdict = Parse(kind, body)
	}
	switch verdict {
	case UnknownType:
		f.s.m.count(func(st *Stats) { st.UnknownType++ })
	case BadBody:
		f.s.m.count(func(st *Stats) { st.BadBody++ })
	}
	return msg
}

func (f *framed) ask() {
	switch f.phase {
	case greeting:
		f.tell(Hello{Version: Version, Nonce: f.nonce})
	case setting:
		f.tell(SetParameters{Tag: f.tag, Parameters: f.s.m.o.Parameters})
	case ready:
		return
	}
	f.s.retry.Reset(f.s.m.o.Retry)
}

func (f *framed) tell(m Message) { f.s.say(Append(nil, m)) }

func (f *framed) late() *lost {
	within := f.s.m.o.HelloTimeout
	if f.phase == greeting {
		return &lost{LossHello, fmt.Errorf("no hello within %v: is this the modem's port, and its speed right?", within)}
	}
	return &lost{LossParameters, fmt.Errorf("set-up not done within %v of opening or of the modem's last restart", within)}
}

func (f *framed) ping() *lost {
	f.pinged++
	f.tell(Ping{f.pinged})
	return nil
}

func (f *framed) deaf(reason error) *lost { return &lost{LossDeaf, reason} }

func (f *framed) send(frame []byte) error {
	if len(frame) > f.maxFrame {
		return &RefusedError{ReasonTooLong, fmt.Sprintf("%d bytes, at most %d", len(frame), f.maxFrame)}
	}
	f.tag++
	f.flying = f.tag
	f.tell(Send{f.tag, frame})
	return nil
}

// overdue goes on at once: a late result's tag is not that of the next frame.
func (f *framed) overdue() { f.s.noResult() }

func (f *framed) hear(said any) *lost {
	switch msg := said.(type) {
	case ModemHello:
		return f.greeted(msg)
	case ParametersResult:
		return f.parametersSet(msg)
	case SendResult:
		f.sendResult(msg)
	case Pong:
		f.ponged(msg)
	case Noise:
		f.s.m.count(func(st *Stats) { st.NoiseFloor, st.NoiseAt = msg.Floor.DB(), f.s.heardAt })
	case FaultReport:
		f.fault(msg)
	}
	return nil
}

// greeted takes the answer to our hello, and the hello of a modem that has just started, which knows no parameters.
func (f *framed) greeted(h ModemHello) *lost {
	started := h.Nonce == 0
	if !started && (f.phase != greeting || h.Nonce != f.nonce) {
		if h.Nonce != f.nonce { // else a repeated hello was answered twice
			f.s.stray()
		}
		return nil
	}
	if h.Version != Version {
		return &lost{LossVersion, fmt.Errorf("the modem (firmware %q) speaks version %d of the protocol, this program version %d: update one of them", h.Firmware, h.Version, Version)}
	}
	f.firmware, f.maxFrame = h.Firmware, int(h.MaxFrame)
	if started && f.phase != greeting {
		f.s.restarted("it said so")
	}
	f.set()
	return nil
}

// set begins the setting of parameters.
func (f *framed) set() {
	f.phase = setting
	f.tag++
	f.ask()
}

func (f *framed) parametersSet(r ParametersResult) *lost {
	if f.phase != setting || r.Tag != f.tag {
		f.s.stray()
		return nil
	}
	if r.Reason != ReasonNone {
		return &lost{LossRefused, fmt.Errorf("the modem refused its parameters: %v %q", r.Reason, r.Text)}
	}
	f.phase = ready
	f.s.setUp(f.firmware)
	return nil
}

func (f *framed) sendResult(r SendResult) {
	if f.s.flying == nil || r.Tag != f.flying {
		f.s.stray()
		return
	}
	report := Report{r.Power, time.Duration(r.Airtime) * time.Millisecond}
	switch r.Outcome {
	case Sent:
		f.s.sent(report)
	case Busy:
		f.s.m.count(func(st *Stats) { st.Busy++ })
		f.s.answer(radio.NotSent, result{report, ErrBusy})
	default:
		f.s.refused(report, r.Reason, r.Text)
	}
	if r.Reason == ReasonNotSetUp { // its hello was lost on the line
		f.s.restarted("it refused to send")
		f.set()
	}
}

func (f *framed) ponged(p Pong) {
	if f.phase != ready || p.Nonce != f.pinged {
		f.s.stray()
		return
	}
	f.s.pong()
	f.s.m.count(func(st *Stats) { st.LostIn = p.Lost })
	if !p.SetUp { // its hello was lost on the line
		f.s.restarted("its heartbeat told")
		f.set()
	}
}

func (f *framed) fault(r FaultReport) {
	was := FaultNone
	o := f.s.m.o
	f.s.m.count(func(st *Stats) { was, st.Fault = st.Fault, r.Code })
	switch {
	case was == r.Code:
	case r.Code == FaultNone:
		o.Log.Info("modem reports that its fault is over", "bearer", o.Name, "fault", was.String())
	default:
		o.Log.Warn("modem reports a fault", "bearer", o.Name, "fault", r.Code.String(), "text", r.Text)
	}
}
