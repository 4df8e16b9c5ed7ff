package modem

import (
	"errors"
	"fmt"
	"math/rand/v2"
	"slices"
	"time"

	"longlane/radio"
	"longlane/radio/modem/lines"
)

// lined is the dialect of LINES.md: lines of text in words that the config gives.
//
// Answers carry no mark of the question, so only one question is open at a time: a line of set-up, a frame, or a heartbeat.
// Where an answer stays out, host and modem may be out of step, and set-up begins anew.
type lined struct {
	s *session
	d *lines.Dialect
	r *lines.Reader // the reader's

	steps []lines.Exchange // of set-up: reset if need be, initialisation, heartbeat
	reset bool             // the first step is the reset; its answer may stay out
	at    int              // step that was asked; -1 before the first, len(steps) once set up
	met   bool             // it has answered something

	sending []byte        // what makes it send the frame in flight
	busy    bool          // it was busy, and will be asked again
	pause   time.Duration // how long to wait before that
}

// When the modem is busy, it is asked again after a pause that doubles from the first to the longest.
const (
	firstPause   = 100 * time.Millisecond
	longestPause = time.Second
)

// newLined begins with a reset if the modem had to be given up for what it did.
func newLined(s *session, d *lines.Dialect, before *lost) *lined {
	l := &lined{s: s, d: d, r: lines.NewReader(d)}
	l.plan(before != nil && slices.Contains([]Loss{LossDeaf, LossHello, LossParameters, LossRefused}, before.reason))
	return l
}

// plan makes set-up begin anew.
func (l *lined) plan(reset bool) {
	l.steps, l.at, l.met = nil, -1, false
	if l.reset = reset && l.d.Reset != nil; l.reset {
		l.steps = append(l.steps, *l.d.Reset)
	}
	l.steps = append(l.steps, l.d.Initialise...)
	if h := l.d.Heartbeat; h != nil {
		l.steps = append(l.steps, *h)
	}
}

func (l *lined) parse(b []byte, waited time.Duration, said func(any)) {
	l.r.Push(b, waited, func(h lines.Heard) {
		l.counted()
		said(radio.Packet{Frame: h.Frame, Measured: h.Measured, RSSI: h.RSSI, SNR: h.SNR})
	}, func(line []byte) {
		l.counted()
		said(line)
	})
	l.counted()
}

// counted goes before everything that is handed on, so that who has a frame finds it in the figures.
func (l *lined) counted() {
	l.s.m.count(func(st *Stats) { st.Text.Add(l.r.Counts) })
	l.r.Counts = lines.Counts{}
}

func (l *lined) ready() bool { return l.at == len(l.steps) }

// resetting tells that the open question is the reset line.
func (l *lined) resetting() bool { return l.reset && l.at == 0 }

func (l *lined) ask() {
	switch {
	case l.ready():
		l.again()
	case l.at < 0 || l.resetting() || !l.steps[l.at].Waits():
		l.next()
	default: // it may have restarted, and forgotten what it was told before: from the first line
		l.fromFirst()
	}
}

// fromFirst begins with the first line of initialisation.
func (l *lined) fromFirst() {
	l.at = -1
	if l.reset {
		l.at = 0
	}
	l.next()
}

func (l *lined) next() {
	l.at++
	if l.ready() {
		l.s.setUp("")
		return
	}
	l.s.say(l.steps[l.at].Line)
	l.s.retry.Reset(l.steps[l.at].Timeout)
}

// again goes on after a pause once set up: a busy modem is offered the frame again, or a heartbeat's time is over.
func (l *lined) again() {
	l.s.hold = false
	if l.s.flying == nil || !l.busy {
		return
	}
	if err := l.s.flying.ctx.Err(); err != nil {
		l.s.answer(radio.NotSent, result{err: err})
		return
	}
	l.busy = false
	l.s.say(l.sending)
}

func (l *lined) late() *lost {
	within := l.s.m.o.HelloTimeout
	if !l.met {
		return &lost{LossHello, fmt.Errorf("no answer to %q within %v: is this the modem's port, and its speed and line ending right?", l.asked(), within)}
	}
	return &lost{LossParameters, fmt.Errorf("set-up not done within %v; the last line was %q", within, l.asked())}
}

func (l *lined) asked() string { return l.steps[max(l.at, 0)].Text }

