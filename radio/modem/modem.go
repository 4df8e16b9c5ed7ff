package modem

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"math/rand/v2"
	"sync"
	"time"

	"longlane/radio"
	"longlane/radio/modem/lines"
)

// queueSize is how many frames may wait while another is in the air.
const queueSize = 16

// Options says how to reach a modem and what to do with it. Open must be given, and Parameters or Lines; the zero value of
// everything else means the default.
type Options struct {
	// Name is the bearer's name.
	Name string
	// Open opens the stream of bytes to the modem. Closing that stream must make a blocked Read and Write return.
	Open func(context.Context) (io.ReadWriteCloser, error)
	// Parameters is how the radio is to be set.
	Parameters Parameters
	// Lines, if given, makes the Modem speak the line dialect. The radio is set by its lines then, not by Parameters.
	Lines *lines.Dialect
	// Permit is asked for every frame before it is handed on, and there is no other way to the air. Without it Send returns
	// ErrReceiveOnly. Its error is Send's, a *radio.WaitError for a frame that may go later. If it permits a frame, settle
	// is called exactly once, as soon as it is known what became of the frame: Sent with the airtime that the modem told, 0
	// if it did not tell. Permit may wait for a disk; settle must not wait.
	Permit func(frame []byte) (settle func(fate radio.Fate, airtime time.Duration), err error)

	BackoffMin   time.Duration // wait before the first attempt to reopen; default 0.5 s; doubles, plus up to half as much at random
	BackoffMax   time.Duration // longest wait; default 30 s
	HelloTimeout time.Duration // from opening to the end of set-up; default 10 s, as some boards restart when opened, or what Lines needs
	Retry        time.Duration // between repeated hellos and parameters; default 1 s
	Heartbeat    time.Duration // between pings; default 30 s, or as Lines says; three without an answer and the modem counts as dead
	WriteTimeout time.Duration // for one message to leave; default 3 s
	SendTimeout  time.Duration // for a frame's result, from when the modem was told; default 5 s; must exceed the longest airtime

	Log *slog.Logger // default: none
}

// maxMisses is how many heartbeats in a row may stay without an answer.
const maxMisses = 3

func (o Options) withDefaults() Options {
	if o.Lines != nil {
		o.HelloTimeout = cmp.Or(o.HelloTimeout, setUpTime(o.Lines))
		o.Heartbeat = cmp.Or(o.Heartbeat, beat(o.Lines))
	}
	o.BackoffMin = cmp.Or(o.BackoffMin, 500*time.Millisecond)
	o.BackoffMax = cmp.Or(o.BackoffMax, 30*time.Second)
	o.HelloTimeout = cmp.Or(o.HelloTimeout, 10*time.Second)
	o.Retry = cmp.Or(o.Retry, time.Second)
	o.Heartbeat = cmp.Or(o.Heartbeat, 30*time.Second)
	o.WriteTimeout = cmp.Or(o.WriteTimeout, 3*time.Second)
	o.SendTimeout = cmp.Or(o.SendTimeout, 5*time.Second)
	o.Log = cmp.Or(o.Log, slog.New(slog.DiscardHandler))
	return o
}

// Check returns an error that names the first field with which no modem can work.
func (o Options) Check() error {
	o = o.withDefaults()
	switch {
	case o.Open == nil:
		return errors.New("modem: Open is not set: nothing says how to reach the modem")
	case o.Lines != nil && o.Permit != nil && !o.Lines.CanSend:
		return errors.New("modem: Permit is set, but the line dialect has no line that makes the modem send")
	case min(o.BackoffMin, o.HelloTimeout, o.Retry, o.Heartbeat, o.WriteTimeout, o.SendTimeout) < 0:
		return errors.New("modem: a time is negative: expected 0 (the default) or more")
	case o.BackoffMax < o.BackoffMin:
		return fmt.Errorf("modem: longest backoff %v is below the shortest, %v", o.BackoffMax, o.BackoffMin)
	case o.Lines == nil:
		return o.Parameters.check()
	}
	return nil
}

func (p Parameters) check() error {
	switch {
	case p.Frequency == 0:
		return errors.New("modem: frequency is 0 Hz: expected the channel's centre, for example 868100000")
	case p.Bandwidth == 0:
		return errors.New("modem: bandwidth is 0 Hz: expected for example 125000")
	case p.SpreadingFactor < 5 || p.SpreadingFactor > 12:
		return fmt.Errorf("modem: spreading factor is %d: expected 5 to 12", p.SpreadingFactor)
	case p.CodingRate < 5 || p.CodingRate > 8:
		return fmt.Errorf("modem: coding rate is %d: expected 5 to 8 (for 4/5 to 4/8)", p.CodingRate)
	case p.Preamble == 0:
		return errors.New("modem: preamble is 0 symbols: expected for example 8")
	}
	return nil
}

// Loss is why a modem was given up and opened again.
type Loss uint8

