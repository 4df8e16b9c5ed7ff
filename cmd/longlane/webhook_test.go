package main

import (
	"bufio"
	"encoding/json"
	"encoding/pem"
	"fmt"
	"io"
	"math/rand/v2"
	"net"
	"net/http"
	"net/http/httptest"
	"os"
	"os/exec"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"
)

// receiver is a real HTTP server that notes which events it has taken.
type receiver struct {
	*httptest.Server
	t     *testing.T
	mu    sync.Mutex
	taken map[string]int
}

// newReceiver starts one. before, if not nil, may answer instead, and then tells so.
func newReceiver(t *testing.T, before func(w http.ResponseWriter, r *http.Request) bool) *receiver {
	r := &receiver{t: t, taken: map[string]int{}}
	r.Server = httptest.NewUnstartedServer(http.HandlerFunc(func(w http.ResponseWriter, req *http.Request) {
		text, _ := io.ReadAll(req.Body)
		if before != nil && before(w, req) {
			return
		}
		var e struct{ ID, Source string }
		if json.Unmarshal(text, &e) != nil || e.ID == "" || e.ID != req.Header.Get("Ce-Id") || e.Source != req.Header.Get("Ce-Source") {
			t.Errorf("a request of %s, %s with the body %s", req.Header.Get("Ce-Id"), req.Header.Get("Ce-Source"), text)
		}
		r.mu.Lock()
		r.taken[e.ID]++
		r.mu.Unlock()
	}))
	t.Cleanup(func() {
		r.CloseClientConnections()
		r.Close()
	})
	return r
}

// lacks are those of ids that it has not taken.
func (r *receiver) lacks(ids map[string]bool) (list []string) {
	r.mu.Lock()
	defer r.mu.Unlock()
	for id := range ids {
		if r.taken[id] == 0 {
			list = append(list, id)
		}
	}
	return list
}

// repeats is how many times an event came again.
func (r *receiver) repeats() (n int) {
	r.mu.Lock()
	defer r.mu.Unlock()
	for _, k := range r.taken {
		n += k - 1
	}
	return n
}

// TestWebhooks: the real gateway with the real broker and three webhooks: one with TLS by its own authority and a token, one that
// refuses, resets and vanishes by chance, one that never answers. The gateway is killed in the middle, again and again. Both
// required ones have every event that got a receipt, and the house has heard of each at once all the while.
func TestWebhooks(t *testing.T) {
	t.Parallel()
	h := newHouse(t, "river-gate", "cattle-grid")
	seed := rand.Uint64() >> 1
	t.Logf("seed %d", seed)
	random := rand.New(rand.NewPCG(seed, 1))

	lights := newReceiver(t, func(w http.ResponseWriter, r *http.Request) bool {
		if r.Header.Get("Authorization") != "Bearer open-sesame" {
			t.Errorf("a request with the token %q", r.Header.Get("Authorization"))
		}
		return false
	})
	lights.StartTLS()
	var mu sync.Mutex
	moody := newReceiver(t, func(w http.ResponseWriter, _ *http.Request) bool {
		mu.Lock()
		mood := random.IntN(6)
		mu.Unlock()
		switch mood {
		case 0:
			w.WriteHeader(503)
		case 1:
			if c, _, err := w.(http.Hijacker).Hijack(); err == nil {
				c.(*net.TCPConn).SetLinger(0)
				c.Close()
			}
		}
		return mood < 2
	})
	moody.Start()
	never, err := net.Listen("tcp", "127.0.0.1:0") // the kernel takes connections, and nobody reads them
	if err != nil {
		t.Fatal(err)
	}
	defer never.Close()

	h.write("ca.pem", string(pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: lights.Certificate().Raw})))
	h.write("token", "open-sesame\n")
	h.write("longlane.toml", h.text("longlane.toml")+fmt.Sprintf(`
[[webhook]]
name = "lights"
url = "%s/trip?key=do-not-tell"
token_file = %q
ca_file = %q
required = true
from_start = true
[[webhook]]
name = "moody"
url = %q
required = true
from_start = true
[[webhook]]
name = "never"
url = "http://%s/"
`, lights.URL, h.path("token"), h.path("ca.pem"), moody.URL, never.Addr()))
	h.steady("20s")
	h.openHouse()
	gw := h.startGateway()
	sim := h.startSim("--drain")
	for range 4 {
		before := len(idsOf(h.records(), "released"))
		eventually(t, time.Minute, "receipts", func() bool { return len(idsOf(h.records(), "released")) > before+2 })
		gw.kill()
		gw = h.startGateway()
	}
	if code := sim.wait(2 * time.Minute); code != exitDone {
		t.Fatalf("the simulator ended with %d", code)
	}
	h.checkDelivered(time.Minute)
	released := idsOf(h.records(), "released")
	for name, r := range map[string]*receiver{"lights": lights, "moody": moody} {
		eventually(t, 2*time.Minute, name+" to have every event with a receipt", func() bool { return len(r.lacks(released)) == 0 })
	}
	_, text := h.get("/metrics")
	for name, want := range map[string]func(float64) bool{
		`longlane_webhook_events_total{outcome="taken",sink="lights"}`: func(v float64) bool { return v > 0 },
		`longlane_webhook_events_total{outcome="taken",sink="never"}`:  func(v float64) bool { return v == 0 },
		`longlane_sink_up{sink="mqtt"}`:                                func(v float64) bool { return v == 1 },
		`longlane_session_ends_total{reason="tls",sink="lights"}`:      func(v float64) bool { return v == 0 },
		`longlane_session_ends_total{reason="lost",sink="moody"}`:      func(v float64) bool { return v >= 0 },
	} {
		if v := metric(text, name); !want(v) {
			t.Errorf("%s is %v", name, v)
		}
	}
	if log := h.text("run.log"); strings.Contains(log, "open-sesame") || strings.Contains(log, "do-not-tell") {
		t.Error("the log tells a secret")
	}
	t.Logf("%d events with a receipt; repeats: lights %d, moody %d", len(released), lights.repeats(), moody.repeats())
}

