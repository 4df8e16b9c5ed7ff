// Package use tells what the airtime of a frame is spent for: whoever keeps a transmitter within the law, at the gateway, on a board
// or in a simulation, weighs frames in the same way.
package use

import (
	"longlane/proto"
	"longlane/radio/lora"
)

// Of tells what a frame is for, whoever sends it: trips, faults and their receipts come first; then check-ins and theirs, and what
// relays must tell each other so that a frame gets on; and last beacons, and what is no frame.
func Of(frame []byte) lora.Use {
	raw, err := proto.Parse(frame)
	switch {
	case err != nil:
		return lora.UseBeacon
	case raw.Type.Event(), raw.Type == proto.TypeReceipt:
		return lora.UseTrip
	case raw.Type == proto.TypeBeacon:
		return lora.UseBeacon
	}
	return lora.UseHop
}
