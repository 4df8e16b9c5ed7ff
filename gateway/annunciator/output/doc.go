// Package output runs what an annunciator does: it has sounds played, commands run, and contacts set, each by a small process of
// its own, a helper. Helpers are this same program, started with a word that people need not know.
//
// # Sounds and commands
//
// A helper (Act) gets one order on its standard input. It is in a session of its own and does not end with its parent: a sound
// that has begun plays on. Its order names a file, the claim. The helper makes it (O_EXCL), holds a lock on it while it lives, and
// writes into it once the player has been started. Whoever finds a claim that has been written to, or is locked, does not play. A claim
// that is empty and not locked is of a helper that died before it had begun: it is taken over. So a sound is asked for
// as often as one likes, by any number of lives of the parent, and is played once.
//
// One instant remains: if the helper itself, and not only its parent, is killed between the start of the player and its note in
// the claim, or the power fails before that note is on the disk, the sound may come a second time within the event's limit.
// It is never missed. The note is synced beside the sound, not before it: a slow card delays no chime.
//
// One helper stands by, already started, so that a sound need not wait for a program to load.
//
// # Contacts
//
// A helper (Hold) holds one contact: a line of a GPIO chip, or a command that is run with "open" or "closed" as its last word. Its
// standard input is a pipe from its parent, and when that ends, however the parent died, it sets the contact to its safe position.
// Then it lets go of the line. What a line does that nobody holds is the business of kernel and driver, so the contact
// should be wired such that a line without current is the safe position.
package output
