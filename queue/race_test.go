//go:build race

package queue

// underRace says that the race detector watches, and makes everything several times as slow.
const underRace = true