// The losses.
const (
	LossOpen       Loss = iota // it could not be opened
	LossRead                   // reading failed: unplugged, in most cases
	LossWrite                  // writing failed
	LossStuck                  // it took no more bytes
	LossHello                  // it did not say who it is
	LossVersion                // it speaks another version of the protocol
	LossParameters             // it did not answer to its parameters, or fell back to the start again and again
	LossRefused                // it refused its parameters, or a line of its initialisation
	LossDeaf                   // it stopped answering to heartbeats
	NumLosses
)

var lossNames = [NumLosses]string{"open", "read", "write", "stuck", "hello", "version", "parameters", "refused", "deaf"}

func (l Loss) String() string { return lossNames[l] }

// lost is the error with which a session ends.
type lost struct {
	reason Loss
	err    error
}

func (l *lost) Error() string { return l.reason.String() + ": " + l.err.Error() }
func (l *lost) Unwrap() error { return l.err }

// Stats counts since New.
type Stats struct {
	Frames      uint64       // received from the air and delivered
	Line        LineCounts   // what the stream of bytes held, framed dialect
	Text        lines.Counts // what it held, line dialect
	UnknownType uint64       // whole packets of a type that a modem does not send
	BadBody     uint64       // whole packets with a body that their type cannot have
	Stray       uint64       // answers to nothing that was asked, late ones included; lines that mean nothing

	Opens           uint64 // streams opened
	Losses          [NumLosses]uint64
	Ups             uint64 // times that set-up was completed
	Restarts        uint64 // restarts noticed while the stream stayed open
	HeartbeatMisses uint64

	Sent     uint64
	Busy     uint64
	Refused  uint64
	NoResult uint64        // frames of which the modem never told the outcome
	Airtime  time.Duration // of all frames sent, as the modem told
	LostIn   uint32        // frames that the modem threw away since its last start, as its last pong told

	Firmware   string    // of the modem last heard
	Fault      FaultCode // as last reported
	NoiseFloor float64   // dBm, as last reported
	NoiseAt    time.Time // when; zero: never
}

// Errors of Send that a caller may want to tell apart, beside radio.ErrDown.
var (
	ErrReceiveOnly = errors.New("this bearer is set to receive only")
	ErrQueueFull   = errors.New("too many frames are waiting to be sent")
	ErrBusy        = fmt.Errorf("the modem says that %w", radio.ErrBusy)
	ErrNoResult    = errors.New("the modem did not say what became of the frame")
)

// RefusedError says that the modem refused to send a frame.
type RefusedError struct {
	Reason Reason
	Text   string // the modem's own words, may be empty
}

func (e *RefusedError) Error() string {
	if e.Text == "" {
		return "the modem refused to send: " + e.Reason.String()
	}
	return fmt.Sprintf("the modem refused to send: %v (%q)", e.Reason, e.Text)
}

// Report is what the modem told of a frame it sent.
type Report struct {
	Power   int8 // dBm
	Airtime time.Duration
}

// Modem is the host's end of the link to one modem. It implements radio.Link. All methods are safe for concurrent use;
// Run must be running for anything to happen, once.
type Modem struct {
	o     Options
	queue chan *request

	mu    sync.Mutex // protects what follows
	up    bool
	stats Stats
	said  string // the last change logged, so that it is logged once
}

var _ radio.Link = (*Modem)(nil)

// request is one frame on its way. Whoever takes it from the queue answers exactly once.
type request struct {
	ctx    context.Context
	frame  []byte
	settle func(radio.Fate, time.Duration)
	done   chan result // capacity 1
}

func (r *request) answer(fate radio.Fate, res result) {
	r.settle(fate, res.report.Airtime)
	r.done <- res
}

type result struct {
	report Report
	err    error
}

// New returns a Modem that does nothing until Run.
func New(o Options) *Modem {
	return &Modem{o: o.withDefaults(), queue: make(chan *request, queueSize)}
}

// Name implements radio.Link.
func (m *Modem) Name() string { return m.o.Name }

// Up reports whether a modem is there that has accepted its parameters and answers.
func (m *Modem) Up() bool {
	m.mu.Lock()
	defer m.mu.Unlock()
	return m.up
}

// Stats returns the counters as they stand.
func (m *Modem) Stats() Stats {
	m.mu.Lock()
	defer m.mu.Unlock()
	return m.stats
}

// Run implements radio.Link. It returns an error only if Check does.
func (m *Modem) Run(ctx context.Context, deliver func(radio.Packet)) error {
	if err := m.o.Check(); err != nil {
		return err
	}
	wait := backoff{min: m.o.BackoffMin, max: m.o.BackoffMax}
	var err *lost
	for ctx.Err() == nil {
		ups := m.Stats().Ups
		if err = m.once(ctx, err, deliver); err != nil && ctx.Err() == nil {
			m.noteLost(err)
		}
		if m.Stats().Ups != ups {
			wait.reset()
		}
		wait.sleep(ctx)
	}
	return nil
}

