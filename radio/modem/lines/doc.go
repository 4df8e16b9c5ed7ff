// Package lines knows how to speak with a modem that talks in lines of text, in words that an owner has written into the
// config: patterns for what the modem says, templates for what it is told. No modem's words are built in.
//
// Config is what stands in the file. Compile judges it, names every mistake by its field, and gives a Dialect:
//
//	d, err := c.Compile(lines.Radio{"frequency": 868100000})
//	d.Try("heard 0a0b at -101 dBm, clarity 7.5") // what the pattern makes of a sample line
//	line, err := d.Send(frame)                   // the bytes that make the modem send a frame
//	r := lines.NewReader(d)                      // frames and lines out of a stream of bytes
//
// LINES.md, in the directory above, explains all of it to the owner. Nothing here does I/O, keeps time or has a
// goroutine; package modem does, and holds the conversation.
package lines
