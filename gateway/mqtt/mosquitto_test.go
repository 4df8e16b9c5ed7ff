package mqtt

import (
	"bufio"
	"context"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"fmt"
	"io"
	"math/big"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"sync/atomic"
	"syscall"
	"testing"
	"time"
)

// patience bounds every wait for another process; it is an upper bound only.
const patience = 30 * time.Second

// program finds a program that must be installed, also where a user's PATH does not look.
func program(t *testing.T, name string) string {
	t.Helper()
	for _, path := range []string{name, "/usr/sbin/" + name, "/usr/local/sbin/" + name} {
		if found, err := exec.LookPath(path); err == nil {
			return found
		}
	}
	t.Fatalf("%s is not installed, and this test speaks to a real broker: run make setup", name)
	return ""
}

// realBroker is a broker process of the test's own.
type realBroker struct {
	addr string
	cmd  *exec.Cmd
	log  *logLines
	subs int // subscribers started
}

// startReal runs a broker with the given lines in its configuration. Its user's and its topics' files must be
// readable to it: started by root it would otherwise change to a user who cannot read the test's folder.
func startReal(t *testing.T, config string) *realBroker {
	t.Helper()
	binary := program(t, "mosquitto")
	for range 3 { // the port is free when chosen, but another process may take it before the broker does
		b, err := tryReal(t, binary, config)
		if err == nil {
			return b
		}
		t.Logf("broker did not start, trying another port: %v", err)
	}
	t.Fatalf("broker did not start")
	return nil
}

func tryReal(t *testing.T, binary, config string) (*realBroker, error) {
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		return nil, err
	}
	b := &realBroker{addr: ln.Addr().String()}
	port := ln.Addr().(*net.TCPAddr).Port
	ln.Close()
	text := fmt.Sprintf("listener %d 127.0.0.1\n%s\n", port, config)
	if os.Getuid() == 0 {
		text = "user root\n" + text
	}
	path := filepath.Join(t.TempDir(), "broker.conf")
	if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
		return nil, err
	}
	b.cmd = exec.Command(binary, "-v", "-c", path)
	out, err := b.cmd.StderrPipe()
	if err != nil {
		return nil, err
	}
	b.cmd.Stdout = b.cmd.Stderr
	if err := b.cmd.Start(); err != nil {
		return nil, err
	}
	t.Cleanup(func() { b.kill() })
	b.log = follow(out)
	if err := b.log.wait(" running", 1); err != nil {
		b.kill()
		return nil, err
	}
	return b, nil
}

func (b *realBroker) url() string { return "mqtt://" + b.addr }

// kill ends the process with SIGKILL. It may be called again.
func (b *realBroker) kill() {
	b.cmd.Process.Kill()
	b.cmd.Wait()
}

// logLines is what a process has written so far.
type logLines struct {
	mu    sync.Mutex
	lines []string
	more  chan struct{} // closed and replaced at each line
	ended bool
}

func follow(r io.Reader) *logLines {
	l := &logLines{more: make(chan struct{})}
	go func() {
		sc := bufio.NewScanner(r)
		for ok := true; ok; {
			ok = sc.Scan()
			l.mu.Lock()
			l.lines = append(l.lines, sc.Text())
			l.ended = !ok
			close(l.more)
			l.more = make(chan struct{})
			l.mu.Unlock()
		}
	}()
	return l
}

// wait returns once n lines hold text.
func (l *logLines) wait(text string, n int) error {
	deadline := time.After(patience)
	for {
		l.mu.Lock()
		all, ended, more := strings.Join(l.lines, "\n"), l.ended, l.more
		l.mu.Unlock()
		if strings.Count(all, text) >= n {
			return nil
		}
		if ended {
			return fmt.Errorf("ended without %q: %s", text, all)
		}
		select {
		case <-more:
		case <-deadline:
			return fmt.Errorf("no %q within %v: %s", text, patience, all)
		}
	}
}

// listen starts a subscriber of the broker's own making, and returns its output once the broker has granted the
// subscription. The output comes when the subscriber has got n messages and ends, since it is no terminal.
func listen(t *testing.T, b *realBroker, topic string, n int) <-chan string {
	t.Helper()
	host, port, _ := net.SplitHostPort(b.addr)
	cmd := exec.Command(program(t, "mosquitto_sub"), "-h", host, "-p", port, "-q", "1", "-t", topic, "-C", fmt.Sprint(n),
		"-W", fmt.Sprint(int(patience.Seconds())), "-F", "%r %t %p")
	out, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { cmd.Process.Kill(); cmd.Wait() })
	lines := make(chan string, n)
	go func() {
		defer close(lines)
		for sc := bufio.NewScanner(out); sc.Scan(); {
			lines <- sc.Text()
		}
	}()
	b.subs++
	if err := b.log.wait("Sending SUBACK", b.subs); err != nil {
		t.Fatalf("the subscriber did not subscribe: %v", err)
	}
	return lines
}

func expectLine(t *testing.T, lines <-chan string, want string) {
	t.Helper()
	if got := <-lines; got != want {
		t.Errorf("subscriber got %q, want %q", got, want)
	}
}

