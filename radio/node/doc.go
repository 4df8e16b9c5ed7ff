// Package node is the unit at the gate as a state machine: what its contacts do comes in, what its radio must do comes
// out. It has no clock, no goroutine, no I/O and no randomness but a seed, so it runs unchanged on a board, in the
// simulator at thousands of times real time, and in a test.
//
//	n, err := node.New(config, saved, 0)           // saved: what its lasting memory holds; node.FirstSaved() at first
//	for {
//		out, wake := n.Step(now, in)               // now: time since it started, by its own clock; in: nil at wake
//		// carry out each Output in order; call Step again at wake, or earlier with an Input
//	}
//
// What it does, in the order of the files:
//
//	contact.go   debounces contacts, tells trips from shorter closures, finds blocked and chattering inputs
//	store.go     holds every trip and fault until a receipt for it comes
//	schedule.go  decides what is sent next, and when
//	checkin.go   says every so often that the node is alive
//	receipt.go   believes receipts, and nothing else
//	saved.go     what survives a restart
//	hop.go       a frame of the node's own until somebody has shown to have it; how many want the channel
//	probe.go     tells who hears the node, for a walk test
//
// and of a relay, which always listens:
//
//	relay.go     beacons, solicits, neighbours (radio/route)
//	carry.go     others' frames to the gateway: who sends them on, and when
//	bring.go     receipts back to the nodes
//	limit.go     no more of one origin than is likely
//
// The rules by which relays act together stand in proto/PROTOCOL.md, section 11.
//
// # Promises
//
// An event is let go only by a genuine receipt for its counter, or because 254 newer ones have been made, or after
// 65,535 attempts; the last two are reported as fault "events lost". No number is used twice for two different frames,
// across restarts too, as long as the lasting memory holds what Persist gave it. If that memory is missing or damaged
// the node draws new counters at random from 2^24 to 2^31, so that it most likely repeats none and stands above all it
// used; should it land below, the gateway refuses its frames as too old until the node is given a new key.
//
// # What a loss of power costs
//
// Events live in working memory. What had no receipt when the power failed is lost, and the node says so when it is
// back: fault "events lost", whose argument is an upper bound, since of the numbers reserved some may never have been
// used. It says nothing if all was receipted a minute before. Settings and counters are kept.
//
// # Time
//
// The gateway's time is taken from receipts that come within 10 s. At settings so slow that one takes longer over the hops there
// are (SF12 at 125 kHz: from three hops on) a node has none, and its trips sound as unproven.
//
// All times are durations since the node started. A driver must not let them run backwards.
package node
