package main

import (
	"bufio"
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"net"
	"os"
	"os/exec"
	"os/signal"
	"path/filepath"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"github.com/creack/pty"

	"longlane/gateway"
)

// beProgram makes the test binary be longlane itself, so that gateway and simulator are processes of their own, which
// can be killed.
const (
	beProgram    = "LONGLANE_TEST_BE_PROGRAM"
	endOfProgram = "LONGLANE_TEST_END_OF_PROGRAM" // how it ends before it has begun; see TestProbeDies
	setClock     = "LONGLANE_TEST_SET_CLOCK"      // its gateway takes the clock as set, whatever keeps it on this machine
)

func TestMain(m *testing.M) {
	if os.Getenv(beProgram) != "" {
		ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
		switch os.Getenv(endOfProgram) {
		case "panic":
			panic("as asked")
		case "fault":
			_ = syscall.Kill(os.Getpid(), syscall.SIGSEGV)
			<-ctx.Done()
		case "hang":
			<-ctx.Done()
		}
		if os.Getenv(setClock) != "" {
			systemClock = func() (gateway.Clock, error) {
				c, err := gateway.SystemClock()
				c.Set = func() bool { return true }
				return c, err
			}
		}
		code := Main(ctx, os.Args[1:], os.Stdin, os.Stdout, os.Stderr)
		stop()
		os.Exit(code)
	}
	os.Exit(m.Run())
}

// cli runs a subcommand in this process.
func cli(stdin string, args ...string) (code int, out, errs string) {
	var o, e bytes.Buffer
	code = Main(context.Background(), args, strings.NewReader(stdin), &o, &e)
	return code, o.String(), e.String()
}

// eventually waits for cond, looking often. The limit only bounds a failure: this is a loaded machine.
func eventually(t *testing.T, limit time.Duration, what string, cond func() bool) {
	t.Helper()
	tick := time.NewTicker(20 * time.Millisecond)
	defer tick.Stop()
	end := time.NewTimer(limit)
	defer end.Stop()
	for !cond() {
		select {
		case <-tick.C:
		case <-end.C:
			t.Fatalf("waited %s in vain: %s", limit, what)
		}
	}
}

// house is a place with its files, a broker behind a gate, and a subscriber.
type house struct {
	t    *testing.T
	dir  string
	gate *gate
	mos  *mosquitto
	sub  *subscriber
	http string
	env  []string // of its processes, beside this one's
}

// newHouse enrols nodes (each watches a zone of its own name; the name "oak-relay" is a relay) and writes the config.
func newHouse(t *testing.T, nodes ...string) *house {
	t.Helper()
	h := &house{t: t, dir: t.TempDir()}
	for _, n := range nodes {
		args := []string{"enrol", "add", n, "--state", h.path("state"), "--site", "hill-orchard", "--out", h.path(n + ".card")}
		if n == "oak-relay" {
			args = append(args, "--relay")
		} else {
			args = append(args, "--zone", n)
		}
		if code, _, errs := cli("", args...); code != 0 {
			t.Fatalf("enrol %s: exit code %d, %s", n, code, errs)
		}
	}
	h.gate = newGate(t)
	h.http = freeAddr(t)
	h.configure("mqtt://" + h.gate.addr)
	t.Cleanup(func() {
		for _, f := range []string{"run.log", "sim.log", "demo.log", "node.log", "survey.log"} { // what a child process does wrong shows nowhere else
			for _, bad := range []string{"WARNING: DATA RACE", "\npanic: ", "\nfatal error: "} {
				if text := h.text(f); strings.Contains("\n"+text, bad) {
					t.Errorf("%s has %q:\n%s", f, strings.TrimSpace(bad), text[max(0, strings.Index(text, strings.TrimSpace(bad))):])
				}
			}
		}
		if t.Failed() {
			for _, f := range []string{"run.log", "sim.log", "node.log", "survey.log", "mosquitto.log"} {
				text, _ := os.ReadFile(h.path(f))
				t.Logf("%s ends:\n%s", f, text[max(0, len(text)-3000):])
			}
		}
	})
	return h
}

