package modem

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"sync"
	"time"

	"longlane/radio"
)

// DeviceOptions says what a Device is.
type DeviceOptions struct {
	Firmware string // default "longlane device"
	MaxFrame uint8  // default 255
	// Accept judges parameters; ReasonNone accepts. Default: accepts what the protocol allows.
	Accept func(Parameters) (Reason, string)
	// Transmit puts a frame on the air, and returns its airtime, or radio.ErrBusy if the channel is in use, or another error if
	// the frame cannot be sent. It is called from one goroutine and may take as long as the frame does, but must return.
	// Default: every frame is refused.
	Transmit func(frame []byte) (airtime time.Duration, err error)
}

// Device is the modem's own end of the protocol: what a board's firmware does, without the radio. It serves one host at a
// time and keeps its parameters between hosts. All methods are safe for concurrent use.
type Device struct {
	o DeviceOptions

	mu      sync.Mutex // protects what follows
	out     chan []byte
	setUp   bool
	p       Parameters
	lost    uint32
	deaf    bool
	sending bool
}

// Errors of Receive, Noise and Report.
var (
	ErrNoHost   = errors.New("no host is being served")
	ErrSlowHost = errors.New("the host does not take what the device has for it")
	ErrNotSetUp = errors.New("the device has no parameters since it started")
	errServing  = errors.New("this device already serves a host")
)

// deviceQueue is how many messages a Device keeps for its host.
const deviceQueue = 64

// NewDevice returns a Device that has just started.
func NewDevice(o DeviceOptions) *Device {
	if o.Firmware == "" {
		o.Firmware = "longlane device"
	}
	if o.MaxFrame == 0 {
		o.MaxFrame = 255
	}
	if o.Accept == nil {
		o.Accept = acceptPossible
	}
	if o.Transmit == nil {
		o.Transmit = func([]byte) (time.Duration, error) { return 0, errors.New("this device has no transmitter") }
	}
	return &Device{o: o}
}

func acceptPossible(p Parameters) (Reason, string) {
	switch {
	case p.Frequency == 0:
		return ReasonFrequency, "0 Hz"
	case p.Bandwidth == 0:
		return ReasonBandwidth, "0 Hz"
	case p.SpreadingFactor < 5 || p.SpreadingFactor > 12:
		return ReasonSpreadingFactor, "5 to 12"
	case p.CodingRate < 5 || p.CodingRate > 8:
		return ReasonCodingRate, "5 to 8"
	case p.Preamble == 0:
		return ReasonPreamble, "0 symbols"
	}
	return ReasonNone, ""
}

// Serve says hello over rw and answers the host until rw fails or ctx ends; it then closes rw. It returns nil if ctx
// ended it. If a write to rw ends in os.ErrDeadlineExceeded, the host was not reading; the message counts as lost, and
// Serve goes on.
func (d *Device) Serve(ctx context.Context, rw io.ReadWriteCloser) error {
	defer rw.Close()
	out := make(chan []byte, deviceQueue)
	sends := make(chan Send, 1)
	d.mu.Lock()
	if d.out != nil {
		d.mu.Unlock()
		return errServing
	}
	d.out, d.sending = out, false // a frame that the last host asked for too late is never sent
	d.mu.Unlock()
	stop := context.AfterFunc(ctx, func() { rw.Close() })
	defer stop()

	done := make(chan struct{})
	var wg sync.WaitGroup
	wg.Go(func() { d.write(rw, out, done) })
	wg.Go(func() { d.transmit(sends, done) })
	d.hello(0)
	err := d.read(rw, sends)
	d.mu.Lock()
	d.out = nil
	d.mu.Unlock()
	close(done)
	rw.Close()
	wg.Wait()
	if ctx.Err() != nil {
		return nil
	}
	return err
}

func (d *Device) read(rw io.Reader, sends chan<- Send) error {
	var f Deframer
	buf := make([]byte, 512)
	for {
		n, err := rw.Read(buf)
		f.Push(buf[:n], func(kind byte, body []byte) {
			if kind&0x80 != 0 {
				return // a modem's message: our own, sent back by a line that echoes
			}
			if m, verdict := Parse(kind, body); verdict == OK {
				d.obey(m, sends)
			}
		})
		if err != nil {
			return fmt.Errorf("read from the host: %w", err)
		}
	}
}

func (d *Device) write(rw io.WriteCloser, out <-chan []byte, done <-chan struct{}) {
	for {
		select {
		case <-done:
			return
		case b := <-out:
			_, err := rw.Write(b)
			switch {
			case errors.Is(err, os.ErrDeadlineExceeded):
				d.mu.Lock()
				d.lost++
				d.mu.Unlock()
			case err != nil:
				rw.Close() // makes read return, and with it Serve
				return
			}
		}
	}
}

