package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"runtime/debug"
	"slices"
	"strings"
	"text/tabwriter"
	"time"

	"golang.org/x/term"

	"longlane/gateway/backup"
	"longlane/gateway/config"
)

var backupCommand = command{
	name:  "backup",
	brief: "put all that a new card or machine needs into one encrypted file, and back",
	usage: "save --to FILE [--config FILE] [--without-history]\n       longlane backup show FILE [--json]\n" +
		"       longlane backup restore FILE [--config FILE] [--old-is-off] [--without-history]",
	example: `  longlane backup save --to /media/stick/longlane.backup
  longlane backup show /media/stick/longlane.backup
  longlane backup restore /media/stick/longlane.backup     (on the new machine, once the old one is off)`,
	run: runBackup,
}

var backupActions = []string{"save", "show", "restore"}

type backupOrder struct {
	action, file   string
	config         string
	passphraseFile string
	json, oldIsOff bool
	withoutHistory bool
}

func runBackup(ctx context.Context, c *call) error {
	o, err := readBackupOrder(c)
	if err != nil {
		return err
	}
	switch o.action {
	case "save":
		return o.save(ctx, c)
	case "show":
		return o.show(ctx, c)
	}
	return o.restore(ctx, c)
}

func readBackupOrder(c *call) (*backupOrder, error) {
	o := &backupOrder{}
	to := c.String("to", "", "save: the new `file`")
	c.StringVar(&o.config, "config", defaultConfig, "the gateway's configuration `file`: save reads it, restore writes it")
	c.StringVar(&o.passphraseFile, "passphrase-file", "", "a `file` that holds the passphrase in one line and that only its owner can read, "+
		"instead of asking")
	c.BoolVar(&o.json, "json", false, "show: print what it holds as JSON")
	c.BoolVar(&o.oldIsOff, "old-is-off", false, "restore: the old gateway is off for good, although this cannot be heard here")
	c.BoolVar(&o.withoutHistory, "without-history", false, "save, restore: leave the history out, which may be large")
	words, err := c.parse(2)
	if err != nil {
		return nil, err
	}
	words = append(words, "", "")
	o.action, o.file = words[0], words[1]
	switch {
	case o.action == "":
		return nil, badUsage("what is to be done? one of %s", strings.Join(backupActions, ", "))
	case !slices.Contains(backupActions, o.action):
		return nil, badUsage("unknown action %q: expected save, show or restore", o.action)
	case o.action == "save" && o.file != "":
		return nil, badUsage("unexpected argument %q: name the new file with --to", o.file)
	case o.action == "save" && *to == "":
		return nil, badUsage("save to which file? give --to FILE")
	case o.action != "save" && *to != "":
		return nil, badUsage("--to goes with save; %s takes the file as it is: longlane backup %s FILE", o.action, o.action)
	case o.action != "save" && o.file == "":
		return nil, badUsage("%s which file? give its name", o.action)
	case o.action != "show" && o.json:
		return nil, badUsage("--json goes with show")
	case o.action == "show" && o.withoutHistory:
		return nil, badUsage("--without-history goes with save and restore")
	case o.action != "restore" && o.oldIsOff:
		return nil, badUsage("--old-is-off goes with restore")
	}
	if o.action == "save" {
		o.file = *to
	}
	return o, nil
}

func (o *backupOrder) save(ctx context.Context, c *call) error {
	if _, err := loadConfig(o.config); err != nil {
		return err
	}
	version := "of no recorded version"
	if info, ok := debug.ReadBuildInfo(); ok && info.Main.Version != "" {
		version = info.Main.Version
	}
	b, err := backup.Collect(ctx, o.config, version, time.Now())
	if err != nil {
		return err
	}
	if o.withoutHistory {
		b.LeaveHistory()
	}
	if err := b.Save(ctx, o.file, func() (string, error) {
		words, err := o.passphrase(ctx, c, true)
		if err == nil && b.Manifest.History != nil {
			fmt.Fprintln(c.err, "Encrypting, and reading back what was written: with years of history that takes some minutes on a small board ...")
		}
		return words, err
	}); err != nil {
		return err
	}
	describe(c, b)
	fmt.Fprintf(c.out, "Saved to %s, read back and found whole. Without the passphrase nobody can open it, nor can you: keep it elsewhere.\n"+
		"After a node was enrolled, re-keyed or shut out, save again.\n", o.file)
	return nil
}

func (o *backupOrder) open(ctx context.Context, c *call) (*backup.Backup, error) {
	read := backup.Open
	if o.withoutHistory {
		read = backup.OpenFiles
	}
	return read(ctx, o.file, func() (string, error) { return o.passphrase(ctx, c, false) })
}