func (h *house) path(name string) string { return filepath.Join(h.dir, name) }

func (h *house) write(name, text string) {
	h.t.Helper()
	if err := os.WriteFile(h.path(name), []byte(text), 0o600); err != nil {
		h.t.Fatal(err)
	}
}

func (h *house) configure(broker string) {
	h.write("longlane.toml", fmt.Sprintf(`site = "hill-orchard"
gateway = "house"
state = %q
http = %q
log_level = "debug"
[broker]
url = %q
[[modem]]
name = "mast"
device = %q
region = "europe"
frequency = 869525000
`, h.path("state"), h.http, broker, h.path("modem")))
}

// start runs this program as another process, its output in NAME.log.
func (h *house) start(args ...string) *process {
	h.t.Helper()
	log, err := os.OpenFile(h.path(args[0]+".log"), os.O_CREATE|os.O_APPEND|os.O_WRONLY, 0o600)
	if err != nil {
		h.t.Fatal(err)
	}
	defer log.Close() // the process has its own
	cmd := exec.Command(os.Args[0], args...)
	cmd.Env = append(append(os.Environ(), beProgram+"=1"), h.env...)
	cmd.Stdout, cmd.Stderr = log, log
	return startProcess(h.t, cmd)
}

func (h *house) startGateway() *process { return h.start("run", "--config", h.path("longlane.toml")) }

func (h *house) startSim(args ...string) *process {
	return h.start(append([]string{"sim", "--scenario", h.path("scenario.toml"), "--modem", h.path("modem"),
		"--out", h.path("sim.jsonl")}, args...)...)
}

// process is a child that is killed with the test at the latest.
type process struct {
	t    *testing.T
	cmd  *exec.Cmd
	done chan struct{}
}

func startProcess(t *testing.T, cmd *exec.Cmd) *process {
	t.Helper()
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	p := &process{t, cmd, make(chan struct{})}
	go func() { // ends with the process, which ends with the test
		cmd.Wait()
		close(p.done)
	}()
	t.Cleanup(p.kill)
	return p
}

func (p *process) kill() {
	p.cmd.Process.Kill()
	<-p.done
}

// stop asks politely and gives the exit code.
func (p *process) stop() int {
	p.cmd.Process.Signal(syscall.SIGTERM)
	return p.wait(20 * time.Second)
}

func (p *process) wait(limit time.Duration) int {
	p.t.Helper()
	select {
	case <-p.done:
	case <-time.After(limit):
		p.t.Fatalf("%v has not ended in %s", p.cmd.Args, limit)
	}
	return p.cmd.ProcessState.ExitCode()
}

func freeAddr(t *testing.T) string {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	return l.Addr().String()
}

// gate is the gateway's way to a broker; closed, it is as if the broker were gone. It makes sure that the subscriber is
// back before the gateway is: a broker keeps nothing for those who are absent.
type gate struct {
	t    *testing.T
	addr string
	mu   sync.Mutex
	to   string // the broker; empty: closed
	open map[net.Conn]bool
}

func newGate(t *testing.T) *gate {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	g := &gate{t: t, addr: l.Addr().String(), open: map[net.Conn]bool{}}
	t.Cleanup(func() { l.Close(); g.lead("") })
	go func() { // ends with the listener
		for {
			c, err := l.Accept()
			if err != nil {
				return
			}
			go g.pass(c)
		}
	}()
	return g
}

// lead opens the gate to a broker; empty closes it and cuts what is there.
func (g *gate) lead(to string) {
	g.mu.Lock()
	defer g.mu.Unlock()
	g.to = to
	for c := range g.open {
		c.Close()
	}
	clear(g.open)
}

