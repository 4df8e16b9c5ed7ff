package main

import (
	"context"
	"errors"
	"io/fs"

	"longlane/gateway/config"
	"longlane/gateway/daemon"
)

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
		d, err := daemon.New(cfg, logger(c.err, cfg.Level()))
		if err != nil {
			return err
		}
		return d.Run(ctx)
	},
}

func loadConfig(path string) (*config.Config, error) {
	cfg, err := config.Load(path)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, badUsage("%w; name another file with --config, or start from testdata/config/hill-orchard.toml", err)
	}
	if err != nil {
		return nil, usageError{err}
	}
	return cfg, nil
}
