package main

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"syscall"

	"golang.org/x/term"

	page "longlane/gateway/board"
	"longlane/gateway/config"
	"longlane/gateway/wholefile"
)

// explainBoard says where the page is, and for whom.
func explainBoard(c *call, cfg *config.Config) {
	if why := cfg.NoBoard(); why != "" {
		if cfg.HTTP != "" {
			why += "; `longlane check --board-password FILE` makes one"
		}
		fmt.Fprintf(c.out, "  page: none: %s\n", why)
		return
	}
	who := "open to whoever uses this machine"
	if cfg.Board.PasswordFile != "" {
		who = "for who knows its password, which travels unencrypted unless a proxy of yours adds TLS"
	}
	fmt.Fprintf(c.out, "  page: http://%s/, %s\n", cfg.HTTP, who)
}

// setBoardPassword asks for a password and writes its hash. From what is not a terminal it takes one line.
func setBoardPassword(ctx context.Context, c *call, path string) error {
	password, err := c.newPassword(ctx)
	if err != nil {
		return err
	}
	hash, err := page.HashPassword(password)
	if err != nil {
		return badUsage("the password: %w", err)
	}
	if err := wholefile.Write(path, []byte(hash+"\n"), wholefile.Options{Prepare: ofDirectory(filepath.Dir(path))}); err != nil {
		return err
	}
	if full, err := filepath.Abs(path); err == nil {
		path = full
	}
	fmt.Fprintf(c.out, "%s holds the hash of the password. Name it in the configuration, and start the gateway anew:\n\n[board]\npassword_file = %q\n", path, path)
	return nil
}

func (c *call) newPassword(ctx context.Context) (string, error) {
	f, ok := c.in.(*os.File)
	if !ok || !term.IsTerminal(int(f.Fd())) {
		line, err := bufio.NewReader(c.in).ReadString('\n')
		if line == "" && err != nil {
			return "", badUsage("found no password on standard input; run it in a terminal to be asked")
		}
		return strings.TrimRight(line, "\r\n"), nil
	}
	password, err := c.askHidden(ctx, f, "Password of the page (8 characters or more): ")
	if err != nil {
		return "", err
	}
	again, err := c.askHidden(ctx, f, "The same again: ")
	if err == nil && again != password {
		err = errors.New("the two passwords differ; nothing was written; try again")
	}
	return password, err
}

// ofDirectory gives a file that root makes to whoever owns its directory, as whom the gateway may run.
func ofDirectory(dir string) func(*os.File) error {
	return func(f *os.File) error {
		info, err := os.Stat(dir)
		if err != nil || os.Geteuid() != 0 {
			return err
		}
		s, ok := info.Sys().(*syscall.Stat_t)
		if !ok {
			return nil
		}
		return f.Chown(int(s.Uid), int(s.Gid))
	}
}
