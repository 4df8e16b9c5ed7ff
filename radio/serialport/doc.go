// Package serialport opens a serial line (a tty) so that it can be lost: unplugged, stuck, taken by another program.
//
// Open returns a Port, whose Read waits for bytes, whose Write never waits longer than two seconds, and whose Close
// makes both return. A Port that has failed once stays failed; whoever uses it closes it and opens another, as radio/modem
// does for ever:
//
//	open := func(context.Context) (io.ReadWriteCloser, error) {
//		return serialport.Open(serialport.Options{Path: "/dev/serial/by-id/...", Baud: 115200})
//	}
//
// Give the path under /dev/serial/by-id: it stays the same when the device comes back as another ttyUSB.
//
// A Pty is a line with no hardware in it, for the simulator and for tests: what is written to the Pty is read from the
// tty whose path it gives, and the other way round.
//
// The package is for Linux. The reading and writing is done by github.com/tarm/serial; a second descriptor of the same
// tty, the side descriptor, does what that module has no call for: lock the tty, tell whether it takes bytes, tell
// whether it is still there.
package serialport
