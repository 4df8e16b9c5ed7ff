package mqtt

import (
	"bufio"
	"context"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"io"
	"net"
	"net/netip"
	"net/url"
	"os"
	"runtime"
	"strconv"
	"strings"
	"syscall"
	"time"
)

// maxInbound is the longest packet accepted from a broker, in bytes. The protocol allows 256 MiB, and the client
// library would allocate them on the strength of four bytes of header.
const maxInbound = 1 << 20

// conn stands between the client library and the socket. See the package documentation for what it keeps away.
//
// Read is called by one goroutine at a time; Write, Close and the deadlines by any.
type conn struct {
	net.Conn          // TCP, or TLS over it: what is read and written
	raw      net.Conn // the socket beneath: what Close closes, since a polite TLS close can block on a full buffer

	// writing lets one write go at a time, or a second writer would push back the first one's deadline. It is a channel
	// and not a lock because a test's virtual time stands still while somebody waits for a lock.
	writing      chan struct{}
	writeTimeout time.Duration

	// broken is told of each failed read and write before the library is. A close from this side is not a failure.
	broken func(error)

	// The rest belongs to the reading goroutine.
	in      *bufio.Reader
	expect  expect
	greeted bool   // CONNACK has been let through
	head    []byte // header bytes of the current packet not yet handed on
	left    int    // body bytes of the current packet not yet handed on
}

// expect says which packets a connection may receive besides CONNACK, PUBACK and PINGRESP.
type expect struct {
	filters int // filters subscribed to: 0 for a connection that only publishes
}

// protocolError is a packet that no broker sends to a client such as this one.
type protocolError struct {
	first byte
	size  int
}

func (e *protocolError) Error() string {
	return fmt.Sprintf("unexpected packet (first byte 0x%02x, %d bytes follow): what listens there may not be an MQTT 3.1.1 broker", e.first, e.size)
}

func newConn(c, raw net.Conn, writeTimeout time.Duration, e expect, broken func(error)) *conn {
	return &conn{
		Conn: c, raw: raw, writing: make(chan struct{}, 1), writeTimeout: writeTimeout, broken: broken,
		in: bufio.NewReader(c), expect: e,
	}
}

// Write sends p within writeTimeout or breaks the connection.
func (c *conn) Write(p []byte) (int, error) {
	c.writing <- struct{}{}
	defer func() { <-c.writing }()
	if err := c.Conn.SetWriteDeadline(time.Now().Add(c.writeTimeout)); err != nil {
		return 0, c.fail(err)
	}
	n, err := c.Conn.Write(p)
	if err != nil {
		return n, c.fail(&writeError{err})
	}
	return n, nil
}

// writeError tells a failed write from a failed read: only for the former does a deadline mean a stuck peer.
type writeError struct{ err error }

func (e *writeError) Error() string { return e.err.Error() }
func (e *writeError) Unwrap() error { return e.err }

// Read hands on the stream, packet by packet, and only packets that may arrive.
func (c *conn) Read(p []byte) (int, error) {
	if len(p) == 0 {
		return 0, nil
	}
	if len(c.head) == 0 && c.left == 0 {
		if err := c.next(); err != nil {
			return 0, c.fail(err)
		}
	}
	if len(c.head) > 0 {
		n := copy(p, c.head)
		c.head = c.head[n:]
		return n, nil
	}
	n, err := c.in.Read(p[:min(len(p), c.left)])
	c.left -= n
	if err != nil {
		return n, c.fail(unexpectedEOF(err))
	}
	return n, nil
}

// next reads one fixed header (MQTT 3.1.1, section 2.2) and decides on it.
func (c *conn) next() error {
	first, err := c.in.ReadByte()
	if err != nil {
		return err
	}
	head := []byte{first}
	size := 0
	for shift := 0; ; shift += 7 {
		b, err := c.in.ReadByte()
		if err != nil {
			return unexpectedEOF(err)
		}
		head = append(head, b)
		size |= int(b&0x7f) << shift
		if b&0x80 == 0 {
			break
		}
		if shift == 21 { // a length has at most four bytes
			return &protocolError{first, size}
		}
	}
	if !c.allowed(first, size) {
		return &protocolError{first, size}
	}
	if !c.greeted {
		if err := c.granted(); err != nil {
			return err
		}
	}
	c.head, c.left = head, size
	return nil
}

