package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"runtime/debug"
)

var versionCommand = command{
	name:    "version",
	brief:   "say which version this is and what it was built from",
	example: "  longlane version",
	run: func(_ context.Context, c *call) error {
		if _, err := c.parse(0); err != nil {
			return err
		}
		info, ok := debug.ReadBuildInfo()
		if !ok {
			return errors.New("this program was built without a record of what it was built from")
		}
		printVersion(c.out, info)
		return nil
	},
}

// printVersion writes what the Go tool recorded: the version in the first line, what it was built from in the others.
func printVersion(w io.Writer, info *debug.BuildInfo) {
	set := map[string]string{}
	for _, s := range info.Settings {
		set[s.Key] = s.Value
	}
	version := info.Main.Version
	if version == "" {
		version = "of no recorded version"
	}
	fmt.Fprintf(w, "longlane %s\n", version)
	if r := set["vcs.revision"]; r != "" {
		changed := ""
		if set["vcs.modified"] == "true" {
			changed = ", with changes"
		}
		fmt.Fprintf(w, "revision %s of %s%s\n", r, set["vcs.time"], changed)
	}
	fmt.Fprintf(w, "built with %s for %s/%s\n", info.GoVersion, set["GOOS"], set["GOARCH"])
}