func (o *backupOrder) show(ctx context.Context, c *call) error {
	b, err := o.open(ctx, c)
	if err != nil {
		return err
	}
	if o.json {
		return c.json(struct {
			backup.Manifest
			Ignored []string       `json:"ignored"`
			Note    string         `json:"note"`
			Holds   backup.History `json:"history_holds"`
		}{b.Manifest, append([]string{}, b.Ignored...), backup.NotInside, b.History})
	}
	describe(c, b)
	return nil
}

func (o *backupOrder) restore(ctx context.Context, c *call) error {
	b, err := o.open(ctx, c)
	if err != nil {
		return err
	}
	describe(c, b)
	written, err := b.Restore(ctx, backup.RestoreOptions{Config: o.config, OldIsOff: o.oldIsOff,
		Progress: func(s string) { fmt.Fprintln(c.err, s) }})
	if err != nil {
		return err
	}
	for _, path := range written {
		fmt.Fprintf(c.out, "wrote %s\n", path)
	}
	fmt.Fprintf(c.out, "Restored. Never start the old gateway again. Now: longlane check --config %s, then start the gateway, and save a new "+
		"backup once it has run for some minutes. Nodes keep their cards; the first thing that each sends is unproven.\n", o.config)
	return nil
}

// describe says what a backup holds, and what it does not.
func describe(c *call, b *backup.Backup) {
	m := b.Manifest
	fmt.Fprintf(c.out, "Site %s, gateway %s, %d nodes; made %s by longlane %s (format %d)\n", m.Site, m.Gateway, b.Nodes(),
		m.Made.Format(time.RFC3339), m.Version, m.Format)
	w := tabwriter.NewWriter(c.out, 0, 0, 2, ' ', 0)
	for _, f := range m.Files {
		fmt.Fprintf(w, "  %s\t%d bytes\tfrom %s\n", f.Name, f.Size, f.Path)
	}
	w.Flush()
	if b.Manifest.History == nil {
		fmt.Fprintln(c.out, "No history in it.")
	} else {
		fmt.Fprintf(c.out, "The history: %d records of trips, faults, check-ins and watched time, %d bytes, from %s\n", b.History.Records, b.History.Bytes, b.Manifest.History.Path)
		if n := b.History.Damaged; n > 0 {
			fmt.Fprintf(c.out, "Of the history %d records were damaged on the disk and are not in it: keep the old card.\n", n)
		}
	}
	for _, what := range b.Ignored {
		fmt.Fprintf(c.out, "Of a later version, not known here and left out: %s\n", what)
	}
	if !b.HasMarks() {
		fmt.Fprintln(c.out, "No marks.copy in it, for no node had been heard: what somebody recorded before would pass for new once.")
	}
	fmt.Fprintln(c.out, backup.NotInside)
}

// passphrase asks for it on the terminal without showing it, twice if it is a new one, or takes it from a file. It is
// never among arguments or in the environment, where others on the machine could see it.
func (o *backupOrder) passphrase(ctx context.Context, c *call, isNew bool) (string, error) {
	if o.passphraseFile != "" {
		words, err := config.ReadSecret(o.passphraseFile)
		if err != nil {
			return "", badUsage("passphrase file %w; expected the passphrase in one line of a file that only its owner can read: chmod 600 %s",
				err, o.passphraseFile)
		}
		return words, nil
	}
	f, ok := c.in.(*os.File)
	if !ok || !term.IsTerminal(int(f.Fd())) {
		return "", badUsage("found no terminal to ask for the passphrase; run it in one, or give --passphrase-file FILE")
	}
	ask := "Passphrase: "
	if isNew {
		ask = fmt.Sprintf("Passphrase for the backup (%d characters or more): ", backup.MinPassphrase)
	}
	words, err := c.askHidden(ctx, f, ask)
	if err != nil || !isNew {
		return words, err
	}
	again, err := c.askHidden(ctx, f, "The same again: ")
	if err == nil && again != words {
		err = errors.New("the two passphrases differ; nothing was saved; try again")
	}
	return words, err
}

// askHidden reads a line without echo. The terminal gets its echo back if ctx ends first.
func (c *call) askHidden(ctx context.Context, f *os.File, ask string) (string, error) {
	fd := int(f.Fd())
	before, err := term.GetState(fd)
	if err != nil {
		return "", fmt.Errorf("ask for the passphrase: %w", err)
	}
	fmt.Fprint(c.err, ask)
	defer fmt.Fprintln(c.err)
	type line struct {
		text []byte
		err  error
	}
	typed := make(chan line, 1)
	go func() { // ends with the line, or with the process
		text, err := term.ReadPassword(fd)
		typed <- line{text, err}
	}()
	select {
	case l := <-typed:
		if l.err != nil {
			return "", fmt.Errorf("ask for the passphrase: %w", l.err)
		}
		return string(l.text), nil
	case <-ctx.Done():
		return "", errors.Join(errors.New("stopped before a passphrase was given; nothing was written"), term.Restore(fd, before))
	}
}