// TestSilentWebhook: with webhooks that never answer the house hears each trip as soon as without, and the gateway stops as fast.
func TestSilentWebhook(t *testing.T) {
	t.Parallel()
	median := map[bool]float64{}
	for _, silent := range []bool{false, true} {
		h := newHouse(t, "river-gate", "cattle-grid")
		for i := range 5 {
			l, err := net.Listen("tcp", "127.0.0.1:0")
			if err != nil {
				t.Fatal(err)
			}
			defer l.Close()
			if silent {
				h.write("longlane.toml", h.text("longlane.toml")+fmt.Sprintf("[[webhook]]\nname = \"never-%d\"\nurl = \"http://%s/\"\nrequired = %v\n", i, l.Addr(), i%2 == 0))
			}
		}
		h.openHouse()
		h.steady("8s")
		gw := h.startGateway()
		sim := h.startSim("--drain")
		if code := sim.wait(2 * time.Minute); code != exitDone {
			t.Fatalf("the simulator ended with %d", code)
		}
		h.checkDelivered(time.Minute)
		ages := []float64{}
		for _, d := range h.sub.all() {
			if d.event.Type == "longlane.trip.opened" && d.event.Data.Attempt == 0 && d.event.Data.Age != nil {
				ages = append(ages, *d.event.Data.Age)
			}
		}
		if len(ages) < 3 {
			t.Fatalf("%d trips came with their first attempt", len(ages))
		}
		slices.Sort(ages)
		median[silent] = ages[len(ages)/2]
		if silent {
			_, text := h.get("/metrics")
			if v := metric(text, `longlane_queue_waiting_events{sink="never-0"}`); v < float64(len(ages)) {
				t.Errorf("%v events wait for a webhook that never answers", v)
			}
		}
		began := time.Now()
		if code := gw.stop(); code != exitDone {
			t.Errorf("the gateway ended with %d", code)
		}
		if took := time.Since(began); took > 10*time.Second {
			t.Errorf("the gateway took %v to stop", took)
		}
	}
	t.Logf("median age at publication: %.3f s, with silent webhooks %.3f s", median[false], median[true])
	if median[true] > median[false]+0.5 { // a wait for such a webhook would take 10 s
		t.Errorf("median age at publication: %.3f s, with silent webhooks %.3f s", median[false], median[true])
	}
}

