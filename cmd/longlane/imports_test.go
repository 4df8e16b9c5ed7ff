package main

import (
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os/exec"
	"slices"
	"strings"
	"testing"
)

const module = "longlane"

// rule says what one package may import, tests apart. The folders are the architecture, and arrows point down only:
// this table is what keeps it so.
type rule struct {
	project []string // packages of the project; "radio/*" stands for all below radio, "*" for all
	modules []string // modules of others, with all their packages
	std     []string // packages of the standard library that it must do without
	why     string   // why the package imports no more than that
}

// effects are what a package without I/O must do without: each of them lets the outside in. log/slog is not among
// them, because a type that holds a key says through it that it must not be logged.
var effects = []string{"os", "net", "net/http", "os/exec", "syscall", "io/ioutil"}

var imports = map[string]rule{
	"cmd/longlane": {
		project: []string{"*"},
		modules: []string{"golang.org/x/term", "github.com/mdp/qrterminal/v3", "github.com/agext/levenshtein"},
		why:     "it turns flags and files into options and decides nothing; what needs a library lives in the package that owns it",
	},
	"cmd/bench": {
		project: []string{"gateway", "gateway/memory", "gateway/mqtt", "gateway/roster", "queue", "radio", "radio/lora", "radio/modem", "radio/serialport", "proto"},
		modules: []string{"go.etcd.io/bbolt", "github.com/eclipse/paho.mqtt.golang", "golang.org/x/sys"},
		why:     "it measures what the packages do beside what the bare modules do, and nothing of it goes into the gateway",
	},
	"cmd/bench/player": {
		modules: []string{"golang.org/x/sys"},
		std:     []string{"fmt", "net", "encoding/json"},
		why:     "its start is in what is measured, so it imports next to nothing",
	},
	"gateway/daemon": {
		project: []string{"gateway", "gateway/*", "radio", "radio/*", "queue", "queue/*", "proto"},
		modules: []string{"golang.org/x/sys"},
		why:     "it wires the packages together and owns their lifecycle; work of its own belongs below it",
	},
	"gateway/config": {
		project: []string{"proto", "gateway/passage", "radio/beam", "radio/lane", "radio/lane/drawing", "radio/modem/lines", "radio/lora", "radio/node", "radio/route", "gateway/annunciator/chime", "gateway/webhook/body"}, // pure all: they judge what the tables of a modem and of a webhook say, a node's card, notes, and a place
		modules: []string{"github.com/pelletier/go-toml/v2", "github.com/agext/levenshtein"},
		why:     "it knows the file, not what is done with it, so that every program of the project can read its files through it",
	},
	"gateway/health": {
		project: []string{"proto", "radio/lora"},
		std:     effects,
		why:     "it judges what was observed, by times that are handed in: weeks are tried in a moment, and a verdict comes out the same from a record",
	},
	"gateway/picture": {
		project: []string{"gateway", "gateway/board", "gateway/logbook", "gateway/passage", "queue/history", "queue/history/watched"},
		std:     []string{"os", "net", "net/http"},
		why:     "it makes the page's data of what the core observes and of the history; it decides nothing",
	},
	"gateway/passage": {
		project: []string{"radio/beam"},
		std:     effects,
		why:     "it reckons with times that are handed in, so that a live feed and the records of years are judged by the same code, and tried against a known truth",
	},
	"gateway/board": {
		project: []string{"gateway/health", "queue/history/period"},
		modules: []string{"golang.org/x/crypto/bcrypt"},
		std:     []string{"os", "os/exec", "syscall"},
		why:     "it shows what it is handed, by an interface that the gateway fills: it reaches neither disk nor radio, so the page can be tried with any site",
	},
	"gateway/board/client": {
		project: []string{"gateway/board", "gateway/health"}, // for their types
		std:     []string{"os", "os/exec", "syscall"},
		why:     "it knows a gateway by its API alone, as any other program would",
	},
	"gateway/annunciator": {
		std: effects,
		why: "what sounds and what does not is decided without I/O or clock, so that every rule is tried in virtual time",
	},
	"gateway/annunciator/chime": {
		std: effects,
		why: "it is arithmetic from notes to samples; who plays them, and on what, is for others to know",
	},
	"gateway/annunciator/output": {
		project: []string{"radio/gpio"},
		modules: []string{"golang.org/x/sys"},
		why:     "it runs what it is told, once; what an event is, and whether it may be heard, is decided before",
	},
	"gateway/annunciator/unit": {
		project: []string{"gateway/annunciator", "gateway/annunciator/*", "gateway/mqtt", "gateway/wholefile"},
		modules: []string{"golang.org/x/sys"},
		why:     "it drives the state machine with broker, helpers and disk; what the config calls these is decided above",
	},
	"gateway/memory": {
		project: []string{"gateway", "queue"},
		std:     []string{"os", "net"},
		why:     "it stands in for the disk where there is to be none",
	},
	"gateway/rehearsal": {
		project: []string{"gateway", "gateway/airtime", "gateway/memory", "gateway/roster", "proto", "radio", "radio/ether", "radio/lora", "radio/node", "radio/route", "radio/use"},
		modules: []string{"github.com/HdrHistogram/hdrhistogram-go"},
		why:     "it puts the whole house together in virtual time; what the house does is not decided here",
	},
	"gateway/airtime": {
		project: []string{"radio", "radio/lora"},
		why:     "it decides what may be sent, by a ledger and a clock that are handed in: neither the modem nor the core can go round what they do not reach",
	},
	"gateway/planfiles": {
		project: []string{"gateway/config", "gateway/rehearsal", "proto", "radio/beam", "radio/ether", "radio/lane", "radio/lora", "radio/node", "radio/paragraph", "radio/plan", "radio/survey"}, // what will read the files, to try them by
		std:     effects,
		why:     "it gives files as bytes, so that they can all be judged before one of them is written; where they go is decided above",
	},
	"gateway/rehearsal/chart": {
		project: []string{"gateway/rehearsal"},
		modules: []string{"gonum.org/v1/plot"},
		std:     effects,
		why:     "it draws a report onto an io.Writer; a picture needs to know nothing else",
	},
	"gateway/wholefile": {
		modules: []string{"golang.org/x/sys"},
		why:     "it puts bytes on the disk in one piece, whatever they are",
	},
	"gateway/roster": {
		project: []string{"proto", "gateway/wholefile", "radio/node"}, // for the card alone
		why:     "it keeps the site's secret: the fewer packages reach it or are reached from it, the better",
	},
	"gateway/backup": {
		project: []string{"gateway", "gateway/config", "gateway/logbook", "gateway/mqtt", "gateway/roster", "gateway/wholefile", "queue/history"},
		modules: []string{"filippo.io/age", "golang.org/x/sys"},
		why:     "it holds the site's secret in the clear for a moment: no more packages than it needs to read, judge and write the files",
	},
	"gateway": {
		project: []string{"proto", "radio", "radio/lora", "radio/route", "radio/use", "queue", "gateway/health", "gateway/roster", "gateway/wholefile"},
		modules: []string{"golang.org/x/sys"},
		why:     "the core must run the same with any bearer and any sink, so it knows neither; what is wrong with the site is judged beside it, without I/O",
	},
	"gateway/logbook": {
		project: []string{"gateway/passage", "radio/beam", "gateway", "queue/history", "queue/history/watched"},
		why:     "it keeps a history of what the core tells it, through what any receiver is given: nothing in it can be in a trip's way",
	},
	"gateway/mqtt": {
		project: []string{"gateway", "queue", "proto", "radio"},
		modules: []string{"github.com/eclipse/paho.mqtt.golang", "github.com/mochi-mqtt/server/v2", "golang.org/x/sys"},
		why:     "it is the one place that knows MQTT; it takes events from the core and knows no bearer's package",
	},
	"gateway/webhook/body": {
		std: effects,
		why: "a template is pure text, so that the config can be judged by the very code that requests are made with",
	},
	"gateway/webhook": {
		project: []string{"gateway", "gateway/webhook/body"},
		why:     "it is the one place that speaks to HTTP servers; it takes events from the core and knows no file but the certificates",
	},
	"gateway/metrics": {
		project: []string{"gateway", "gateway/mqtt", "queue", "radio", "radio/*", "proto"},
		modules: []string{"github.com/prometheus/client_golang", "github.com/prometheus/client_model"},
		why:     "it reads what others have counted; it controls nothing",
	},
	"queue": {
		project: []string{"queue/datafile", "queue/pages", "queue/seal"},
		modules: []string{"go.etcd.io/bbolt", "golang.org/x/sys"},
		why:     "it keeps bytes and knows nothing of what they mean, so its promise can be tested alone",
	},
	"queue/pages": {
		std: effects,
		why: "it judges bytes that may be anything, through an io.ReaderAt: with no way to the disk it can neither change it nor be ended by it",
	},
	"queue/datafile": {
		std: []string{"net", "net/http", "os/exec"},
		why: "it opens files for those who know what is in them",
	},
	"queue/seal": {
		std: effects,
		why: "both files seal their values alike, and neither may do it otherwise unseen",
	},
	"queue/history": {
		project: []string{"queue/datafile", "queue/pages", "queue/seal"},
		modules: []string{"go.etcd.io/bbolt"},
		why:     "years of records live in a file of their own, apart from the queue's duties",
	},
	"queue/history/period": {
		std: effects,
		why: "what \"yesterday\" means hangs on the words and on a time that is handed in, and on nothing else",
	},
	"queue/history/digest": {
		project: []string{"queue/history", "queue/history/watched"},
		std:     effects,
		why:     "what is said of the past comes out the same for the command, for the page and in a test",
	},
	"queue/history/watched": {
		project: []string{"queue/history"}, // for its types
		std:     effects,
		why:     "what counts as watched is decided without clock or disk, so that it can be held against the truth of many lives",
	},
	"radio": {
		std: effects,
		why: "it holds the types that all bearers share, and must cost nothing to import",
	},
	"radio/modem/lines": {
		project: []string{"radio"},
		std:     effects,
		why:     "patterns and templates are pure text, so that the config can be judged by the very code that the modem is read with",
	},
	"radio/modem": {
		project: []string{"radio", "radio/modem/lines"},
		std:     []string{"net", "os/exec", "syscall"}, // "os" it needs for the error of a missed deadline
		why:     "it speaks over an io.ReadWriteCloser, so that a tty, a pipe and a test twin are the same to it",
	},
	"radio/serialport": {
		project: []string{"radio"},
		modules: []string{"github.com/tarm/serial", "github.com/creack/pty", "golang.org/x/sys"},
		why:     "it opens and reopens a tty; what passes over it is for others to know",
	},
	"radio/wifi": {
		project: []string{"radio"},
		modules: []string{"golang.org/x/sys"},
		why:     "it is a bearer and carries frames without knowing them",
	},
	"radio/lora": {
		std: effects,
		why: "it is arithmetic: a formula with a source, and nothing that could make two runs differ",
	},
	"radio/beam": {
		std: effects,
		why: "who passes a beam, and for how long, is one table and one formula: the gateway judges by it and a plan is made by it, and neither reaches the other",
	},
	"radio/lane": {
		std: effects,
		why: "it is the geometry of a place: whoever plans, simulates or draws it gets the same answer, whatever file it came from",
	},
	"radio/lane/drawing": {
		project: []string{"radio/lane"},
		std:     effects,
		why:     "it reads bytes that may be anything; which file they came from, and what the lane makes of them, is for others to know",
	},
	"radio/path": {
		std: effects,
		why: "it is published formulas over numbers: where a profile comes from, and what of them to add up, is for others to know",
	},
	"radio/plan": {
		project: []string{"radio/beam", "radio/lane", "radio/lora", "radio/paragraph", "radio/path"},
		std:     effects,
		why:     "it is an answer about a place that is handed in: the same lane has the same plan, wherever it is asked for",
	},
	"radio/plan/picture": {
		project: []string{"radio/beam", "radio/lane", "radio/lora", "radio/path", "radio/plan"},
		modules: []string{"gonum.org/v1/plot"},
		std:     effects,
		why:     "it draws a plan onto an io.Writer; what the plan says is not decided here",
	},
	"radio/paragraph": {
		std: effects,
		why: "it sets words, and knows nothing of what they tell",
	},
	"radio/use": {
		project: []string{"proto", "radio/lora"},
		std:     effects,
		why:     "it is one rule for all who keep a ledger, whoever they are and whatever they send by",
	},
	"radio/route": {
		project: []string{"proto", "radio/lora"},
		std:     effects,
		why:     "it is arithmetic over what was heard, by times that are handed in: a route must come out the same in the simulator and on a board",
	},
	"radio/node": {
		project: []string{"proto", "radio/lora", "radio/route"},
		std:     effects,
		why:     "a node is a state machine without I/O or clock, so that the same code runs in the simulator and on a board",
	},
	"radio/gpio": {
		modules: []string{"golang.org/x/sys"},
		why:     "it asks the kernel for a pin and its edges; what a pin means is for others to know",
	},
	"radio/contact": {
		project: []string{"radio/gpio"},
		modules: []string{"golang.org/x/sys"},
		why:     "it reads positions; whether one is a trip is decided by the node's state machine alone",
	},
	"radio/unit": {
		project: []string{"proto", "radio", "radio/contact", "radio/node"},
		std:     effects,
		why:     "it drives a node by what is handed to it, contacts, link, clock and storage, so that all of it runs in a test without any of them",
	},
	"radio/survey": {
		project: []string{"proto", "radio", "radio/lora", "radio/node", "radio/paragraph"},
		std:     effects,
		why:     "it judges what a node observed, by times that are handed in: a verdict must come out the same from a record as at the gate",
	},
	"radio/ether/air": {
		project: []string{"radio/lora"},
		std:     effects,
		why:     "it is physics: a frame is its power, its time and its settings, whoever sent it and whatever it says",
	},
	"radio/ether": {
		project: []string{"radio", "radio/*", "proto"},
		why:     "the simulated air must not know the gateway it tests",
	},
	"proto": {
		std: effects,
		why: "frames are pure bytes: no clock, no log, no I/O; whoever writes a node in another language needs nothing but its page",
	},
}