// once opens the stream and serves it until it is lost or ctx ends. The loss, if any, is how the last attempt ended.
func (m *Modem) once(ctx context.Context, before *lost, deliver func(radio.Packet)) *lost {
	rw, err := m.o.Open(ctx)
	if err != nil {
		return &lost{LossOpen, err}
	}
	m.count(func(s *Stats) { s.Opens++ })
	return serve(ctx, m, rw, before, deliver)
}

// dialect returns what a new session speaks.
func (m *Modem) dialect(s *session, before *lost) dialect {
	if m.o.Lines != nil {
		return newLined(s, m.o.Lines, before)
	}
	return newFramed(s)
}

// Send implements radio.Link. The address is ignored: everybody on the channel hears. Beside radio.ErrDown it returns
// ErrReceiveOnly, what Permit returns, ErrQueueFull, ErrBusy, ErrNoResult, a *RefusedError, or ctx's error; after ErrNoResult and after ctx's
// error the frame may have been sent all the same.
func (m *Modem) Send(ctx context.Context, _ string, frame []byte) error {
	_, err := m.SendReported(ctx, frame)
	return err
}

// SendReported is Send, and returns what the modem told of the frame.
func (m *Modem) SendReported(ctx context.Context, frame []byte) (Report, error) {
	if m.o.Permit == nil {
		return Report{}, ErrReceiveOnly
	}
	if len(frame) == 0 || len(frame) > radio.MaxFrame {
		return Report{}, fmt.Errorf("send %d bytes: expected 1 to %d", len(frame), radio.MaxFrame)
	}
	if !m.Up() { // then nothing needs to be asked
		return Report{}, radio.ErrDown
	}
	settle, err := m.o.Permit(frame)
	if err != nil {
		return Report{}, err
	}
	req := &request{ctx: ctx, frame: append([]byte(nil), frame...), settle: settle, done: make(chan result, 1)}
	if err := m.enqueue(req); err != nil {
		settle(radio.NotSent, 0)
		return Report{}, err
	}
	select {
	case r := <-req.done:
		return r.report, r.err
	case <-ctx.Done():
		return Report{}, ctx.Err()
	}
}

// enqueue holds the lock over both the look at up and the hand-over, so that no frame enters the queue after setDown
// has emptied it: its sender would wait until the modem is back.
func (m *Modem) enqueue(req *request) error {
	m.mu.Lock()
	defer m.mu.Unlock()
	if !m.up {
		return radio.ErrDown
	}
	select {
	case m.queue <- req:
		return nil
	default:
		return ErrQueueFull
	}
}

func (m *Modem) setUp(firmware string) {
	m.mu.Lock()
	m.up = true
	m.stats.Ups++
	m.stats.Firmware = firmware
	m.mu.Unlock()
	if firmware == "" { // the line dialect does not tell
		m.logChange(slog.LevelInfo, "modem is up")
		return
	}
	m.logChange(slog.LevelInfo, "modem is up", "firmware", firmware)
}

// setDown makes Send fail from now on, and everything that waits in the queue.
func (m *Modem) setDown() {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.up = false
	for {
		select {
		case req := <-m.queue:
			req.answer(radio.NotSent, result{err: radio.ErrDown})
		default:
			return
		}
	}
}

func (m *Modem) noteLost(l *lost) {
	m.count(func(s *Stats) { s.Losses[l.reason]++ })
	m.logChange(slog.LevelWarn, "modem is down, trying again for ever", "reason", l.reason.String(), "error", l.err.Error())
}

// logChange logs unless the same was the last thing logged: a modem that stays away for a week makes one line.
func (m *Modem) logChange(level slog.Level, msg string, args ...any) {
	line := msg + fmt.Sprint(args...)
	m.mu.Lock()
	again := line == m.said
	m.said = line
	m.mu.Unlock()
	if !again {
		m.o.Log.Log(context.Background(), level, msg, append([]any{"bearer", m.o.Name}, args...)...)
	}
}

func (m *Modem) count(f func(*Stats)) {
	m.mu.Lock()
	defer m.mu.Unlock()
	f(&m.stats)
}

// backoff is the wait between two attempts: it doubles from min to two thirds of max, and up to half as much is added at
// random, so that two processes that fight over one port do not do so in step.
type backoff struct {
	min, max, next time.Duration
}

func (b *backoff) reset() { b.next = 0 }

func (b *backoff) step() time.Duration {
	b.next = max(b.min, min(b.next, b.max*2/3))
	d := min(b.next+rand.N(b.next/2+1), b.max)
	b.next *= 2
	return d
}

func (b *backoff) sleep(ctx context.Context) {
	t := time.NewTimer(b.step())
	defer t.Stop()
	select {
	case <-t.C:
	case <-ctx.Done():
	}
}