func (g *gate) pass(c net.Conn) {
	defer c.Close()
	g.mu.Lock()
	to := g.to
	g.mu.Unlock()
	if to == "" {
		return
	}
	b, err := net.Dial("tcp", to)
	if err != nil {
		return
	}
	defer b.Close()
	g.mu.Lock()
	if g.to != to {
		g.mu.Unlock()
		return
	}
	g.open[c], g.open[b] = true, true
	g.mu.Unlock()
	half := make(chan struct{})
	go func() {
		io.Copy(b, c)
		b.Close()
		close(half)
	}()
	io.Copy(c, b)
	c.Close()
	<-half
}

// mosquitto is the system's broker, on a port of its own.
type mosquitto struct {
	h    *house
	addr string
	p    *process
}

func programPath(t *testing.T, program string) string {
	t.Helper()
	for _, p := range []string{program, "/usr/sbin/" + program, "/usr/local/sbin/" + program} {
		if path, err := exec.LookPath(p); err == nil {
			return path
		}
	}
	t.Fatalf("%s is missing; run: make setup", program)
	return ""
}

func (h *house) startMosquitto() {
	h.t.Helper()
	if h.mos == nil {
		h.mos = &mosquitto{h: h, addr: freeAddr(h.t)}
		host, port, _ := net.SplitHostPort(h.mos.addr)
		h.write("mosquitto.conf", fmt.Sprintf("listener %s %s\nallow_anonymous true\npersistence false\nmax_queued_messages 0\n"+
			"max_inflight_messages 0\nlog_dest file %s\nuser root\n", port, host, h.path("mosquitto.log")))
	}
	h.mos.p = startProcess(h.t, exec.Command(programPath(h.t, "mosquitto"), "-c", h.path("mosquitto.conf")))
	eventually(h.t, time.Minute, "mosquitto does not listen", func() bool {
		c, err := net.Dial("tcp", h.mos.addr)
		if err == nil {
			c.Close()
		}
		return err == nil
	})
}

// openHouse starts broker and subscriber, and only then lets the gateway through.
func (h *house) openHouse() {
	h.t.Helper()
	h.startMosquitto()
	if h.sub == nil {
		h.sub = newSubscriber(h)
	}
	h.sub.await()
	h.gate.lead(h.mos.addr)
}

// breakBroker takes the broker away in the middle of whatever it does.
func (h *house) breakBroker() {
	h.sub.forget()
	h.mos.p.kill()
	h.gate.lead("")
}

// subscriber is a mosquitto_sub process. It comes back by itself when its broker does.
type subscriber struct {
	h       *house
	mu      sync.Mutex
	granted bool
	events  []delivery
}

// delivery is an event as it arrived.
type delivery struct {
	at      time.Time
	topic   string
	payload []byte
	event   struct {
		ID, Type, Subject, Source string
		Time                      string
		Data                      struct {
			Zone, Node, Phase, Proof, Clock, Code, Detail string
			Counter                                       uint32
			Attempt                                       uint16
			Age                                           *float64 `json:"age_s"`
			Dwell                                         *float64 `json:"dwell_s"`
			Delayed                                       bool
			Hops                                          []struct {
				From, To string
				RSSI     *float64 `json:"rssi_dbm"`
				SNR      *float64 `json:"snr_db"`
				Verified bool
			}
		}
	}
}

func newSubscriber(h *house) *subscriber {
	host, port, _ := net.SplitHostPort(h.mos.addr)
	cmd := exec.Command(programPath(h.t, "mosquitto_sub"), "-d", "-h", host, "-p", port, "-q", "1", "-t", "longlane/#", "-v")
	cmd.Env = append(os.Environ(), "LC_ALL=C")
	out, err := pty.Start(cmd) // a terminal: into a pipe it would write only when its buffer is full
	if err != nil {
		h.t.Fatal(err)
	}
	s := &subscriber{h: h}
	read := make(chan struct{})
	go func() {
		defer close(read)
		lines := bufio.NewScanner(out)
		lines.Buffer(nil, 1<<20)
		for lines.Scan() {
			s.line(lines.Text())
		}
	}()
	h.t.Cleanup(func() {
		cmd.Process.Kill()
		cmd.Wait()
		<-read
		out.Close()
	})
	return s
}