// sole are the modules that one package has to itself, or two: if the module must be replaced, that is all that
// changes. cmd/bench uses some of them bare, to measure their owners against.
var sole = []struct {
	module string
	owners []string
	why    string
}{
	{"github.com/eclipse/paho.mqtt.golang", []string{"cmd/bench", "gateway/mqtt"}, "its tokens and sessions mislead whoever does not know how; one package does"},
	{"github.com/mochi-mqtt/server/v2", []string{"gateway/mqtt"}, "who talks to a broker must not care which one it is"},
	{"github.com/tarm/serial", []string{"radio/serialport"}, "it hangs or spins when a device is unplugged; one package guards against that"},
	{"go.etcd.io/bbolt", []string{"cmd/bench", "queue", "queue/history"}, "what is on disk has one owner, or its promise has none"},
	{"filippo.io/age", []string{"gateway/backup"}, "one package encrypts, and its choices (passphrase, cost) stand once"},
	{"gonum.org/v1/plot", []string{"gateway/rehearsal/chart", "radio/plan/picture"}, "it is large, and a picture is the last thing that others should depend on"},
	{"github.com/HdrHistogram/hdrhistogram-go", []string{"gateway/rehearsal"}, "others are given shares and times, whatever counted them"},
	{"github.com/prometheus/client_golang", []string{"gateway/metrics"}, "all names of metrics stand in one file; others count in plain fields"},
}