// pythonServer is an HTTP server that somebody else wrote: it checks the token, sends on, keeps waiting, hangs up, and takes.
const pythonServer = `
import http.server, json, os, time
class H(http.server.BaseHTTPRequestHandler):
    protocol_version = "HTTP/1.1"
    n = 0
    def log_message(self, *a): pass
    def say(self, code, text=b"", **h):
        self.send_response(code)
        for k, v in h.items(): self.send_header(k.replace("_", "-"), v)
        self.send_header("Content-Length", str(len(text)))
        self.end_headers()
        self.wfile.write(text)
    def do_POST(self):
        body = self.rfile.read(int(self.headers["Content-Length"]))
        if self.headers["Authorization"] != "Bearer open-sesame":
            return self.say(401, b"who are you?\n")
        if self.path == "/old":
            return self.say(308, Location="/new")
        H.n += 1
        if H.n == 2: return self.say(429, Retry_After="1")
        if H.n == 3: time.sleep(2)
        if H.n == 4:
            self.close_connection = True
            return self.connection.close()
        json.loads(body)
        os.write(1, f'{self.headers["ce-id"]} {self.path}\n'.encode()) # in one piece: two threads that print mix their words
        self.say(200, b"taken\n")
s = http.server.ThreadingHTTPServer(("127.0.0.1", 0), H)
print(s.server_port, flush=True)
s.serve_forever()
`

// TestWebhookPython: against an HTTP server of another make, what is taken comes through, a wrong token is told of, once.
func TestWebhookPython(t *testing.T) {
	t.Parallel()
	cmd := exec.Command(programPath(t, "python3"), "-c", pythonServer)
	out, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	lines := bufio.NewScanner(out)
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	var mu sync.Mutex
	taken, odd := map[string]bool{}, []string{}
	read := make(chan struct{})
	t.Cleanup(func() {
		cmd.Process.Kill()
		<-read
		cmd.Wait()
	})
	lines.Scan()
	port := lines.Text()
	go func() { // ends with the process
		defer close(read)
		for lines.Scan() {
			words := strings.Fields(lines.Text())
			mu.Lock()
			if len(words) == 2 {
				taken[words[0]] = words[1] == "/new"
			} else {
				odd = append(odd, lines.Text())
			}
			mu.Unlock()
		}
	}()
	h := newHouse(t, "river-gate", "cattle-grid")
	h.write("token", "open-sesame\n")
	h.write("wrong", "close-sesame\n")
	for name, token := range map[string]string{"panel": "token", "siren": "wrong"} {
		h.write("longlane.toml", h.text("longlane.toml")+fmt.Sprintf("[[webhook]]\nname = %q\nurl = \"http://127.0.0.1:%s/old\"\ntoken_file = %q\n"+
			"timeout = \"1s\"\nmax_age = \"0s\"\nevents = [\"opened\", \"closed\"]\nrequired = true\nfrom_start = true\n"+
			"body = '{\"zone\": {{json .Zone}}, \"id\": {{json .ID}}}'\n", name, port, h.path(token)))
	}
	h.openHouse()
	h.steady("8s")
	h.startGateway()
	sim := h.startSim("--drain")
	if code := sim.wait(2 * time.Minute); code != exitDone {
		t.Fatalf("the simulator ended with %d", code)
	}
	h.checkDelivered(time.Minute)
	eventually(t, time.Minute, "the server to have every event with a receipt", func() bool {
		mu.Lock()
		defer mu.Unlock()
		if len(odd) > 0 {
			t.Fatalf("the server printed %q, want an id and a path each", odd)
		}
		for id := range idsOf(h.records(), "released") {
			if !taken[id] {
				return false
			}
		}
		return true
	})
	faults := []string{}
	for _, d := range h.sub.all() {
		if d.event.Data.Code == "given-up" {
			faults = append(faults, d.event.Data.Detail)
		}
	}
	if len(faults) != 1 || !strings.Contains(faults[0], "siren does not take ") || !strings.Contains(faults[0], `answered 401 Unauthorized, and says "who are you?"`) {
		t.Errorf("faults %q, want one that names the siren's answer", faults)
	}
	_, text := h.get("/metrics")
	if v := metric(text, `longlane_webhook_events_total{outcome="given-up",sink="siren"}`); v < 2 {
		t.Errorf("%v events were given up for a wrong token", v)
	}
	if v := metric(text, `longlane_webhook_events_total{outcome="retried",sink="panel"}`); v < 2 { // one of the three goes again at once, over a new connection
		t.Errorf("%v requests went again, want at least 2", v)
	}
}

