// Package survey is the walk test without its radio: what a node observed while it probed who hears it (node.Probe) comes in, and
// per neighbour and direction figures come out, with a verdict in words; and after it the two tests of a finished gate, a power
// cut and a drive-through. It has no clock and does no I/O; times are durations since whoever drives it began.
//
//	pacer.go     when to probe again: not before the last probe is over, nor faster than the law and relays allow
//	walk.go      the walk test: probes, and what became of each
//	figures.go   how much was heard, how well, and how far above what the spreading factor needs
//	verdict.go   mount it here, one step back, needs a relay, and why
//	cut.go       the power-cut test
//	drive.go     the drive-through
//	record.go    the commissioning record, as JSON
//	plan.go      measured beside planned
//	text.go      a record for people, 80 columns wide
//
// # What the figures say
//
// A direction's loss is of all probes those that brought no word of it: a frame lost on its way to the neighbour and an answer
// lost on its way back look alike, so it is an upper bound for either. Margins tell the two apart: each frame that was heard
// says how well. What was lost says nothing, so margins of a way that loses much look better than it is; hence both are judged.
// What neighbours tell is under the group key, or under none: a stolen node could make a place look good. Answers cannot be
// forged.
package survey
