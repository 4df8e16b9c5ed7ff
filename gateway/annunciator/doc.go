// Package annunciator is the unit in each building that tells people which zone tripped. It decides what sounds, and what does
// not: a state machine without I/O or clock. Messages, the ends of sounds and time come in by Step; what is to be done goes out.
//
// # The rules
//
//   - An event acts once, whatever repeats arrive: by source and id. The last Remembered ids are kept in lasting memory. An
//     older one has left the zone's limit behind long before, so that it would not act either.
//   - Ages are reckoned from the gateway's tick alone, never by a clock of this unit: an event's age is what the gateway's
//     monotonic clock shows now, less what it showed at the event. An event of a boot whose tick has not been heard waits for
//     the next tick of its gateway; if that is of another boot, or none comes in 45 s, the age is unknown, hence old.
//   - Nothing acts that is older than its zone's limit, or was published as delayed. A closing never acts; it may end the hold
//     of a contact.
//   - A zone that acted less than its hold-off ago is counted and does not act.
//   - Two zones may be a passage: the outer and then the inner is an arrival, the other way round a departure, whichever
//     message comes first. It has one chime of its own, in place of the second zone's; in place of the first one's as well
//     if that is still held back, or has not begun.
//   - An unproven trip acts like any other, and is shown as unproven. A test trip is silent unless asked for; then it has the zone's
//     chime and nothing else, and is no part of hold-offs and passages.
//   - One sound is played at a time, the longest waiting first. A repetition yields to what waits. What has
//     become older than its limit before its turn is not played.
//   - Quiet hours silence chimes, not contacts or commands. What supervision has to say waits for their end. A mute silences all
//     of a zone, and ends by itself. Both go by the wall clock, which else only tells the volume; while it is not set there are
//     no quiet hours, and the volume is the loudest of all.
//   - What is no longer watched, and a node's fault, is announced once, and so is its end; each after it has stood for a while, and
//     what begins together is one sound. That nothing is heard from the gateway is announced after DeafAfter without a tick.
//
// # Once, across a kill
//
// A message may be acknowledged to the broker when Save has written the record of its event (Ack). What an event still owes
// (its sound, commands, contacts, its report) stands in that record, and is done after a restart, if the event is still
// young then. The sound itself bears a name, its claim: who plays it must let each claim be played once. So
// a sound that had begun, but not yet in memory, is asked for again and not played again.
//
// Disk trouble silences nothing: what cannot be remembered sounds all the same.
package annunciator