// obey does what the host asks.
func (d *Device) obey(m Message, sends chan<- Send) {
	switch m := m.(type) {
	case Hello:
		d.hello(m.Nonce)
	case SetParameters:
		reason, text := d.o.Accept(m.Parameters)
		if reason == ReasonNone {
			d.mu.Lock()
			d.setUp, d.p = true, m.Parameters
			d.mu.Unlock()
			text = ""
		}
		d.tell(ParametersResult{m.Tag, reason, text})
	case Send:
		d.send(m, sends)
	case Ping:
		d.mu.Lock()
		pong, deaf := Pong{m.Nonce, d.setUp, d.lost}, d.deaf
		d.mu.Unlock()
		if !deaf {
			d.tell(pong)
		}
	}
}

func (d *Device) hello(nonce uint32) { d.tell(ModemHello{Version, nonce, d.o.MaxFrame, d.o.Firmware}) }

func (d *Device) send(m Send, sends chan<- Send) {
	d.mu.Lock()
	setUp, busy := d.setUp, d.sending
	d.sending = d.sending || setUp && len(m.Frame) <= int(d.o.MaxFrame)
	d.mu.Unlock()
	switch {
	case !setUp:
		d.tell(SendResult{Tag: m.Tag, Outcome: Refused, Reason: ReasonNotSetUp})
	case busy:
		d.tell(SendResult{Tag: m.Tag, Outcome: Busy})
	case len(m.Frame) > int(d.o.MaxFrame):
		d.tell(SendResult{Tag: m.Tag, Outcome: Refused, Reason: ReasonTooLong})
	default:
		sends <- m // has room: sending was false, so transmit waits
	}
}

// transmit sends frames, one at a time, beside the goroutine that answers the host.
func (d *Device) transmit(sends <-chan Send, done <-chan struct{}) {
	for {
		select {
		case <-done:
			return
		case m := <-sends:
			took, err := d.o.Transmit(m.Frame)
			d.mu.Lock()
			d.sending = false
			power := d.p.Power
			d.mu.Unlock()
			switch {
			case err == nil:
				d.tell(SendResult{Tag: m.Tag, Outcome: Sent, Power: power, Airtime: airtime(took)})
			case errors.Is(err, radio.ErrBusy):
				d.tell(SendResult{Tag: m.Tag, Outcome: Busy})
			default:
				d.tell(SendResult{Tag: m.Tag, Outcome: Refused, Reason: ReasonOther, Text: err.Error()})
			}
		}
	}
}

// tell queues m for the host, or counts it as lost.
func (d *Device) tell(m Message) error {
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.out == nil {
		return ErrNoHost
	}
	select {
	case d.out <- Append(nil, m):
		return nil
	default:
		d.lost++
		return ErrSlowHost
	}
}

// Receive passes a frame of 1 to 255 bytes from the air to the host: RSSI in dBm, SNR in dB (both go in steps of 0.25
// dB), frequency error in Hz. It returns ErrNotSetUp, ErrNoHost or ErrSlowHost if the frame is lost.
func (d *Device) Receive(frame []byte, rssi, snr, freqErr float64) error {
	if len(frame) == 0 || len(frame) > int(d.o.MaxFrame) {
		return fmt.Errorf("receive %d bytes: expected 1 to %d", len(frame), d.o.MaxFrame)
	}
	if _, setUp := d.Parameters(); !setUp {
		return ErrNotSetUp
	}
	return d.tell(Received{Quarters(rssi), Quarters(snr), int32(freqErr), frame})
}

// Noise reports the noise floor, in dBm, to the host.
func (d *Device) Noise(floor float64) error { return d.tell(Noise{Quarters(floor)}) }

// Report reports a fault to the host.
func (d *Device) Report(code FaultCode, text string) error { return d.tell(FaultReport{code, text}) }

// Parameters returns what the host has set, and whether it has.
func (d *Device) Parameters() (Parameters, bool) {
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.p, d.setUp
}

// Restart does what pressing the reset button does: the device forgets its parameters and says hello.
func (d *Device) Restart() {
	d.mu.Lock()
	d.setUp, d.lost = false, 0
	d.mu.Unlock()
	d.hello(0)
}

// SetDeaf makes the device leave pings without an answer, as firmware does whose receiving half hangs.
func (d *Device) SetDeaf(deaf bool) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.deaf = deaf
}
