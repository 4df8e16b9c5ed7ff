//go:build linux

package serialport

import (
	"crypto/sha256"
	"errors"
	"fmt"
	"io/fs"
	"net"
	"os"
	"path/filepath"
	"strings"
	"syscall"

	"golang.org/x/sys/unix"
)

// Claim is the right to a link's name. It belongs to one process at a time, through all the Ptys that come and go under
// that name, and ends with the process, however that ends.
type Claim struct{ held net.Listener }

// ClaimLink takes the right to make and remove link, the name of a Pty. It fails with an error that wraps ErrInUse while
// another living process has it; and if no link can stand there: the folder is missing, or something stands there that no
// Pty has left behind. Nothing is changed on the disk. What NewPty later finds there is a dead process's, to be replaced.
//
// The claim is a socket in Linux's abstract name space. A lock file would outlive its process and need cleaning up; the
// number of a pseudoterminal is used again, so what a link leads to does not tell whose it is.
func ClaimLink(link string) (*Claim, error) {
	name, err := realName(link)
	if err != nil {
		return nil, fmt.Errorf("link %s: %w", link, err)
	}
	sum := sha256.Sum256([]byte(name)) // the name of a socket has room for 107 bytes, a path may have more
	address := fmt.Sprintf("@longlane-link-%x", sum[:16])
	l, err := net.Listen("unix", address)
	if errors.Is(err, syscall.EADDRINUSE) {
		return nil, fmt.Errorf("link %s: %w: end %s, or choose another name", link, ErrInUse, listener(address))
	} else if err != nil {
		return nil, fmt.Errorf("link %s: %w", link, err)
	}
	if err := replaceable(link); err != nil {
		return nil, errors.Join(err, l.Close())
	}
	return &Claim{l}, nil
}

// Release gives the name free for others.
func (c *Claim) Release() error { return c.held.Close() }

// realName is link by the way that leads to it through no other link, so that one place has one name.
func realName(link string) (string, error) {
	path, err := filepath.Abs(link)
	if err != nil {
		return "", err
	}
	dir, err := filepath.EvalSymlinks(filepath.Dir(path))
	if err != nil {
		return "", fmt.Errorf("its folder cannot be used: %w", err)
	}
	if st, err := os.Stat(dir); err == nil && !st.IsDir() {
		return "", fmt.Errorf("%s is no folder", dir)
	}
	return filepath.Join(dir, filepath.Base(path)), nil
}

// replaceable refuses whatever a Pty did not leave behind: a file, or somebody's own link to a real device.
func replaceable(link string) error {
	st, err := os.Lstat(link)
	if errors.Is(err, fs.ErrNotExist) {
		return nil
	} else if err != nil {
		return fmt.Errorf("link %s: %w", link, err)
	}
	if st.Mode()&os.ModeSymlink == 0 {
		return fmt.Errorf("link %s: something that is no link stands there already; remove it, or choose another name", link)
	}
	if target, err := os.Readlink(link); err != nil || !strings.HasPrefix(target, "/dev/pts/") {
		return fmt.Errorf("link %s: it leads to %s, which is no pseudoterminal; remove it, or choose another name", link, target)
	}
	return nil
}

// listener names the process that listens at address.
func listener(address string) string {
	const unknown = "the process that uses it"
	c, err := net.Dial("unix", address)
	if err != nil {
		return unknown
	}
	defer c.Close()
	raw, err := c.(*net.UnixConn).SyscallConn()
	if err != nil {
		return unknown
	}
	var peer *unix.Ucred
	raw.Control(func(fd uintptr) { peer, err = unix.GetsockoptUcred(int(fd), unix.SOL_SOCKET, unix.SO_PEERCRED) })
	if err != nil || peer == nil || peer.Pid <= 0 {
		return unknown
	}
	return fmt.Sprintf("process %d", peer.Pid)
}