func mustPublish(t *testing.T, s *Session, topic string, retain bool, payload string) {
	t.Helper()
	got := make(chan error, 1)
	s.Publish(topic, 1, retain, []byte(payload), func(err error) { got <- err })
	if err := <-got; err != nil {
		t.Fatalf("Publish(%q): done(%v)", topic, err)
	}
}

func mustDial(t *testing.T, o Options) *Session {
	t.Helper()
	s, err := Dial(t.Context(), o)
	if err != nil {
		t.Fatalf("Dial: %v", err)
	}
	t.Cleanup(s.Close)
	return s
}

// TestRealPublish: a trip reaches a subscriber that is there, and a retained state one that comes later.
func TestRealPublish(t *testing.T) {
	b := startReal(t, "allow_anonymous true")
	lines := listen(t, b, "longlane/#", 2)
	s := mustDial(t, Options{URL: b.url(), ClientID: "gateway"})
	mustPublish(t, s, "longlane/hill-orchard/zone/river-gate/trip", false, "somebody")
	mustPublish(t, s, "longlane/hill-orchard/zone/river-gate/state", true, "tripped")
	expectLine(t, lines, "0 longlane/hill-orchard/zone/river-gate/trip somebody")
	expectLine(t, lines, "0 longlane/hill-orchard/zone/river-gate/state tripped")
	expectLine(t, listen(t, b, "longlane/#", 1), "1 longlane/hill-orchard/zone/river-gate/state tripped")
}

// TestRealWill: the broker tells of a gateway whose connection broke, and keeps quiet about one that closed.
func TestRealWill(t *testing.T) {
	b := startReal(t, "allow_anonymous true")
	lines := listen(t, b, "longlane/#", 2)
	o := Options{URL: b.url(), ClientID: "gateway", Will: &Will{Topic: "longlane/gateway", Payload: []byte("lost")}}
	mustDial(t, o).Close()
	var raw net.Conn
	o.Dial = func(ctx context.Context, network, addr string) (c net.Conn, err error) {
		raw, err = dialTCP(ctx, network, addr)
		return raw, err
	}
	s := mustDial(t, o)
	mustPublish(t, s, "longlane/gateway", true, "serving")
	raw.(*net.TCPConn).SetLinger(0) // a reset, as after a power cut
	raw.Close()
	expectLine(t, lines, "0 longlane/gateway serving")
	expectLine(t, lines, "0 longlane/gateway lost")
	expectLine(t, listen(t, b, "longlane/#", 1), "1 longlane/gateway lost")
}

// TestRealTakeover: a second client of the same name throws out the first, which learns it.
func TestRealTakeover(t *testing.T) {
	b := startReal(t, "allow_anonymous true")
	first := mustDial(t, Options{URL: b.url(), ClientID: "gateway"})
	mustDial(t, Options{URL: b.url(), ClientID: "gateway"})
	<-first.Closed()
	if got := reasonOf(first.Err()); got != ReasonPeerClosed || !strings.Contains(first.Err().Error(), "same client ID") {
		t.Errorf("first session ended with %v (%q), want %q and the client ID as a possible cause", first.Err(), got, ReasonPeerClosed)
	}
}

func TestRealPassword(t *testing.T) {
	users := filepath.Join(t.TempDir(), "users")
	if out, err := exec.Command(program(t, "mosquitto_passwd"), "-c", "-b", users, "hill", "beam").CombinedOutput(); err != nil {
		t.Fatalf("make the broker's password file: %v: %s", err, out)
	}
	b := startReal(t, "allow_anonymous false\npassword_file "+users)
	o := Options{URL: b.url(), ClientID: "gateway", User: "hill", PasswordFile: secret(t, "beam\n")}
	mustPublish(t, mustDial(t, o), "t", false, "x")
	wrong, none := o, o
	wrong.PasswordFile = secret(t, "loop\n")
	none.User, none.PasswordFile = "", ""
	for name, o := range map[string]Options{"wrong": wrong, "no": none} {
		_, err := Dial(t.Context(), o)
		if reasonOf(err) != ReasonRefused || !strings.Contains(err.Error(), "the broker refused user name or password") {
			t.Errorf("%s password: Dial = %v (%q), want %q in words", name, err, reasonOf(err), ReasonRefused)
		}
	}
}

// authority is a certificate authority of the test's own.
type authority struct {
	cert *x509.Certificate
	key  *ecdsa.PrivateKey
	file string
}

func newAuthority(t *testing.T, name string) *authority {
	t.Helper()
	a := &authority{key: newKey(t)}
	tmpl := &x509.Certificate{
		SerialNumber: big.NewInt(1), Subject: pkix.Name{CommonName: name}, NotBefore: time.Now().Add(-time.Hour), NotAfter: time.Now().Add(time.Hour),
		IsCA: true, BasicConstraintsValid: true, KeyUsage: x509.KeyUsageCertSign,
	}
	der, err := x509.CreateCertificate(rand.Reader, tmpl, tmpl, &a.key.PublicKey, a.key)
	if err != nil {
		t.Fatal(err)
	}
	if a.cert, err = x509.ParseCertificate(der); err != nil {
		t.Fatal(err)
	}
	a.file = writePEM(t, "CERTIFICATE", der)
	return a
}

