//go:build race

package rehearsal

const raceDetector = true