func (s *subscriber) line(text string) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if strings.Contains(text, "SUBACK") || strings.HasPrefix(text, "Subscribed") {
		s.granted = true
	}
	topic, payload, ok := strings.Cut(strings.TrimSuffix(text, "\r"), " ")
	if !ok || !strings.HasPrefix(topic, "longlane/") {
		return
	}
	d := delivery{at: time.Now(), topic: topic, payload: []byte(payload)}
	if json.Unmarshal(d.payload, &d.event) == nil {
		s.events = append(s.events, d)
	}
}

func (s *subscriber) await() {
	s.h.t.Helper()
	eventually(s.h.t, time.Minute, "mosquitto_sub is not subscribed", func() bool {
		s.mu.Lock()
		defer s.mu.Unlock()
		return s.granted
	})
}

func (s *subscriber) forget() {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.granted = false
}

// all are the events that arrived, in order; states and ticks are not among them.
func (s *subscriber) all() (list []delivery) {
	s.mu.Lock()
	defer s.mu.Unlock()
	for _, d := range s.events {
		if d.event.ID != "" {
			list = append(list, d)
		}
	}
	return list
}

func (s *subscriber) ids() map[string]int {
	n := map[string]int{}
	for _, d := range s.all() {
		n[d.event.ID]++
	}
	return n
}

// record is a line of the simulator's.
type record struct {
	What, Node, ID, Kind, Frame, Direction, Why string
	Counter                                     uint32
	Attempt                                     uint16
	RSSI, SNR                                   float64
	Hops                                        []struct {
		Relay     string
		RSSI, SNR float64
	}
}

// records are what the simulator wrote so far.
func (h *house) records() (list []record) {
	f, err := os.Open(h.path("sim.jsonl"))
	if err != nil {
		return nil
	}
	defer f.Close()
	lines := bufio.NewScanner(f)
	lines.Buffer(nil, 1<<20)
	for lines.Scan() {
		var r record
		if json.Unmarshal(lines.Bytes(), &r) == nil { // the last line may be half written
			list = append(list, r)
		}
	}
	return list
}

func idsOf(list []record, what string) map[string]bool {
	m := map[string]bool{}
	for _, r := range list {
		if r.What == what && r.ID != "" {
			m[r.ID] = true
		}
	}
	return m
}

// checkDelivered holds the promise: everything with a receipt arrives, and nothing that no node has made.
func (h *house) checkDelivered(limit time.Duration) {
	h.t.Helper()
	made, released := idsOf(h.records(), "made"), idsOf(h.records(), "released")
	missing := func() (list []string) {
		got := h.sub.ids()
		for id := range released {
			if got[id] == 0 {
				list = append(list, id)
			}
		}
		return list
	}
	if len(released) == 0 {
		h.t.Fatal("no event got a receipt")
	}
	end := time.Now().Add(limit)
	eventually(h.t, limit+time.Second, "events to arrive", func() bool { return len(missing()) == 0 || time.Now().After(end) })
	if m := missing(); len(m) > 0 {
		h.t.Errorf("%d of %d events with a receipt never arrived: %v", len(m), len(released), m[:min(len(m), 10)])
	}
	for id := range h.sub.ids() {
		if !made[strings.TrimSuffix(id, ".time")] && !strings.HasPrefix(id, "gateway.") {
			h.t.Errorf("event %s arrived and no node has made it", id)
		}
	}
}

// ready waits until the gateway would hear a trip and could deliver it.
func (h *house) ready(limit time.Duration) {
	h.t.Helper()
	eventually(h.t, limit, "the gateway is not ready", func() bool { return h.status("/readyz") == 200 })
}

func (h *house) text(name string) string {
	b, _ := os.ReadFile(h.path(name))
	return string(b)
}