// granted looks at CONNACK's return code. The library takes every code it does not know for success, and then reports
// 0 for it.
func (c *conn) granted() error {
	body, err := c.in.Peek(2)
	if err != nil {
		return unexpectedEOF(err)
	}
	if code := body[1]; code != 0 {
		return refusal(code)
	}
	c.greeted = true
	return nil
}

// refusal is a CONNACK return code other than 0 (MQTT 3.1.1, table 3.1).
type refusal byte

func (r refusal) Error() string {
	switch r {
	case 1:
		return "the broker does not speak MQTT 3.1.1"
	case 2:
		return "the broker refused this client ID"
	case 3:
		return "the broker is running but says it cannot serve now"
	case 4:
		return "the broker refused user name or password"
	case 5:
		return "the broker refused user name or password, or does not allow this client (not authorised)"
	}
	return fmt.Sprintf("the broker refused with code 0x%02x, which MQTT 3.1.1 does not define", byte(r))
}

// allowed reports whether a packet may arrive now. Its first byte holds type and flags.
func (c *conn) allowed(first byte, size int) bool {
	const connack, publish, puback, suback, pingresp = 0x20, 0x30, 0x40, 0x90, 0xd0
	if !c.greeted {
		return first == connack && size == 2
	}
	switch {
	case first == puback:
		return size == 2
	case first == pingresp:
		return size == 0
	case c.expect.filters == 0:
		return false
	case first == suback:
		return size == 2+c.expect.filters
	case first&0xf0 == publish:
		return first&0x06 <= 0x02 && size >= 3 && size <= maxInbound // QoS 0 or 1
	}
	return false
}

func (c *conn) fail(err error) error {
	_ = c.raw.Close()
	if !errors.Is(err, net.ErrClosed) && !errors.Is(err, io.ErrClosedPipe) {
		c.broken(err)
	}
	return err
}

// Close closes the socket at once.
func (c *conn) Close() error { return c.raw.Close() }

// SetWriteDeadline does nothing: the library lifts the deadline after each publish, and a ping would then hang.
func (c *conn) SetWriteDeadline(time.Time) error { return nil }

// SetDeadline sets the deadline for reading only, for the same reason.
func (c *conn) SetDeadline(t time.Time) error { return c.Conn.SetReadDeadline(t) }

func unexpectedEOF(err error) error {
	if errors.Is(err, io.EOF) {
		return io.ErrUnexpectedEOF
	}
	return err
}

// endpoint is a broker's address, taken apart.
type endpoint struct {
	host   string // as written, for the certificate's name
	addr   string // host:port
	secure bool
}

func parseURL(s string) (endpoint, error) {
	const want = "expected mqtt://host:port or mqtts://host:port"
	u, err := url.Parse(s)
	if err != nil {
		// The parser's own error quotes the text, and with it a password that somebody wrote there.
		return endpoint{}, fmt.Errorf("broker URL cannot be read: %s", want)
	}
	e := endpoint{host: u.Hostname()}
	port := u.Port()
	switch u.Scheme {
	case "mqtt":
		port = orDefault(port, "1883")
	case "mqtts":
		port = orDefault(port, "8883")
		e.secure = true
	default:
		return endpoint{}, fmt.Errorf("broker URL %q: scheme %q is not supported: %s", u.Redacted(), u.Scheme, want)
	}
	if n, err := strconv.ParseUint(port, 10, 16); err != nil || n == 0 {
		return endpoint{}, fmt.Errorf("broker URL %q: port %q is not 1 to 65535", u.Redacted(), port)
	}
	switch {
	case e.host == "":
		return endpoint{}, fmt.Errorf("broker URL %q names no host: %s", u.Redacted(), want)
	case u.User != nil:
		return endpoint{}, fmt.Errorf("broker URL %q holds a user or password: set the user apart, and put the password in a file of its own", u.Redacted())
	case strings.Trim(u.Path, "/") != "" || u.RawQuery != "" || u.Fragment != "":
		return endpoint{}, fmt.Errorf("broker URL %q has something after the port: %s", u.Redacted(), want)
	}
	e.addr = net.JoinHostPort(e.host, port)
	return e, nil
}

