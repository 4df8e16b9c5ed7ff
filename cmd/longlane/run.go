package main

import (
	"context"
	"errors"
	"io/fs"
	"log/slog"
	"os"
	"os/signal"
	"syscall"

	"longlane/gateway"
	"longlane/gateway/config"
	"longlane/gateway/daemon"
)

// systemClock is this machine's clock, which a test may have set although nothing disciplines it.
var systemClock = gateway.SystemClock

const defaultConfig = "/etc/longlane/longlane.toml"

var runCommand = command{
	name:    "run",
	brief:   "be the gateway: hear the nodes, keep what they say, tell the house",
	usage:   "[--config FILE]",
	example: "  longlane run --config /etc/longlane/longlane.toml",
	run: func(ctx context.Context, c *call) error {
		path := c.String("config", defaultConfig, "the gateway's configuration `file`")
		if _, err := c.parse(0); err != nil {
			return err
		}
		cfg, err := loadConfig(*path)
		if err != nil {
			return err
		}
		log := logger(c.err, cfg.Level())
		clock, err := systemClock()
		if err != nil {
			return err
		}
		d, err := daemon.NewAt(clock, cfg, log, probeQueue)
		if errors.Is(err, daemon.ErrSite) {
			return badUsage("%s: %w", *path, err)
		} else if err != nil {
			return err
		}
		defer hurry(log)()
		return d.Run(ctx)
	},
}

// hurry ends the process at the second signal to stop. The first begins an orderly end, which takes some seconds when the
// broker does not answer; whoever asks again is not to wait. What is on the disk stays there. The function that it
// returns ends the watch.
func hurry(log *slog.Logger) (stop func()) {
	signals := make(chan os.Signal, 2)
	signal.Notify(signals, os.Interrupt, syscall.SIGTERM)
	done, ended := make(chan struct{}), make(chan struct{})
	go func() {
		defer close(ended)
		for n := 1; ; n++ {
			select {
			case <-done:
				return
			case s := <-signals:
				if n == 2 {
					log.Error("a second signal to stop: ending at once; what is on the disk stays there",
						"signal", s.String())
					os.Exit(exitFailed)
				}
			}
		}
	}()
	return func() {
		signal.Stop(signals)
		close(done)
		<-ended
	}
}

func loadConfig(path string) (*config.Config, error) {
	cfg, err := config.Load(path)
	return cfg, badConfig(err, "hill-orchard.toml")
}

// badConfig is why a configuration was not read, nil if it was; example is a file of testdata/config to start from.
func badConfig(err error, example string) error {
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return badUsage("%w; name another file with --config, or start from testdata/config/%s", err, example)
	case err != nil:
		return usageError{err}
	}
	return nil
}
