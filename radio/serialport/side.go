//go:build linux

package serialport

import (
	"os"
	"syscall"
	"time"

	"golang.org/x/sys/unix"
)

// side is a second descriptor of a tty that tarm/serial has open, or is about to open. It is in the runtime's poller, which
// the one of tarm/serial is not. Once closed it does nothing.
type side struct {
	f   *os.File
	raw syscall.RawConn
}

// openSide opens the tty at path and locks it: flock holds against root, too, and ends by itself when the process dies.
func openSide(path string) (*side, error) {
	fd, err := unix.Open(path, unix.O_RDWR|unix.O_NONBLOCK|unix.O_NOCTTY|unix.O_CLOEXEC, 0)
	if err != nil {
		return nil, err
	}
	if _, err := unix.IoctlGetTermios(fd, unix.TCGETS); err != nil {
		unix.Close(fd)
		return nil, unix.ENOTTY
	}
	if err := unix.Flock(fd, unix.LOCK_EX|unix.LOCK_NB); err != nil {
		if err == unix.EWOULDBLOCK {
			err = inUse(fd)
		}
		unix.Close(fd)
		return nil, err
	}
	f := os.NewFile(uintptr(fd), path)
	raw, err := f.SyscallConn()
	if err != nil {
		f.Close()
		return nil, err
	}
	return &side{f, raw}, nil
}

// use calls f with the descriptor, which stays open meanwhile.
func (s *side) use(f func(fd int)) {
	s.raw.Control(func(fd uintptr) { f(int(fd)) })
}

func (s *side) close() { s.f.Close() }

// due sets when awaitInput gives up, and wake makes it do so now.
func (s *side) due(after time.Duration) { s.f.SetReadDeadline(time.Now().Add(after)) }
func (s *side) wake()                   { s.f.SetReadDeadline(time.Unix(1, 0)) }

// awaitInput waits until the tty has bytes, or is gone, or the time is up that due has set.
func (s *side) awaitInput() {
	s.raw.Read(func(fd uintptr) bool { return poll(int(fd), unix.POLLIN, 0) != 0 })
}

// exclusive makes the kernel refuse further opens by programs that know nothing of our lock (those of root excepted), or
// ends that. A pseudoterminal is left out: there the mark would outlive this process, for as long as the other end is
// open, and keep out the next one.
func (s *side) exclusive(on bool) {
	s.use(func(fd int) {
		var st unix.Stat_t
		if unix.Fstat(fd, &st) != nil || isPty(uint64(st.Rdev)) {
			return
		}
		req := uint(unix.TIOCNXCL)
		if on {
			req = unix.TIOCEXCL
		}
		unix.IoctlSetInt(fd, req, 0)
	})
}

// isPty tells the slave end of a pseudoterminal by its device number (majors 136 to 143, Linux Documentation/admin-guide/devices.txt).
func isPty(rdev uint64) bool {
	major := unix.Major(rdev)
	return major >= 136 && major <= 143
}

// flush throws away what has been received and not read, and what has been written and not sent. The call of
// tarm/serial for it has the number of x86 built in, which is another on MIPS and PowerPC.
func (s *side) flush() {
	s.use(func(fd int) { unix.IoctlSetInt(fd, unix.TCFLSH, unix.TCIOFLUSH) })
}

// room waits up to d until the tty takes bytes, or is gone.
func (s *side) room(d time.Duration) (room, gone bool) {
	re := s.poll(unix.POLLOUT, d)
	return re&unix.POLLOUT != 0, re&(unix.POLLHUP|unix.POLLERR|unix.POLLNVAL) != 0
}

// gone tells whether the tty has been hung up.
func (s *side) gone() bool {
	return s.poll(0, 0)&(unix.POLLHUP|unix.POLLERR|unix.POLLNVAL) != 0
}

func (s *side) poll(events int16, d time.Duration) (revents int16) {
	s.use(func(fd int) { revents = poll(fd, events, d) })
	return revents
}

func poll(fd int, events int16, d time.Duration) (revents int16) {
	fds := []unix.PollFd{{Fd: int32(fd), Events: events}}
	unix.Poll(fds, int((d+time.Millisecond-1)/time.Millisecond)) // interrupted: as if nothing had happened yet
	return fds[0].Revents
}
