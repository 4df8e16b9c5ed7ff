//go:build !linux

package serialport

import (
	"errors"
	"io"
)

// Options says which tty to open.
type Options struct {
	Path string
	Baud int
}

// Port cannot be had on this system.
type Port struct{ io.ReadWriteCloser }

// Pty cannot be had on this system.
type Pty struct{ io.ReadWriteCloser }

// Claim cannot be had on this system.
type Claim struct{}

// ClaimLink returns an error that says so.
func ClaimLink(string) (*Claim, error) { return nil, errSystem }

// Release does nothing.
func (*Claim) Release() error { return nil }

// ErrInUse is never returned on this system.
var ErrInUse = errors.New("the port is in use")

var errSystem = errors.New("serial ports are supported on Linux only; use nodes on Wi-Fi, or run the gateway on Linux")

// Open returns an error that says so.
func Open(Options) (*Port, error) { return nil, errSystem }

// NewPty returns an error that says so.
func NewPty(string) (*Pty, error) { return nil, errSystem }

// Path returns nothing.
func (*Pty) Path() string { return "" }

// HangUp does nothing.
func (*Pty) HangUp() error { return errSystem }

// Abandoned returns 0.
func Abandoned() uint64 { return 0 }