// issue returns the files of a certificate for 127.0.0.1 that is valid until end, and of its key.
func (a *authority) issue(t *testing.T, end time.Time) (cert, key string) {
	t.Helper()
	k := newKey(t)
	tmpl := &x509.Certificate{
		SerialNumber: big.NewInt(2), Subject: pkix.Name{CommonName: "broker"}, NotBefore: time.Now().Add(-2 * time.Hour), NotAfter: end,
		IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1)}, ExtKeyUsage: []x509.ExtKeyUsage{x509.ExtKeyUsageServerAuth},
	}
	der, err := x509.CreateCertificate(rand.Reader, tmpl, a.cert, &k.PublicKey, a.key)
	if err != nil {
		t.Fatal(err)
	}
	kder, err := x509.MarshalECPrivateKey(k)
	if err != nil {
		t.Fatal(err)
	}
	return writePEM(t, "CERTIFICATE", der), writePEM(t, "EC PRIVATE KEY", kder)
}

func newKey(t *testing.T) *ecdsa.PrivateKey {
	t.Helper()
	k, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	return k
}

func writePEM(t *testing.T, kind string, der []byte) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), "file.pem")
	if err := os.WriteFile(path, pem.EncodeToMemory(&pem.Block{Type: kind, Bytes: der}), 0o600); err != nil {
		t.Fatal(err)
	}
	return path
}

// TestRealTLS: the house's own authority is trusted, and nobody else's, no other name, no expired certificate.
func TestRealTLS(t *testing.T) {
	ours, others := newAuthority(t, "hill orchard"), newAuthority(t, "somebody else")
	start := func(end time.Time) *realBroker {
		cert, key := ours.issue(t, end)
		return startReal(t, fmt.Sprintf("allow_anonymous true\ncertfile %s\nkeyfile %s", cert, key))
	}
	good, expired := start(time.Now().Add(time.Hour)), start(time.Now().Add(-time.Hour))
	plain := startReal(t, "allow_anonymous true")
	mustPublish(t, mustDial(t, Options{URL: "mqtts://" + good.addr, ClientID: "gateway", CAFile: ours.file}), "t", false, "x")
	tests := []struct {
		name string
		o    Options
		want string
	}{
		{"another authority", Options{URL: "mqtts://" + good.addr, CAFile: others.file}, "CA file"},
		{"the system's authorities", Options{URL: "mqtts://" + good.addr}, "CA file"},
		{"another name", Options{URL: "mqtts://" + good.addr, CAFile: ours.file, ServerName: "elsewhere"}, "elsewhere"},
		{"an expired certificate", Options{URL: "mqtts://" + expired.addr, CAFile: ours.file}, "clock"},
		{"a port without TLS", Options{URL: "mqtts://" + plain.addr, CAFile: ours.file}, "no secure connection"},
	}
	for _, tt := range tests {
		tt.o.ClientID = "gateway"
		_, err := Dial(t.Context(), tt.o)
		if reasonOf(err) != ReasonTLS || !strings.Contains(err.Error(), tt.want) {
			t.Errorf("%s: Dial = %v (%q), want %q with %q", tt.name, err, reasonOf(err), ReasonTLS, tt.want)
		}
	}
}

// TestRealKill kills the broker within a window. What was sent after it had been stopped cannot have been acknowledged.
func TestRealKill(t *testing.T) {
	b := startReal(t, "allow_anonymous true")
	s := mustDial(t, Options{URL: b.url(), ClientID: "gateway"})
	var acked, failed atomic.Int32
	outcomes := make(chan error, 2*Window)
	done := func(err error) {
		if err == nil {
			acked.Add(1)
		} else {
			failed.Add(1)
		}
		outcomes <- err
	}
	for range 100 {
		s.Publish("t", 1, false, []byte("before"), done)
	}
	for range 100 {
		<-outcomes
	}
	if err := b.cmd.Process.Signal(syscall.SIGSTOP); err != nil {
		t.Fatal(err)
	}
	var status syscall.WaitStatus
	if _, err := syscall.Wait4(b.cmd.Process.Pid, &status, syscall.WUNTRACED, nil); err != nil || !status.Stopped() {
		t.Fatalf("broker has not stopped: %v, %v", status, err)
	}
	for range Window {
		s.Publish("t", 1, false, []byte("after"), done)
	}
	b.kill()
	select {
	case <-s.Closed():
	case <-time.After(patience):
		t.Fatalf("the session outlived its broker")
	}
	if acked.Load() != 100 || failed.Load() != Window {
		t.Errorf("%d acknowledged and %d failed, want 100 and %d", acked.Load(), failed.Load(), Window)
	}
	if got := reasonOf(s.Err()); got != ReasonPeerClosed && got != ReasonLost {
		t.Errorf("session ended with %v (%q), want %q or %q", s.Err(), got, ReasonPeerClosed, ReasonLost)
	}
}
