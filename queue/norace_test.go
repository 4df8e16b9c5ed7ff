//go:build !race

package queue

const underRace = false