// within are the packages of the project that only some may import.
var within = []struct {
	pkg     string
	owners  []string
	because string
}{
	{"gateway/metrics", []string{"gateway/daemon"}, "metrics are read from outside; a package that imported them would count in two places"},
	{"cmd/longlane", nil, "a command is the top; what others need of it belongs below"},
	{"cmd/bench", nil, "a command is the top; what others need of it belongs below"},
}

// never are packages of the standard library that nobody may import.
var never = map[string]string{
	"log":      "there is one log, log/slog, and the daemon owns its form",
	"expvar":   "metrics have one home, gateway/metrics",
	"unsafe":   "no speed is worth a memory error in a thing that must run for years",
	"plugin":   "what runs is what was built",
	"net/rpc":  "frozen, and nothing here is called from afar",
	"net/smtp": "nothing leaves the place unless the config says so, and no setting sends mail",
}

// unsafeOwners need what never forbids for a system call that no library wraps.
var unsafeOwners = []string{"radio/serialport", "radio/gpio"}

// goPackage is what `go list -json` says of a package; test files do not count among its Imports.
type goPackage struct {
	ImportPath string
	Imports    []string
}

func TestImports(t *testing.T) {
	pkgs := listPackages(t)
	for _, v := range violations(pkgs) {
		t.Error(v)
	}
}

