//go:build race

package main

// underRace says that the race detector watches, and makes everything several times as slow and as large.
const underRace = true
