// Package ether is the simulated air of one channel, with the nodes in it: contacts close by a schedule, nodes and relays
// (radio/node, the very code of a board) send, and what reaches the gateway's modem comes out with RSSI, SNR and frequency
// error; what the modem sends goes in. A seed decides everything, to the bit.
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
// Which frames are heard, how well, and what harms them is worked out in radio/ether/air, for every frame at every station. Every
// station, and the modem, is handed whatever it hears: a node on a battery only while it listens, one on mains and a relay always,
// at what that costs; both fall silent once it is empty. The air repeats nothing by itself. Who hears whom follows from the
// scenario: node by node at the gateway (rssi), for pairs, or from places by the log-distance law.
//
// Before it sends, a station senses the carrier, which takes 2.5 symbols: see air.Busy. If it finds one it does not send, and its
// node is told so; so is the modem's host. With listen_first = false they send regardless.
//
// # Faults
//
// Between the air and the modem, in both directions, frames may be lost, repeated, put in another order, delayed and
// damaged, and forged ones put beside them, each with a probability. All that happens is told to Options.Record, so
// that anyone can compare it with what came out at the other end of the house.
package ether