// listPackages asks the go command for all packages of the module, this one among them.
func listPackages(t *testing.T) []goPackage {
	t.Helper()
	cmd := exec.Command("go", "list", "-e", "-json=ImportPath,Imports", module+"/...")
	out, err := cmd.Output()
	if err != nil {
		var exit *exec.ExitError
		if errors.As(err, &exit) {
			t.Fatalf("go list: %v\n%s", err, exit.Stderr)
		}
		t.Fatalf("go list: %v", err)
	}
	var pkgs []goPackage
	for dec := json.NewDecoder(strings.NewReader(string(out))); ; {
		var p goPackage
		if err := dec.Decode(&p); errors.Is(err, io.EOF) {
			break
		} else if err != nil {
			t.Fatalf("read the output of go list: %v", err)
		}
		pkgs = append(pkgs, p)
	}
	if !slices.ContainsFunc(pkgs, func(p goPackage) bool { return p.ImportPath == module+"/cmd/longlane" }) {
		t.Fatalf("go list found %d packages, and this one is not among them", len(pkgs))
	}
	return pkgs
}

// violations returns what breaks the table, one sentence each.
func violations(pkgs []goPackage) []string {
	var out []string
	for _, p := range pkgs {
		name := strings.TrimPrefix(p.ImportPath, module+"/")
		r, ok := imports[name]
		if !ok {
			out = append(out, fmt.Sprintf("%s is not in the import table: add it to the table in cmd/longlane/imports_test.go, with what it may import and why", name))
			continue
		}
		for _, path := range p.Imports {
			if reason := verdict(name, r, path); reason != "" {
				out = append(out, fmt.Sprintf("%s must not import %s: %s", name, path, reason))
			}
		}
	}
	return out
}

