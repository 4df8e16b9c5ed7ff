// Package board is the owner's page and the HTTP API beside it. The lane is the page: it is drawn to scale on top, and then
// runs down the page from the gateway to the farthest gate, with what is known of each place at that place.
//
//	b, err := board.New(board.Options{Source: s, Listen: "127.0.0.1:9465"})
//	mux.Handle("/", b)            // what others serve on the same mux is more specific and goes first
//	b.Tell(board.Event{...})      // whenever something happens; never blocks
//	defer b.Close()               // ends the streams, before the server is shut down
//
// What is shown comes from a Source, which the gateway implements; nothing is kept here but sessions, the newest events
// and who listens, all of it bounded. Pages are made on the server and work without JavaScript, which only keeps them
// fresh; the pictures are SVG made here. Nothing is loaded from anywhere else.
//
// The only thing that anybody can change from here is that a fault has been seen. It goes on standing until it ends.
//
// # Who may look
//
// On a loopback address the page is open to whoever uses the machine, and requests must name it as loopback or as one of
// Options.Hosts, so that no web page can reach it by a name of its own that it points here. On any other address
// New refuses to work without a password. There are then sessions, in memory: a restart of the gateway ends them.
//
// # Events
//
// GET /api/events is a stream of server-sent events. Each has an id; a client that comes back with the last one it saw is
// sent what it missed, or "reset" if that is no longer known, and then looks at /api/now. A client that does not
// read is cut off, never waited for. assets/openapi.json describes all of the API.
package board
