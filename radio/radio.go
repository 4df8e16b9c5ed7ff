// Package radio names what passes between a bearer and the gateway: a Packet, and the Link that carries it.
//
// It holds types only. A bearer is a way in: one serial LoRa modem (radio/modem) or the UDP socket for nodes on
// Wi-Fi (radio/wifi). The gateway knows nothing of either beyond this page, and a bearer knows nothing of what the
// bytes mean.
package radio

import (
	"context"
	"errors"
	"fmt"
	"time"
)

// MaxFrame is the longest frame any bearer carries, in bytes: the payload limit of a LoRa packet.
const MaxFrame = 255

// Packet is one frame as a bearer received it.
type Packet struct {
	// Frame holds the bytes received, 1 to MaxFrame of them. The receiver of the Packet owns the slice.
	Frame []byte
	// Measured says that RSSI and SNR were measured. A UDP bearer measures neither.
	Measured bool
	RSSI     float64 // received power, dBm
	SNR      float64 // signal-to-noise ratio, dB
	FreqErr  float64 // carrier offset as the receiver saw it, Hz
	// At is when the last byte reached this process. It carries Go's monotonic reading. The zero Time: just now.
	At time.Time
	// Bearer is the Link's name.
	Bearer string
	// From is where an answer goes (an address on a UDP bearer, empty on a broadcast medium).
	From string
}

// ErrDown is returned by Send while the bearer has no working device behind it.
var ErrDown = errors.New("bearer is down")

// ErrBusy is wrapped by Send's error if the channel was in use: nothing was sent, and a little later it may be free.
var ErrBusy = errors.New("the channel is in use")

// WaitError is returned by Send for a frame that may not go on the air yet: the airtime that is lawful is used up. Nothing
// was sent.
type WaitError struct {
	For time.Duration // then it may, if nothing else has been sent until then
}

func (e *WaitError) Error() string {
	return fmt.Sprintf("it may not be sent yet, for want of lawful airtime: in %v it may", e.For.Round(time.Millisecond))
}

// Fate is what became of a frame on its way to the air.
type Fate uint8

// The fates.
const (
	NotSent Fate = iota // and never will be
	Sent
	Unknown // it may have been sent, or may yet be
)

// Link is a bearer. All methods are safe for concurrent use.
type Link interface {
	// Name identifies the bearer in events, logs and metrics.
	Name() string
	// Run keeps the bearer open, for ever, until ctx ends; it then releases the device and returns nil. It returns
	// an error only for a setting that can never work. deliver is called from one goroutine, in order of arrival,
	// and must not block for long: bytes wait in the device while it runs.
	Run(ctx context.Context, deliver func(Packet)) error
	// Send transmits frame to the address to (a Packet's From), and returns once the device has reported it sent.
	// While no device is there it returns ErrDown at once. A *WaitError says when to try again, and so may one try after
	// ErrBusy.
	Send(ctx context.Context, to string, frame []byte) error
	// Up reports whether a working device is behind the bearer now.
	Up() bool
}
