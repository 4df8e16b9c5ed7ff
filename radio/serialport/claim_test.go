//go:build linux

package serialport

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// TestClaimLink: a name has one owner at a time, by whatever way it is written, whether a link stands there or not; given
// back, it is free. That the claim of a killed process is free too is shown where there are processes, in cmd/longlane.
func TestClaimLink(t *testing.T) {
	dir := t.TempDir()
	detour := filepath.Join(t.TempDir(), strings.Repeat("long-", 30))
	if err := os.Symlink(dir, detour); err != nil {
		t.Fatal(err)
	}
	link := filepath.Join(dir, "modem")
	first, err := ClaimLink(link)
	if err != nil {
		t.Fatal(err)
	}
	refused := func(when, link string) {
		t.Helper()
		_, err := ClaimLink(link)
		if want := fmt.Sprintf("process %d", os.Getpid()); !errors.Is(err, ErrInUse) || !strings.Contains(err.Error(), want) {
			t.Errorf("ClaimLink(%s) %s = %v, want %v and %q", link, when, err, ErrInUse, want)
		}
	}
	refused("without a Pty", link)
	p := newPty(t, link)
	refused("with a Pty", filepath.Join(detour, "modem"))
	p.HangUp()
	refused("after a HangUp", filepath.Join(dir, ".", "modem"))
	other, err := ClaimLink(filepath.Join(dir, "other"))
	if err != nil {
		t.Errorf("another name: %v", err)
	} else {
		other.Release()
	}
	if err := first.Release(); err != nil {
		t.Error(err)
	}
	again, err := ClaimLink(filepath.Join(detour, "modem"))
	if err != nil {
		t.Fatalf("ClaimLink of a name that was given back: %v", err)
	}
	again.Release()
}

// TestClaimLinkKeepsItsHandsOff: what no Pty left behind is refused, and the refusal leaves the name free.
func TestClaimLinkKeepsItsHandsOff(t *testing.T) {
	link := filepath.Join(t.TempDir(), "modem")
	for range 2 {
		if err := os.WriteFile(link, nil, 0o600); err != nil {
			t.Fatal(err)
		}
		if c, err := ClaimLink(link); err == nil || errors.Is(err, ErrInUse) {
			t.Errorf("ClaimLink over a file = %v, %v; want an error that is not %v", c, err, ErrInUse)
		}
	}
	if err := os.Remove(link); err != nil {
		t.Fatal(err)
	}
	c, err := ClaimLink(link)
	if err != nil {
		t.Fatal(err)
	}
	c.Release()
}
