package daemon

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"log/slog"
	"math"
	"math/rand/v2"
	"net/url"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"time"

	"golang.org/x/sys/unix"

	"longlane/gateway"
	"longlane/gateway/airtime"
	"longlane/gateway/config"
	"longlane/gateway/wholefile"
	"longlane/radio/contact"
	"longlane/radio/gpio"
	"longlane/radio/modem"
	"longlane/radio/node"
	"longlane/radio/unit"
	"longlane/radio/use"
)

// ErrNodeState is returned by NewNode when another process uses the node's state directory.
var ErrNodeState = errors.New("another process uses this state directory")

// Node is a gate node or a relay on a board, and all that it stands on.
type Node struct {
	unit   *unit.Unit
	log    *slog.Logger
	starts uint32 // this one included
	opened
}

// memoryFile holds the node's lasting memory, in its state directory.
const memoryFile = "memory"

// NewNode opens state directory, ledger and modem. On an error everything is closed again.
func NewNode(cfg *config.Node, card node.Card, log *slog.Logger) (*Node, error) {
	return newNode(cfg, card, log, nodeHooks{})
}

// nodeHooks are told what a node observes and what becomes of its frames; see unit.Options. saved follows each write of its memory.
type nodeHooks struct {
	observed func(node.Observed)
	sent     func(node.Transmit, error)
	saved    func()
}

func newNode(cfg *config.Node, card node.Card, log *slog.Logger, hooks nodeHooks) (*Node, error) {
	n := &Node{log: log}
	if err := n.open(cfg, card, hooks); err != nil {
		return nil, errors.Join(err, n.shut())
	}
	return n, nil
}

func (n *Node) open(cfg *config.Node, card node.Card, hooks nodeHooks) error {
	clock, err := gateway.SystemClock()
	if err != nil {
		return err
	}
	store, saved, err := n.openState(cfg.State)
	if err != nil {
		return err
	}
	register := airtime.OpenRegister(store, []string{cfg.Modem.Device}, saved == nil)
	k, err := keep(cfg.Modem, airtime.Options{Use: use.Of, Store: store, Register: register}, clock, n.log)
	if err != nil {
		return err
	}
	n.close = append(n.close, k.Close)
	if err := register.Save(); err != nil {
		return err
	}
	link, err := newModem(cfg.Modem, k.Permit, n.log)
	if err != nil {
		return err
	}
	o := unit.Options{Node: nodeConfig(cfg, card), Saved: saved, Link: link, Now: contact.Now, Log: n.log, TestEvery: time.Duration(cfg.TestEvery), Observed: hooks.observed, Sent: hooks.sent,
		Save: func(saved []byte) error {
			err := store.Put(memoryFile, saved)
			if err == nil && hooks.saved != nil {
				hooks.saved()
			}
			return err
		},
		Measure: func() node.Measured { return measured(cfg.Measure, link) }}
	for i := range cfg.Input {
		in := &cfg.Input[i]
		o.Inputs = append(o.Inputs, unit.Input{Number: uint8(in.Number), Source: inputSource(in)})
		if words := Unsupervised(in); words != "" {
			n.log.Warn(words, "input", in.Number)
		}
	}
	if t := cfg.Tamper; t != nil {
		o.Tamper = &unit.Tamper{Source: source(t.Command, false, t.Alive, t.GPIO, nil), NormallyClosed: t.NormallyClosed}
	}
	if n.unit, err = unit.New(o); err != nil {
		return err
	}
	what := "this node watches"
	if cfg.Relay {
		what = "this relay passes on what it hears"
		if cfg.Supply == "battery" {
			n.log.Warn(Listening)
		}
	}
	n.log.Info(what, "node", card.Name, "id", card.Node, "site", card.Site, "generation", card.Gen, "inputs", len(cfg.Input),
		"tamper", cfg.Tamper != nil, "state", cfg.State)
	return nil
}

// Run works until ctx ends, then stops in order and closes everything. After a stop that was asked for it returns nil.
func (n *Node) Run(ctx context.Context) error {
	err := errors.Join(n.unit.Run(ctx), n.shut())
	if err == nil {
		n.log.Info("stopped")
	}
	return err
}

// Test has a test trip made of each input, at once.
func (n *Node) Test() { n.unit.Test() }

// openState takes the directory for this process alone, and gives what lasting memory holds: what belongs in that of a node
// that never ran if the directory is empty, and nil if the memory is gone.
func (n *Node) openState(dir string) (store files, saved []byte, err error) {
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return store, nil, fmt.Errorf("make state directory: %w", err)
	}
	lock, err := os.Open(dir)
	if err != nil {
		return store, nil, fmt.Errorf("open state directory: %w", err)
	}
	n.close = append(n.close, lock.Close)
	if err := unix.Flock(int(lock.Fd()), unix.LOCK_EX|unix.LOCK_NB); errors.Is(err, unix.EWOULDBLOCK) {
		return store, nil, fmt.Errorf("%w: %s; each node needs one of its own", ErrNodeState, dir)
	} else if err != nil {
		return store, nil, fmt.Errorf("lock state directory %s: %w", dir, err)
	}
	store = files{dir}
	ranBefore, err := store.any()
	if err != nil {
		return store, nil, fmt.Errorf("open state directory: %w", err)
	}
	if !ranBefore {
		n.starts = 1
		return store, node.FirstSaved(), nil
	}
	saved, err = store.Get(memoryFile)
	var whole node.Saved
	if err == nil && saved != nil {
		err = whole.UnmarshalBinary(saved)
	}
	if err != nil || saved == nil {
		n.log.Error("this node's lasting memory cannot be read", "file", filepath.Join(dir, memoryFile), "err", err)
		return store, nil, nil
	}
	n.starts = whole.Starts + 1
	return store, saved, nil
}