// nginxConf has another HTTP server check the token, and pass on what it takes. By its number on its
// connection a request finds it too busy, or is hung up on without a word, or goes to one behind that never answers.
const nginxConf = `
daemon off;
master_process off;
pid nginx.pid;
events {}
http {
	client_body_temp_path temp; proxy_temp_path temp; fastcgi_temp_path temp; uwsgi_temp_path temp; scgi_temp_path temp;
	log_format said "$uri $status $http_ce_id";
	access_log nginx.log said;
	map "$uri $connection_requests" $mood { "/busy 4" busy; "/reset 2" reset; }
	map "$uri $connection_requests" $to { "/slow 2" %[3]s; default %[2]s; }
	server {
		listen %[1]s;
		location / {
			if ($http_authorization != "Bearer open-sesame") { return 401 "who are you?\n"; }
			if ($mood = reset) { return 444; }
			if ($mood = busy) { add_header Retry-After 1 always; return 429; }
			proxy_pass http://$to;
		}
		location /old { return 308 /busy; }
		location /away { return 307 http://%[4]s/; }
	}
	server {
		listen %[4]s;
		location / { access_log elsewhere.log; return 200; }
	}
}
`

// TestWebhookNginx: behind nginx, whatever it answers, each event with a receipt is taken; a wrong token and a redirect to another place are
// told of, once, and nothing goes there.
func TestWebhookNginx(t *testing.T) {
	t.Parallel()
	h := newHouse(t, "river-gate", "cattle-grid")
	r := newReceiver(t, nil)
	r.Start()
	never, err := net.Listen("tcp", "127.0.0.1:0") // the kernel takes connections, and nobody reads them
	if err != nil {
		t.Fatal(err)
	}
	defer never.Close()
	nginx := freeAddr(t)
	h.write("nginx.conf", fmt.Sprintf(nginxConf, nginx, r.Listener.Addr(), never.Addr(), freeAddr(t)))
	startProcess(t, exec.Command(programPath(t, "nginx"), "-p", h.dir, "-c", h.path("nginx.conf"), "-e", h.path("nginx-errors.log")))
	eventually(t, time.Minute, "nginx to listen", func() bool {
		c, err := net.Dial("tcp", nginx)
		if err == nil {
			c.Close()
		}
		return err == nil
	})
	h.write("token", "open-sesame\n")
	h.write("wrong", "close-sesame\n")
	for _, hook := range [][3]string{{"busy", "old", "token"}, {"slow", "slow", "token"}, {"reset", "reset", "token"}, {"siren", "busy", "wrong"}, {"moved", "away", "token"}} {
		h.write("longlane.toml", h.text("longlane.toml")+fmt.Sprintf("[[webhook]]\nname = %q\nurl = \"http://%s/%s\"\ntoken_file = %q\n"+
			"timeout = \"1s\"\nmax_age = \"0s\"\nevents = [\"opened\", \"closed\"]\nrequired = true\nfrom_start = true\n", hook[0], nginx, hook[1], h.path(hook[2])))
	}
	h.openHouse()
	h.steady("8s")
	h.startGateway()
	sim := h.startSim("--drain")
	if code := sim.wait(2 * time.Minute); code != exitDone {
		t.Fatalf("the simulator ended with %d", code)
	}
	h.checkDelivered(time.Minute)
	events := func(outcome, sink string) float64 {
		_, text := h.get("/metrics")
		return metric(text, fmt.Sprintf("longlane_webhook_events_total{outcome=%q,sink=%q}", outcome, sink))
	}
	released := idsOf(h.records(), "released")
	for sink, want := range map[string]string{"busy": "taken", "slow": "taken", "reset": "taken", "siren": "given-up", "moved": "given-up"} {
		eventually(t, 2*time.Minute, fmt.Sprintf("every event with a receipt to be %s for %s", want, sink), func() bool { return events(want, sink) >= float64(len(released)) })
	}
	if list := r.lacks(released); len(list) > 0 {
		t.Errorf("behind nginx these never came: %q", list)
	}
	for _, line := range []string{"/old 308 ", "/busy 429 ", "/reset 444 ", "/slow 499 ", "/busy 401 ", "/away 307 "} { // 499: the client did not wait
		if !strings.Contains("\n"+h.text("nginx.log"), "\n"+line) {
			t.Errorf("nginx has not answered %sonce:\n%s", line, h.text("nginx.log"))
		}
	}
	for _, sink := range []string{"busy", "slow"} { // what was reset goes again at once, over a new connection
		if events("retried", sink) == 0 {
			t.Errorf("no request of %s went again", sink)
		}
	}
	if text := h.text("elsewhere.log"); text != "" {
		t.Errorf("to the other place went %s", text)
	}
	told := func() (faults string) {
		for _, d := range h.sub.all() {
			if d.event.Data.Code == "given-up" {
				faults += d.event.Data.Detail + "\n"
			}
		}
		return faults
	}
	for _, want := range []string{"siren does not take ", `answered 401 Unauthorized, and says "who are you?"`, "moved does not take ", "answered 307 Temporary Redirect, a redirect to "} {
		eventually(t, time.Minute, "the fault that says "+want, func() bool { return strings.Contains(told(), want) })
		if n := strings.Count(told(), want); n != 1 {
			t.Errorf("%q is said %d times:\n%s", want, n, told())
		}
	}
	if log := h.text("run.log") + h.text("nginx-errors.log"); strings.Contains(log, "-sesame") {
		t.Error("a log tells a token")
	}
}

