//go:build arm

package picture

import (
	"io"

	"longlane/radio/plan"
)

// Draws reports whether this build draws.
const Draws = false

type drawing struct{}

// Of draws nothing here.
func Of(*plan.Plan) ([]Picture, error) { return nil, ErrNone }

// Write draws nothing here.
func (p *Picture) Write(io.Writer, Format) error { return ErrNone }

// WritePage draws nothing here.
func WritePage(io.Writer, *plan.Plan) error { return ErrNone }
