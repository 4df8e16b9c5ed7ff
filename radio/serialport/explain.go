//go:build linux

package serialport

import (
	"bufio"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"os/user"
	"path/filepath"
	"strconv"
	"strings"

	"golang.org/x/sys/unix"
)

// byID is where Linux keeps a lasting name for each serial device.
const byID = "/dev/serial/by-id"

// explain adds to an error of opening path what can be done about it.
func explain(path string, err error) error {
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return fmt.Errorf("%w: %s", fs.ErrNotExist, present(byID))
	case errors.Is(err, fs.ErrPermission):
		return fmt.Errorf("%w: %s", fs.ErrPermission, permit(path))
	case errors.Is(err, unix.ENOTTY):
		return fmt.Errorf("%w: this is no serial port", unix.ENOTTY)
	case errors.Is(err, unix.EBUSY):
		return fmt.Errorf("%w: end the program that uses it", ErrInUse)
	case errors.Is(err, unix.ENXIO), errors.Is(err, unix.ENODEV), errors.Is(err, unix.EIO):
		return fmt.Errorf("%w: nothing is connected behind this name", err)
	}
	return err
}

// present says which serial devices there are.
func present(dir string) string {
	entries, _ := os.ReadDir(dir)
	if len(entries) == 0 {
		return "is the modem plugged in? (there is nothing in " + dir + ")"
	}
	names := make([]string, 0, len(entries))
	for _, e := range entries[:min(len(entries), 10)] {
		names = append(names, filepath.Join(dir, e.Name()))
	}
	return "is the modem plugged in, and the path right? Present now: " + strings.Join(names, ", ")
}

// permit says how to be let at the tty.
func permit(path string) string {
	var st unix.Stat_t
	if err := unix.Stat(path, &st); err != nil {
		return "this user may not open it"
	}
	gid := strconv.Itoa(int(st.Gid))
	group := gid
	if g, err := user.LookupGroupId(gid); err == nil {
		group = g.Name
	}
	return fmt.Sprintf("add the user that runs this to the group %s (usermod -aG %s USER), then log in again or restart the service", group, group)
}

// inUse returns an ErrInUse that names who holds the lock on the file behind fd, if that can be found out.
func inUse(fd int) error {
	var st unix.Stat_t
	if err := unix.Fstat(fd, &st); err != nil {
		return ErrInUse
	}
	f, err := os.Open("/proc/locks")
	if err != nil {
		return ErrInUse
	}
	defer f.Close()
	pid := holder(f, uint64(st.Dev), st.Ino)
	if pid <= 0 {
		return fmt.Errorf("%w: is a second gateway running?", ErrInUse)
	}
	name, _ := os.ReadFile(fmt.Sprintf("/proc/%d/comm", pid))
	if pid == os.Getpid() {
		return fmt.Errorf("%w: this very process (pid %d) has it open already", ErrInUse, pid)
	}
	return fmt.Errorf("%w: process %d (%s) has it: end that one first, or give this one another port", ErrInUse, pid, strings.TrimSpace(string(name)))
}

// holder finds in the kernel's list of locks (proc_locks(5)) the process with a flock on a file, or returns 0. A line is
//
//	1: FLOCK  ADVISORY  WRITE 1234 00:18:5 0 EOF
//
// with the process, then the device's major and minor number in hex and the inode in decimal.
func holder(locks io.Reader, dev, ino uint64) int {
	want := fmt.Sprintf("%02x:%02x:%d", unix.Major(dev), unix.Minor(dev), ino)
	lines := bufio.NewScanner(locks)
	for lines.Scan() {
		f := strings.Fields(lines.Text())
		if len(f) >= 6 && f[1] == "FLOCK" && f[5] == want {
			pid, err := strconv.Atoi(f[4])
			if err == nil {
				return pid
			}
		}
	}
	return 0
}