// files keeps small values, each in a file of its own, which is there whole or not at all.
type files struct{ dir string }

func (f files) path(name string) string { return filepath.Join(f.dir, url.PathEscape(name)) }

// Get implements airtime.Store.
func (f files) Get(name string) ([]byte, error) {
	b, err := os.ReadFile(f.path(name))
	if errors.Is(err, fs.ErrNotExist) {
		return nil, nil
	}
	return b, err
}

// Put implements airtime.Store.
func (f files) Put(name string, value []byte) error {
	return wholefile.Write(f.path(name), value, wholefile.Options{})
}

// any reports whether anything was ever put; what a cut left half written begins with a dot, and a survey's record is no part of
// a node's memory.
func (f files) any() (bool, error) {
	list, err := os.ReadDir(f.dir)
	for _, e := range list {
		if !strings.HasPrefix(e.Name(), ".") && !isRecord(e.Name()) {
			return true, err
		}
	}
	return false, err
}

func nodeConfig(cfg *config.Node, card node.Card) node.Config {
	c := card.Config()
	c.Mains, c.CheckIn, c.LowBattery = cfg.Supply == "mains", time.Duration(cfg.Checkin.Period), cfg.Measure.LowBattery
	c.Seed, c.Relay, c.Modem = rand.Uint64(), cfg.Relay, cfg.Modem.Settings()
	for i := range cfg.Input {
		in := &cfg.Input[i]
		c.Inputs = append(c.Inputs, node.InputConfig{Number: uint8(in.Number), NormallyClosed: in.NormallyClosed,
			Supervised: inputSource(in).Supervised(), Debounce: time.Duration(in.Debounce), MinDwell: time.Duration(in.MinDwell)})
	}
	return c
}

// inputSource is how an input is read.
func inputSource(in *config.Input) contact.Source {
	return source(in.Command, in.Supervised, in.Alive, in.GPIO, in.Wire)
}

func source(command []string, words bool, alive config.Duration, line, wire *config.Pin) contact.Source {
	if line == nil {
		return &contact.Command{Argv: command, Words: words, Alive: time.Duration(alive)}
	}
	g := &contact.GPIO{Line: pin(line)}
	if wire != nil {
		g.Wire = new(pin(wire))
	}
	return g
}

var biases = map[string]gpio.Bias{"pull-up": gpio.PullUp, "pull-down": gpio.PullDown, "none": gpio.NoBias, "as-is": gpio.AsIs}

func pin(p *config.Pin) gpio.Options {
	return gpio.Options{Chip: p.Chip, Line: p.Line, ActiveLow: p.ActiveLow, Bias: biases[p.Bias]}
}

// Listening says what a relay costs whoever feeds it from a battery. The receivers' currents are those of the SX1261/2 and SX1276
// datasheets; the boards' are common practice, no source.
const Listening = "a relay listens all the time, and this one lives on a battery: the modem's receiver takes 5 to 12 mA, and a Linux board " +
	"mostly 100 to 500 mA, which is 2.4 to 12 Ah a day; without mains it needs a panel that brings that in winter, or it falls silent with all behind it"

// Unsupervised says what nobody will notice about an input whose wire is not supervised; "" if it is.
func Unsupervised(in *config.Input) string {
	const radioOnly = "radio only: what is watched is the way by radio, not the wire to this contact: "
	switch {
	case inputSource(in).Supervised():
		return ""
	case in.NormallyClosed:
		return radioOnly + "a cut looks like an arrival that does not end, and of one that is shorted no arrival is heard"
	}
	return radioOnly + "of one that is cut no arrival is heard, and a short looks like an arrival that does not end"
}

// measured reads what the board tells of itself; what cannot be read is not measured.
func measured(m config.Measure, link *modem.Modem) node.Measured {
	return node.Measured{Battery: number(m.BatteryFile) * m.BatteryUnit, Temperature: number(m.TemperatureFile) / 1000, Noise: noiseOf(link)()}
}

func number(path string) float64 {
	if path == "" {
		return math.NaN()
	}
	b, err := os.ReadFile(path)
	if err != nil {
		return math.NaN()
	}
	v, err := strconv.ParseFloat(strings.TrimSpace(string(b)), 64)
	if err != nil || math.IsInf(v, 0) {
		return math.NaN()
	}
	return v
}
