// Package modem speaks the framed dialect with a LoRa modem over any stream of bytes, and keeps that link up for ever.
//
// MODEM.md, beside this file, gives the protocol byte by byte for whoever writes the firmware. In short: every message
// is stuffed (COBS) so that a zero byte occurs only between messages, and carries its length and a CRC. A reader that
// lost its place, for whatever reason, is back in step at the next zero byte.
//
// A Modem is the host's end. It is handed a function that opens the stream (a tty, in the gateway) and implements
// radio.Link: it opens, says hello, sets the radio's parameters, delivers what the modem hears, sends what it is given,
// and asks every half minute whether the modem still lives. Whatever goes wrong, it closes, waits a little, and begins
// again:
//
//	m := modem.New(modem.Options{Name: "barn", Open: openTTY, Parameters: p, Transmit: true})
//	go m.Run(ctx, deliver)
//
// A Device is the modem's own end. Tests and the simulator use it in the place of a board.
//
//	stream -> Deframer -> Parse -> session (one goroutine: Run's) -> deliver
//	stream <- writer goroutine <- Append <- session <- queue (16) <- Send
package modem