// verdict returns why package name must not import path, or "" if it may.
func verdict(name string, r rule, path string) string {
	first, _, _ := strings.Cut(path, "/")
	switch {
	case first == module:
		return verdictProject(name, r, strings.TrimPrefix(path, module+"/"))
	case strings.Contains(first, "."):
		return verdictModule(name, r, path)
	case path == "unsafe" && slices.Contains(unsafeOwners, name):
		return ""
	case never[path] != "":
		return never[path]
	case slices.Contains(r.std, path):
		return r.why
	}
	return ""
}

func verdictProject(name string, r rule, pkg string) string {
	for _, w := range within {
		if w.pkg == pkg && !slices.Contains(w.owners, name) {
			return w.because
		}
	}
	for _, pattern := range r.project {
		below, all := strings.CutSuffix(pattern, "*")
		if pattern == pkg || all && strings.HasPrefix(pkg, below) {
			return ""
		}
	}
	return r.why
}

func verdictModule(name string, r rule, path string) string {
	for _, s := range sole {
		if inModule(path, s.module) && !slices.Contains(s.owners, name) {
			return fmt.Sprintf("%s alone may: %s", strings.Join(s.owners, " and "), s.why)
		}
	}
	if slices.ContainsFunc(r.modules, func(m string) bool { return inModule(path, m) }) {
		return ""
	}
	return "the module is not among those it may use: " + r.why
}

