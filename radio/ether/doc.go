// Package ether is the simulated air of one channel, with the nodes in it: contacts close by a schedule, nodes
// (radio/node, the very code of a board) send, relays repeat, and what reaches the gateway's modem comes out with RSSI,
// SNR and frequency error; what the modem sends goes in and finds its way back. A seed decides everything, to the bit.
//
//	e, err := ether.New(scenario, seed, ether.Options{Card: loadCard, Record: write})
//	events, wake := e.Step(now)         // as fast as wanted: call it at wake, or earlier
//	airtime, err := e.Transmit(now, f)  // the modem sends f
//
// Or in real time, behind a modem's own end (radio/modem):
//
//	live := ether.NewLive(e)
//	device := modem.NewDevice(modem.DeviceOptions{Transmit: live.Transmit})
//	go device.Serve(ctx, pty)
//	err := live.Run(ctx, device)
//
// # What it knows of radio
//
// Which frames are heard, how well, and what harms them is worked out in radio/ether/air, for every frame at every station. A
// node on a battery hears only while it listens, a relay always, at what that costs; both fall silent once it is empty.
//
// Relays are plain repeaters here: they take the paths that the scenario lists, append their hop record with their own
// keys, hold a frame for some 30 ms, and acknowledge nothing. The relay's own state machine will take their place. A frame
// that the gateway, or its addressee, hears directly as well arrives twice, unless the answer to the first is on the air while the second comes.
//
// # Faults
//
// Between the air and the modem, in both directions, frames may be lost, repeated, put in another order, delayed and
// damaged, and forged ones put beside them, each with a probability. All that happens is told to Options.Record, so
// that anyone can compare it with what came out at the other end of the house.
package ether
