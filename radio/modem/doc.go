// Package modem speaks with a LoRa modem over any stream of bytes, and keeps that link up for ever. It knows two dialects:
//
//   - framed, for a modem whose firmware the owner controls. MODEM.md, beside this file, gives the protocol byte by byte
//     for whoever writes the firmware. In short: every message is stuffed (COBS) so that a zero byte occurs only between
//     messages, and carries its length and a CRC. A reader that lost its place, for whatever reason, is back in step at
//     the next zero byte.
//   - line, for a modem that speaks lines of text. Nothing is built in: the config gives patterns and templates, as
//     LINES.md explains; package lines knows what to make of them.
//
// A Modem is the host's end. It is handed a function that opens the stream (a tty, in the gateway) and implements
// radio.Link: it opens, says hello, sets the radio's parameters, delivers what the modem hears, sends what it is given,
// and asks every half minute whether the modem still lives. Whatever goes wrong, it closes, waits a little, and begins
// again:
//
//	m := modem.New(modem.Options{Name: "barn", Open: openTTY, Parameters: p, Permit: ledger.Permit})
//	go m.Run(ctx, deliver)
//
// A Device is the modem's own end. Tests and the simulator use it in the place of a board.
//
//	stream -> reader goroutine: dialect.parse -> session (one goroutine: Run's) -> deliver
//	stream <- writer goroutine <- dialect <- session <- queue (16) <- Send
//
// The session is the same for both: it opens, reopens, beats, counts, and sends one frame at a time. A dialect finds the
// words; see the interface of that name.
package modem