func inModule(path, module string) bool { return path == module || strings.HasPrefix(path, module+"/") }

// TestImportRules shows that each rule catches what it is there for.
func TestImportRules(t *testing.T) {
	for _, c := range []struct{ pkg, imports, want string }{
		{"gateway", "longlane/proto", ""},
		{"gateway", "fmt", ""},
		{"gateway", "longlane/radio/modem", "must run the same with any bearer"},
		{"gateway", "longlane/gateway/mqtt", "must run the same with any bearer"},
		{"gateway/mqtt", "github.com/eclipse/paho.mqtt.golang/packets", ""},
		{"gateway/daemon", "github.com/eclipse/paho.mqtt.golang", "gateway/mqtt alone may"},
		{"cmd/longlane", "github.com/mochi-mqtt/server/v2/listeners", "gateway/mqtt alone may"},
		{"radio/modem", "github.com/tarm/serial", "radio/serialport alone may"},
		{"gateway/config", "longlane/radio/modem/lines", ""},
		{"gateway/config", "longlane/radio/modem", "it knows the file"},
		{"radio/modem/lines", "longlane/radio/modem", "pure text"},
		{"gateway/roster", "filippo.io/age", "gateway/backup alone may"},
		{"gateway", "go.etcd.io/bbolt", "queue and queue/history alone may"},
		{"queue/history", "go.etcd.io/bbolt", ""},
		{"queue", "github.com/prometheus/client_golang/prometheus", "gateway/metrics alone may"},
		{"queue", "longlane/gateway", "keeps bytes"},
		{"cmd/longlane", "longlane/radio/ether", ""},
		{"cmd/longlane", "longlane/gateway/metrics", "read from outside"},
		{"gateway/daemon", "longlane/gateway/metrics", ""},
		{"gateway/daemon", "longlane/cmd/longlane", "a command is the top"},
		{"cmd/bench", "go.etcd.io/bbolt", ""},
		{"cmd/bench", "longlane/gateway/metrics", "read from outside"},
		{"cmd/longlane", "longlane/cmd/bench", "a command is the top"},
		{"proto", "os", "pure bytes"},
		{"proto", "longlane/radio", "pure bytes"},
		{"proto", "golang.org/x/sys/unix", "not among those it may use"},
		{"radio/node", "net", "state machine without I/O"},
		{"radio/node", "longlane/radio/route", ""},
		{"radio/route", "longlane/radio/node", "arithmetic over what was heard"},
		{"radio/ether", "longlane/gateway", "must not know the gateway"},
		{"radio/unit", "longlane/gateway/airtime", "handed to it"},
		{"radio/survey", "os", "judges what a node observed"},
		{"radio/contact", "unsafe", "memory error"},
		{"radio/gpio", "unsafe", ""},
		{"radio/ether", "longlane/radio/ether/air", ""},
		{"radio/ether/air", "longlane/radio/node", "it is physics"},
		{"radio", "log", "there is one log"},
		{"queue", "unsafe", "memory error"},
		{"radio/wifi", "example.org/queue", "not among those it may use"},
		{"radio/new", "fmt", "add it to the table"},
	} {
		got := violations([]goPackage{{ImportPath: module + "/" + c.pkg, Imports: []string{c.imports}}})
		if c.want == "" && len(got) > 0 || c.want != "" && (len(got) != 1 || !strings.Contains(got[0], c.want)) {
			t.Errorf("%s importing %s: %q, want a message with %q", c.pkg, c.imports, got, c.want)
		}
	}
}

// TestImportTableSaysWhy: a ban without a reason is an obstacle, not a rule.
func TestImportTableSaysWhy(t *testing.T) {
	for name, r := range imports {
		if len(r.why) < 20 {
			t.Errorf("%s: the table gives no reason", name)
		}
	}
	for _, s := range sole {
		for _, owner := range s.owners {
			if !slices.Contains(imports[owner].modules, s.module) {
				t.Errorf("%s owns %s, but its entry does not allow it", owner, s.module)
			}
		}
	}
}
