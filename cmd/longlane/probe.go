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
		return queue.Probe(files[0])
	},
}

// probeWithin bounds a probe that takes long. The gateway is to serve within 10 s whatever stands in its file.
const probeWithin = 4 * time.Second

// probeQueue opens a queue's file in a child. nil says that the child lived, whatever it found: who asks finds the same. So
// does one that takes too long, for a long file on a slow card is not to be put aside for that.
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
	if err == nil || ctx.Err() != nil || errors.As(err, &exit) && exit.ExitCode() == exitFailed {
		return nil
	}
	line, _, _ := bytes.Cut(said.Bytes(), []byte("\n")) // of a crash, which is exit code 2 in Go, the first line tells
	return fmt.Errorf("%w: %s", err, line)
}