func (l *lined) hear(said any) *lost {
	line := said.([]byte)
	switch {
	case !l.ready() && l.at >= 0 && l.steps[l.at].Answered(line):
		l.met = true
		l.next()
	case l.d.Restarted(line):
		l.restarted(fmt.Sprintf("it said %q", line), false)
	case !l.ready():
		return l.setUpAnswer(line)
	case l.s.flying != nil && !l.busy:
		l.sendAnswer(line)
	case l.s.hold && l.alive(line):
		l.s.pong()
		l.s.hold = false
		l.s.retry.Stop()
	default:
		l.s.stray()
	}
	return nil
}

// alive judges an answer to a heartbeat. A modem that is busy lives.
func (l *lined) alive(line []byte) bool {
	verdict, _ := l.d.Judge(line)
	return l.d.Heartbeat.Answered(line) || verdict == lines.Busy
}

// restarted sets the modem up anew. Before it has answered for the first time it is no news that it starts: opening the
// port, or the reset line, may have made it.
func (l *lined) restarted(how string, reset bool) {
	l.s.retry.Stop()
	if l.s.ready || l.met {
		l.s.restarted(how)
	}
	l.plan(reset)
	l.next()
}

// setUpAnswer takes an answer to a line of set-up other than the right one.
func (l *lined) setUpAnswer(line []byte) *lost {
	verdict, reason := l.d.Judge(line)
	switch {
	case verdict == lines.Error && l.resetting():
		l.next()
	case verdict == lines.Error && l.at >= 0:
		return &lost{LossRefused, fmt.Errorf("the modem answered %q to %q", reason, l.asked())}
	default: // if it is busy: it is asked again when its time is over
		l.s.stray()
	}
	return nil
}

func (l *lined) sendAnswer(line []byte) {
	switch verdict, reason := l.d.Judge(line); verdict {
	case lines.OK:
		l.s.sent(Report{})
	case lines.Busy:
		l.s.m.count(func(st *Stats) { st.Busy++ })
		l.busy = true
		l.s.retry.Reset(l.pause + rand.N(l.pause/2)) // lest two modems that hear each other stay in step
		l.pause = min(2*l.pause, longestPause)
	case lines.Error:
		l.s.refused(Report{}, ReasonOther, reason)
	default:
		l.s.stray()
	}
}

func (l *lined) send(frame []byte) error {
	line, err := l.d.Send(frame)
	var long *lines.TooLongError
	if errors.As(err, &long) {
		return &RefusedError{ReasonTooLong, long.Error()}
	}
	l.sending, l.busy, l.pause = line, false, firstPause
	l.s.say(line)
	return nil
}

// overdue: a late answer would be taken for that to the next frame, so the modem is set up anew, unless it owes none.
func (l *lined) overdue() {
	if l.busy {
		l.s.retry.Stop()
		l.s.answer(radio.NotSent, result{err: fmt.Errorf("%w for %v", ErrBusy, l.s.m.o.SendTimeout)})
		return
	}
	l.s.noResult()
	l.restarted("it did not say what became of a frame", false)
}

// ping asks nothing while a frame is in flight, whose answer is as good a sign.
func (l *lined) ping() *lost {
	if quiet := time.Since(l.s.heardAt); l.d.Silence > 0 && quiet >= l.d.Silence {
		return l.deaf(fmt.Errorf("nothing at all came from it for %v", quiet.Round(time.Second)))
	}
	if l.d.Heartbeat == nil || l.s.flying != nil {
		l.s.pong()
		return nil
	}
	l.s.hold = true
	l.s.say(l.d.Heartbeat.Line)
	l.s.retry.Reset(l.d.Heartbeat.Timeout)
	return nil
}

func (l *lined) deaf(reason error) *lost {
	if l.d.Reopen {
		return &lost{LossDeaf, reason}
	}
	l.s.heardAt = time.Now() // another silence begins
	l.restarted(reason.Error(), true)
	return nil
}

// beat is how often session.heartbeat is to run.
func beat(d *lines.Dialect) time.Duration {
	switch {
	case d.Heartbeat == nil:
		return d.Silence / 4
	case d.Silence > 0:
		return min(d.Every, d.Silence/4)
	}
	return d.Every
}

// setUpTime is how long set-up may take: all lines three times over, as a board may restart when its port is opened.
func setUpTime(d *lines.Dialect) time.Duration {
	all := time.Duration(0)
	for _, x := range d.Initialise {
		all += x.Timeout
	}
	for _, x := range []*lines.Exchange{d.Reset, d.Heartbeat} {
		if x != nil {
			all += x.Timeout
		}
	}
	return max(10*time.Second, 3*all)
}