func orDefault(s, def string) string {
	if s == "" {
		return def
	}
	return s
}

// Nearby reports whether the broker at url is in the house: its host is a loopback, private or link-local address, or
// a name that no public name server can answer (one label, .local, .lan, .home.arpa, .internal). Nothing is looked
// up. Such a broker may be dialled again within a second, since only this household waits for it.
func Nearby(url string) bool {
	e, err := parseURL(url)
	if err != nil {
		return false
	}
	if a, err := netip.ParseAddr(e.host); err == nil {
		a = a.Unmap()
		return a.IsLoopback() || a.IsPrivate() || a.IsLinkLocalUnicast()
	}
	name := strings.ToLower(strings.TrimSuffix(e.host, "."))
	if !strings.Contains(name, ".") {
		return true
	}
	for _, suffix := range []string{".localhost", ".local", ".lan", ".home.arpa", ".internal"} {
		if strings.HasSuffix(name, suffix) {
			return true
		}
	}
	return false
}

// dialTCP connects without regard to any proxy in the environment.
//
// Unacknowledged data ends the connection after 20 s instead of Linux's quarter of an hour. That limit also counts for
// keep-alive probes, so these are set closely: with Go's usual 15 s a single lost probe would end the connection.
func dialTCP(ctx context.Context, network, addr string) (net.Conn, error) {
	d := net.Dialer{
		KeepAliveConfig: net.KeepAliveConfig{Enable: true, Idle: 8 * time.Second, Interval: 3 * time.Second, Count: 4},
		Control: func(_, _ string, c syscall.RawConn) error {
			if runtime.GOOS != "linux" {
				return nil
			}
			const tcpUserTimeout = 0x12 // TCP_USER_TIMEOUT, linux/tcp.h, milliseconds
			var err error
			if cerr := c.Control(func(fd uintptr) {
				err = os.NewSyscallError("setsockopt TCP_USER_TIMEOUT", syscall.SetsockoptInt(int(fd), syscall.IPPROTO_TCP, tcpUserTimeout, 20_000))
			}); cerr != nil {
				return cerr
			}
			return err
		},
	}
	return d.DialContext(ctx, network, addr)
}

// tlsConfig trusts the authorities in caFile alone, or the system's if it is empty.
func tlsConfig(host, serverName, caFile string) (*tls.Config, error) {
	c := &tls.Config{MinVersion: tls.VersionTLS12, ServerName: orDefault(serverName, host)}
	if caFile == "" {
		return c, nil
	}
	pem, err := os.ReadFile(caFile)
	if err != nil {
		return nil, fmt.Errorf("read CA file: %w", err)
	}
	c.RootCAs = x509.NewCertPool()
	if !c.RootCAs.AppendCertsFromPEM(pem) {
		return nil, fmt.Errorf("CA file %s holds no certificate: expected PEM, beginning with -----BEGIN CERTIFICATE-----", caFile)
	}
	return c, nil
}

// readPassword reads a secret's file, less one line end.
func readPassword(path string) (string, error) {
	f, err := os.Open(path)
	if err != nil {
		return "", fmt.Errorf("read password file: %w", err)
	}
	defer f.Close()
	info, err := f.Stat()
	if err != nil {
		return "", fmt.Errorf("read password file: %w", err)
	}
	if mode := info.Mode().Perm(); mode&0o077 != 0 {
		return "", fmt.Errorf("password file %s can be read by other users (mode %04o): run chmod 600 %s", path, mode, path)
	}
	const limit = 65535 // the protocol's limit for a password
	b, err := io.ReadAll(io.LimitReader(f, limit+3))
	if err != nil {
		return "", fmt.Errorf("read password file: %w", err)
	}
	s := strings.TrimSuffix(strings.TrimSuffix(string(b), "\n"), "\r")
	if s == "" || len(s) > limit {
		return "", fmt.Errorf("password file %s holds %d bytes: expected one line of 1 to %d", path, len(s), limit)
	}
	return s, nil
}
