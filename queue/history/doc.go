// Package history keeps what happened for years, in a file of its own beside the queue: trips and faults, check-ins
// summed up by the hour, when each zone was watched, and when a trip would have sounded.
//
// It is written to by one goroutine, in batches, and read by any number:
//
//	s, recovered, err := history.Open("history.db", history.Options{})
//	err = s.Write(history.Batch{Trips: trips})       // nil: it is on disk
//	err = s.Trips(from, to, func(t *history.Trip) error { ... })
//
// The package has no buffer of its own, and so drops nothing: trips and faults wait in the queue, which is on disk, until
// Write has answered; hours and spans are sums in the memory of whoever makes them, and the next sum holds the last. What
// is written again is found by its id and changes nothing (delivery is at least once).
//
// History must never stop a gateway. A damaged file is put aside and what is whole of it goes into a new one; a full disk
// is an answer to Write, [ErrFull], long before the queue feels it; what is older than wanted, or more than wanted, goes
// in transactions of at most 512 records.
//
// # Time
//
// A gateway without a battery clock does not know the time in the very outage that matters. A [Moment] then says when in
// which boot it was. The store remembers each boot, and once [Store.ClockSet] has told what its clock was all that is
// kept of it moves to its place in time, marked as put right. A boot that ended before its clock was set stays between
// the boots before and after it: [Store.Unplaced] tells what is kept of it, with the bounds that follow.
//
// # Disk format 1
//
// One bbolt file, mode 0600, page size 4096. Numbers are big-endian, and every value but those of meta and ids is sealed:
//
//	sealed value   | version 1 byte = 1 | CRC-32C 4 bytes | payload |
//
// The CRC covers the bucket's name, a zero byte, the key, the version and the payload. A time is 8 bytes, nanoseconds
// since 1970, with the sign bit turned so that earlier times sort first. A mono is 8 bytes, nanoseconds since the boot.
// A text is its length as an unsigned varint, then UTF-8. Top-level buckets:
//
//	bucket    key                                 value
//	meta      "format"                            4 bytes, = 1
//	boots     boot 16                             | number 4 | flags 1: bit 0 clock known | time of mono 0: 8 | first mono 8 | last mono 8 |
//	trips     | time 8 | node 1 | gen 1 | ctr 4 | a trip
//	faults    | time 8 | id |                     a fault
//	hours     | hours since 1970: 4 | node's name an hour
//	spans     | kind 1 | subject | 0 | time 8 | quality 1 |   a span
//	unplaced  | boot 16 | mono 8 | 'T' | node 1 | gen 1 | ctr 4 |, and likewise 'F' | id, 'H' | node's name,
//	          'S' | kind 1 | quality 1 | subject |            the same values, while the boot's clock is not known
//	ids       'T' | node 1 | gen 1 | ctr 4, or    0 | time 8 |, or 1 | boot 16 | mono 8 |: where it stands
//	          'F' | id
//
//	trip   | flags 2 | margin, 0.1 dB: 2, -32768 none | dwell, ms, varint, + 1, 0 unknown | text zone | text node | text class |
//	       flags: bit 0 opened, 1 closed, 2 test, 3 wire supervised, 4 time uncertain, 5 delayed, 6 put right, 7 unproven
//	fault  | flags 1 | text code | text zone | text node | text detail |      flags: bit 0 ended, 1 put right
//	hour   | count varint | battery, 10 mV, varint: lowest, last, + 1, 0 unknown | hops varint | hops times: text from | text to |
//	       n varint | n times: margin in dB 1, how often varint |
//	span   | length, ns, varint | boot 16 | mono 8 | text cause |
//
// A reader refuses a format it does not know. testdata/format-1.db is a file of this format with every bucket in use; it
// is never rewritten once released.
package history
