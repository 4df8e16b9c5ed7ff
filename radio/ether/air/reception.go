package air

import "fmt"

// Loss is why a frame was not received: the first of these that would have been enough.
type Loss uint8

// What can happen to a frame on its way.
const (
	Heard        Loss = iota // it was received
	TooWeak                  // path and shadowing alone leave too little
	NotListening             // the station began to listen when the preamble was nearly over
	Deaf                     // the station was sending
	Faded                    // without the fading it would have been strong enough
	Collision                // frames of other stations
	Interference             // Options.Interferers; without them it would have been received
	Occupied                 // the modem was on an earlier frame of the same settings
	losses
)

// Losses is how many values Loss has.
const Losses = int(losses)

func (l Loss) String() string {
	if l >= losses {
		return fmt.Sprintf("loss %d", uint8(l))
	}
	return [losses]string{"heard", "too weak", "not listening", "sending itself", "faded", "collision", "interference",
		"occupied by another frame"}[l]
}

// Reception is how a frame came to a station.
type Reception struct {
	Loss          Loss
	signal, noise float64 // mW
}

// Signal is the frame's own power at the antenna connector, dBm; of one that is too weak, without the fading.
func (r Reception) Signal() float64 { return decibels(r.signal) }

// RSSI is the power in the channel while the frame was received, dBm: signal and noise, as a modem measures it.
func (r Reception) RSSI() float64 { return decibels(r.signal + r.noise) }

// SNR is signal to noise, dB. Frames of another bandwidth and interferers without a spreading factor count as noise.
func (r Reception) SNR() float64 { return decibels(r.signal / r.noise) }
