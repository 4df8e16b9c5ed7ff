//go:build arm

package chart

import (
	"io"

	"longlane/gateway/rehearsal"
)

// Draws reports whether this build draws charts.
const Draws = false

// Write draws nothing here.
func Write(io.Writer, *rehearsal.Report, Format) error { return ErrNone }
