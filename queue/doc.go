// Package queue is the durable log between the radio and the house: what was appended and answered without error
// survives the death of the process and of the power, until every sink has acknowledged it.
//
// It knows nothing of frames. A value and the key of a mark are opaque bytes. Three ideas carry the package:
//
//   - Append stores an event and advances its replay mark in one transaction, and answers only after the disk has
//     it. Nothing between the two states is ever visible after a restart.
//   - A [Cursor] is one sink's place in the log. Sinks acknowledge in any order, for instance a live event while an
//     older backlog still waits; an event leaves the file when every sink has acknowledged it.
//   - One goroutine, the committer, writes. Whatever waited while the last commit ran goes into the next one, so a
//     single event pays one commit and a thousand pay little more (natural group commit, no timers).
//
// Start with [Open], [Queue.Append] and [Queue.Sink]:
//
//	q, err := queue.Open("queue.db", queue.Options{})
//	c, err := q.Sink("broker", queue.SinkOptions{Required: true})
//	q.Append(queue.Record{Value: frame}, func(s queue.Seq, err error) { /* nil: it is on disk, send the receipt */ })
//	items, err := c.Next(queue.Alarm, 0, 64)
//	c.Ack(items[0].Seq)
//
// # Failure
//
// A request that is refused (no room, a mark that says no) fails alone. A commit that fails fails every request in
// it and leaves nothing of them. But a commit that fails in the operating system may be visible all the same, and
// after a failed sync the kernel may have thrown away what it could not write; nothing that this process reads
// afterwards proves what the disk holds. So the queue then counts as broken: it refuses all further writes with
// [ErrBroken], closes [Queue.Broken], and the process should end and start anew.
//
// Space on the disk is taken before it is needed (disk.go), so a full disk is an answer to Append, [ErrFull], and never a
// failed commit; a reserve lets acknowledgements and deletions go on. A file of which little is in use is compacted when
// nobody waits (compact.go).
//
// A file that is damaged is refused with [ErrDamaged]. [Open] looks at every page before bbolt does (package pages), since
// bbolt would end the process; [Recover] puts such a file aside and saves what carries a seal that holds.
//
// An acknowledgement is in memory at once and on disk with the next commit, at the latest after 256 of them,
// [Queue.Flush] or [Queue.Close]. Where none follows for 2 s it is noted beside the file (note.go), which costs no
// sync: that outlives the process, and a power cut half a minute later. What no commit and no note has is offered once
// more after a crash.
//
// # A full disk
//
// The file has its space before it needs it: it grows in steps of 1 MiB, which are allocated before the transaction
// that wants them, and a reserve in it is never given to events. Append refuses with [ErrFull], by shares, when either
// Options.MaxBytes or the disk, less Options.LeaveFree, has no room; acknowledging and deleting go on from the reserve,
// with not one block free. Whoever makes room, on the disk or by acknowledging, has events accepted again within a
// second or so. Only a cursor of thousands of spans may have to wait in memory for room; Flush then says so.
//
// On file systems that cannot allocate, zeros are written instead. On those that never overwrite in place (btrfs, ZFS)
// neither is a guarantee. A commit that fails there for want of space is refused like the others as long as no meta
// page tells of it, since until then nothing of it can be seen; otherwise the queue is broken as above.
//
// When less than a tenth of a file above 32 MiB is in use and nothing was committed for 2 s, or as it is opened, what is
// left is copied to a new file, NAME.compact, which takes its place. Appends wait meanwhile.
//
// # Disk format 1
//
// One bbolt file, mode 0600, page size 4096 whatever the machine's. Numbers are big-endian. bbolt guards its meta
// pages with a checksum but not its data pages, hence every value but two (meta: format, id) is sealed:
// see package seal, which says how. Top-level buckets:
//
//	bucket   key                          payload (sealed unless said otherwise)
//	meta     "format"                     4 bytes, = 1, not sealed
//	         "id"                         16 random bytes, made at creation, not sealed
//	         "last"                       8 bytes: the highest sequence number ever given out
//	ev/0     8 bytes: sequence number     the value of an Alarm
//	ev/1     8 bytes: sequence number     the value of a Notice
//	ev/2     8 bytes: sequence number     the value of a Routine event
//	cur      name of the sink             a cursor, see below
//	marks    key of the mark              what Options.Advance made of it
//	set      name of the setting          the value given to Put
//	aside    8 bytes: sequence number     | priority 1 | value |
//	dead     | seq 8 | name of the sink | | priority 1 | reason length 2 | reason | value |
//
// The name in the key of a dead record is empty where the record's own checksum failed; the value is then the whole
// stored value, sealed and broken as it was found. A cursor:
//
//	| flags 1 | missed 8 | then for each priority 0, 1, 2: | floor 8 | n 4 | n times: lo 8, hi 8 |
//
// Bit 0 of flags says required. Missed counts events that an optional sink lost to its greatest lag. Everything up
// to floor is acknowledged, and everything from lo to hi, both included; spans rise, do not overlap, and between two
// of them waits at least one event. Sequence numbers are shared by the three priorities, so a span usually runs over
// numbers that belong to another priority.
//
// A reader refuses a format it does not know. testdata/format-1.db is a file of this format with every bucket in
// use; it is never rewritten once released.
package queue
