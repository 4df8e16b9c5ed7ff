// Package route is the arithmetic by which a mains node or a relay finds its way to the gateway: when to send a beacon,
// what a link to a neighbour is worth, and which neighbour is the parent. Pure: no clock, no I/O, no randomness but a
// seed; times are durations since the start, and must not run backwards.
//
//	beacons, err := route.NewTrickle(c.Beacons, seed, 0) // c := route.Defaults(modem settings)
//	table, err := route.New(c, 0)
//
//	effect := table.Hear(now, heard, proto.TypeBeacon, counter, distance)        // each beacon, hop acknowledgement, solicit
//	table.HopAck(now, id, rssi, snr, sent); table.NoHopAck(now, parent, sent)    // what became of each sending of a frame
//	table.Receipt(now, id, insisted); table.NoReceipt(now, id, insisted)         // and of each own frame that id has taken
//	wake := table.Step(now)
//	if effect == route.Inconsistent || table.News() { beacons.Inconsistent(now) } // else if Consistent: beacons.Consistent()
//	fire, wake := beacons.Step(now)                                               // fire: send table.Tell(now) in a beacon
//	if table.Doubtful(now) { ... }                                                // ask for a word: send it in a solicit
//
// A frame names no next hop. Whoever hears it compares Reach with what its sender has Told, counted in Trips: the nearer to
// the gateway sends it on. So the way that is kept here is a measure of how far it is, and the parent is who makes it so.
//
// In the order of the files:
//
//	trickle.go   when a beacon goes: RFC 6206
//	config.go    all that can be adjusted, with its default and the reason
//	link.go      what a link is worth: margin, delivery both ways, ETX
//	table.go     the neighbours, and which of them is forgotten
//	parent.go    the distance to the gateway, and the parent
//	trust.go     who gives receipts and who does not
//
// # What may be believed
//
// Beacons, hop acknowledgements and solicits are under a key that every node holds, so a stolen node may say any distance
// under any id. That can attract frames, or drive them off, for as long as it goes on and a Lifetime more; it cannot keep
// them: only receipts prove a way, and a neighbour that takes frames and brings no receipts is believed no more (trust.go).
//
// # Loops
//
// Frames carry the ids of their relays, and that ends every loop. Here loops are kept rare, and nobody counts to infinity:
// see parent.go.
package route
