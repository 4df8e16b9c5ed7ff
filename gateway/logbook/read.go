package logbook

import (
	"time"

	"longlane/queue/history"
)

// Reader is a history that can be read: the file's, or that of a gateway that runs. See [history.Store] for what each gives.
type Reader interface {
	Trips(from, to time.Time, fn func(*history.Trip) error) error
	Faults(from, to time.Time, fn func(*history.Fault) error) error
	Hours(from, to time.Time, fn func(*history.Hour) error) error
	Spans(kind history.Kind, subject string, from, to time.Time, fn func(*history.Span) error) error
	Subjects(kind history.Kind) ([]string, error)
	Unplaced(trip func(*history.Trip) error, fault func(*history.Fault) error) error
}