// TestCheckWebhook: check says what a webhook would be sent, and finds a token that others can read.
func TestCheckWebhook(t *testing.T) {
	h := newHouse(t, "river-gate")
	h.write("token", "open-sesame\n")
	config := h.text("longlane.toml") + fmt.Sprintf(`
[[webhook]]
name = "lights"
url = "http://lights.lan/T0PSECRET?key=do-not-tell"
token_file = %q
events = ["opened"]
zones = ["river-gate"]
body = '{"say": {{json .Title}}}'
`, h.path("token"))
	h.write("longlane.toml", config)
	code, out, errs := cli("", "check", "--config", h.path("longlane.toml"))
	for _, want := range []string{"  webhook lights: POST to http://lights.lan; opened, of the zones river-gate, up to 1m old\n",
		"    its token goes there unencrypted", `    sample body (application/json): {"say": "River gate"}` + "\n"} {
		if code != exitDone || !strings.Contains(out, want) {
			t.Errorf("check: exit code %d, %s%s\nwant %q", code, out, errs, want)
		}
	}
	if strings.Contains(out, "T0PSECRET") || strings.Contains(out, "do-not-tell") || strings.Contains(out, "sesame") {
		t.Errorf("check tells a secret:\n%s", out)
	}
	_, out, _ = cli("", "check", "--json", "--config", h.path("longlane.toml"))
	if !strings.Contains(out, `"sample_body": "{\"say\": \"River gate\"}"`) {
		t.Errorf("check --json lacks the body:\n%s", out)
	}
	if err := os.Chmod(h.path("token"), 0o644); err != nil {
		t.Fatal(err)
	}
	if code, _, errs := cli("", "check", "--config", h.path("longlane.toml")); code != exitUsage || !strings.Contains(errs, "webhook[0].token_file") || !strings.Contains(errs, "chmod 600") {
		t.Errorf("check: exit code %d, %s; want it to refuse a token that others can read", code, errs)
	}
	if code := h.startGateway().wait(time.Minute); code != exitUsage {
		t.Errorf("the gateway ended with %d, want %d", code, exitUsage)
	}
	h.write("none", "to ken\n")
	h.write("longlane.toml", strings.Replace(config, h.path("token"), h.path("none"), 1))
	if code, _, errs := cli("", "check", "--config", h.path("longlane.toml")); code != exitUsage || !strings.Contains(errs, "expected the token alone") || strings.Contains(errs, "to ken") {
		t.Errorf("check: exit code %d, %s; want it to refuse a token with a space", code, errs)
	}
}
