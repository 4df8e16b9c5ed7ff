package main

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"time"

	"longlane/queue"
)

// probeCommand is for the gateway, not for people: a child of it opens the queue's file and may die of that.
var probeCommand = command{
	name:    "probe-queue",
	hidden:  true,
	brief:   "open a queue's file and close it again; the gateway asks for it after it died of a file",
	usage:   "FILE",
	example: "  longlane probe-queue /var/lib/longlane/queue.db",
	run: func(_ context.Context, c *call) error {
		files, err := c.parse(1)
		if err != nil {
			return err
		}
		if len(files) == 0 {
			return badUsage("expected the file to open")
		}
		err = queue.Probe(files[0])
		if errors.Is(err, queue.ErrLocked) {
			return usageError{err}
		}
		return err
	},
}

// probeWithin bounds a probe that hangs. The gateway is to serve within 10 s whatever stands in its file.
const probeWithin = 4 * time.Second

// probeQueue opens a queue's file in a child.
func probeQueue(path string) error {
	self, err := os.Executable()
	if err != nil {
		return err
	}
	ctx, cancel := context.WithTimeout(context.Background(), probeWithin)
	defer cancel()
	cmd := exec.CommandContext(ctx, self, probeCommand.name, path)
	cmd.WaitDelay = time.Second
	var said bytes.Buffer
	cmd.Stderr = &said
	err = cmd.Run()
	var exit *exec.ExitError
	if errors.As(err, &exit) && exit.ExitCode() == exitUsage {
		return fmt.Errorf("%w: %s", queue.ErrLocked, bytes.TrimSpace(said.Bytes()))
	}
	if err != nil {
		line, _, _ := bytes.Cut(said.Bytes(), []byte("\n")) // of a crash the first line tells
		return fmt.Errorf("%w: %s", err, line)
	}
	return nil
}
