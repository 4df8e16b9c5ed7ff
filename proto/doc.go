// Package proto is the Longlane frame format, version 1: layout, sealing, opening, hop records, the replay window and
// freshness. It is pure: no clock, no I/O, no logging. PROTOCOL.md beside it specifies every byte, so that a node can
// be written in another language from that page alone; the vectors in testdata/frames judge both.
//
// A frame from a node, drawn for a trip heard directly (26 bytes):
//
//	 0  version(3 bits) type(5)      clear, under the MAC
//	 1  flags(4) hops left(4)        clear; hops left is outside the MAC, relays count it down
//	 2  site (2)                     clear, under the MAC
//	 4  node                         clear, under the MAC
//	 5  generation                   clear, under the MAC
//	 6  counter, low 16 bits         clear; all 32 are under the MAC
//	 8  attempt                      clear, under the MAC
//	 9  body (9)                     encrypted, then under the MAC
//	18  MAC (8)
//	26  hop records (9 each)         appended by relays
//
// Reading goes in two steps, because a relay has only the first: Parse splits bytes into a Raw without any key, and
// Raw.Open authenticates and decrypts with the node's Keys and the full counter. Writing is Seal. Whatever is accepted
// encodes again to the same bytes; whatever is not is refused with an *Error whose Reason is from a closed list.
//
// Identity is (site, node, generation, counter), never the bytes: a retry is sealed anew with its new age and attempt.
// Counters of events (trips and faults) and of check-ins are two separate spaces.
package proto
