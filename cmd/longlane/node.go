package main

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"log/slog"
	"os"
	"os/signal"
	"strings"
	"syscall"
	"time"

	"longlane/gateway/config"
	"longlane/gateway/daemon"
	"longlane/radio/gpio"
	"longlane/radio/node"
)

const defaultNodeConfig = "/etc/longlane/node.toml"

var nodeCommand = command{
	name:    "node",
	brief:   "be the node at a gate, or a relay, on a small board with a modem: watch contacts, announce who comes, pass on",
	usage:   "[--config FILE] [--check [--json]]",
	example: "  longlane node --check --config node.toml\n  longlane node --config node.toml",
	run: func(ctx context.Context, c *call) error {
		path := c.String("config", defaultNodeConfig, "the node's configuration `file`")
		check := c.Bool("check", false, "say what is wrong with the file, or what the node would do, and end")
		asJSON := c.Bool("json", false, "with --check: print the result as JSON")
		if _, err := c.parse(0); err != nil {
			return err
		}
		if *asJSON && !*check {
			return badUsage("--json belongs to --check; `longlane node --help` shows an example")
		}
		cfg, card, err := config.LoadNode(*path)
		err = badConfig(err, "node.toml")
		switch {
		case *asJSON:
			return checkJSON(c, nil, nil, err)
		case err != nil:
			return err
		case *check:
			explainNode(c, *path, cfg, card)
			return nil
		}
		log := logger(c.err, cfg.Level())
		n, err := daemon.NewNode(cfg, card, log)
		if err != nil {
			return err
		}
		defer hurry(log)()
		defer onDemand(n, log)()
		return n.Run(ctx)
	},
}

// onDemand has the node make test trips whenever the process gets SIGUSR1. The function that it returns ends that.
func onDemand(n *daemon.Node, log *slog.Logger) (stop func()) {
	signals, done, ended := make(chan os.Signal, 1), make(chan struct{}), make(chan struct{})
	signal.Notify(signals, syscall.SIGUSR1)
	go func() {
		defer close(ended)
		for {
			select {
			case <-done:
				return
			case <-signals:
				log.Info("a test trip of each input was asked for")
				n.Test()
			}
		}
	}()
	return func() {
		signal.Stop(signals)
		close(done)
		<-ended
	}
}

// explainNode says what the node would do with a good config.
func explainNode(c *call, path string, cfg *config.Node, card node.Card) {
	what := "node"
	if cfg.Relay {
		what = "relay"
	}
	fmt.Fprintf(c.out, "%s is good: %s %d (%s), generation %d, of site %d, on %s, state in %s\n", path, what, card.Node, card.Name, card.Gen,
		card.Site, cfg.Supply, cfg.State)
	explainNodeModem(c, cfg.Modem)
	for i := range cfg.Input {
		in := &cfg.Input[i]
		trip := "closing"
		if in.NormallyClosed {
			trip = "opening"
		}
		fmt.Fprintf(c.out, "  input %d: %s; %s it is the trip, after %v\n", in.Number, readBy(in.Command, in.GPIO), trip, time.Duration(in.MinDwell))
		if words := daemon.Unsupervised(in); words != "" {
			fmt.Fprintf(c.out, "    %s\n", words)
		} else if in.Wire != nil {
			fmt.Fprintf(c.out, "    its wire is supervised by %s: a cut or a short is the fault \"input wire\"\n", readBy(nil, in.Wire))
		} else {
			fmt.Fprintln(c.out, "    its wire is supervised: a cut or a short is the fault \"input wire\"")
		}
		explainReader(c, in.Command, in.Alive, in.GPIO)
		if in.Wire != nil && in.Wire.Chip != in.GPIO.Chip { // one chip that is missing is told once
			explainReader(c, nil, 0, in.Wire)
		}
	}
	if t := cfg.Tamper; t != nil {
		fmt.Fprintf(c.out, "  tamper: %s\n", readBy(t.Command, t.GPIO))
		explainReader(c, t.Command, t.Alive, t.GPIO)
	} else {
		fmt.Fprintln(c.out, "  tamper: none; nobody hears of an opened box")
	}
	switch {
	case len(cfg.Input) == 0:
	case cfg.TestEvery == 0:
		fmt.Fprintln(c.out, "  test trips: on SIGUSR1 only; nobody hears of an output in the house that has failed until somebody comes")
	default:
		fmt.Fprintf(c.out, "  test trips: about every %v, and on SIGUSR1\n", time.Duration(cfg.TestEvery))
	}
	if cfg.Relay {
		fmt.Fprintf(c.out, "  relay: passes on what other nodes send; node %d must be enrolled with --relay, or the gateway sends no beacons for it\n", card.Node)
	}
	hears := "a modem on a serial port hears all the time"
	switch {
	case cfg.Relay && cfg.Supply == "battery":
		hears = "CAUTION: " + daemon.Listening
	case cfg.Supply == "battery":
		hears += ": size the battery for a receiver, and a board, that are never off"
	}
	fmt.Fprintln(c.out, "  "+hears)
}

func explainNodeModem(c *call, m *config.Modem) {
	fmt.Fprintf(c.out, "  modem %s: %s, %.3f MHz, SF%d, %d kHz; transmits at %d dBm\n", m.Name, m.Device, float64(m.Frequency)/1e6,
		m.SpreadingFactor, m.Bandwidth/1000, m.Power)
	explainRules(c, m)
	explainLines(c, m)
}

func readBy(command []string, pin *config.Pin) string {
	if pin == nil {
		return "the command " + strings.Join(command, " ")
	}
	return fmt.Sprintf("%s line %d", pin.Chip, pin.Line)
}

// explainReader says what can be seen now to stand in the way of reading a contact, and what nobody would see later.
func explainReader(c *call, command []string, alive config.Duration, pin *config.Pin) {
	if pin == nil {
		if info, err := os.Stat(command[0]); errors.Is(err, fs.ErrNotExist) {
			fmt.Fprintf(c.out, "    note: there is no %s: until it is there this contact is a fault\n", command[0])
		} else if err != nil {
			fmt.Fprintf(c.out, "    note: %v: until it can be run this contact is a fault\n", err)
		} else if info.IsDir() || info.Mode()&0o111 == 0 {
			fmt.Fprintf(c.out, "    note: %s is no program that can be run: until it is this contact is a fault\n", command[0])
		}
		if alive == 0 {
			fmt.Fprintln(c.out, "    note: if the command hangs without ending, nobody notices; `alive` sets how long it may be silent")
		}
		return
	}
	if _, err := os.Stat(pin.Chip); err != nil {
		found := "this machine has none"
		if list := gpio.Chips(); len(list) > 0 {
			found = "this machine has " + strings.Join(list, ", ")
		}
		fmt.Fprintf(c.out, "    note: there is no %s (%s): until it is there this contact is a fault\n", pin.Chip, found)
	}
}
