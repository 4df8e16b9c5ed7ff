package main

import (
	"bufio"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"time"

	"longlane/gateway/config"
	"longlane/gateway/rehearsal"
	"longlane/radio/ether"
)

const longestRehearsal = 3650 * 24 * time.Hour

// rehearse is `sim --fast`. Everything that can be refused is refused before a file is touched.
func (o *simOptions) rehearse(ctx context.Context, c *call, doc *config.Document, sc ether.Scenario) error {
	if err := refused(doc, rehearsal.Check(sc)); err != nil {
		return err
	}
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	bar := newProgress(c.err, sc.Name)
	ro := rehearsal.Options{Scenario: sc, Seed: o.seed, For: o.length,
		Progress: func(t time.Duration) { bar.show(t.Seconds() / o.length.Seconds()) }}
	var lines *recordLines
	if o.out != "" {
		f, err := os.Create(o.out)
		if err != nil {
			return fmt.Errorf("write record: %w", err)
		}
		defer f.Close()
		lines = &recordLines{w: bufio.NewWriter(f), stop: cancel}
		ro.Record = lines.write
	}
	r, err := rehearsal.Run(ctx, ro)
	bar.clear()
	if err != nil {
		return refused(doc, err)
	}
	if lines != nil {
		lines.fail(lines.w.Flush())
		if lines.err != nil {
			return lines.err
		}
	}
	return o.report(c, r)
}

func (o *simOptions) report(c *call, r *rehearsal.Report) error {
	if o.json {
		e := json.NewEncoder(c.out)
		e.SetIndent("", "  ")
		if err := e.Encode(r); err != nil {
			return fmt.Errorf("write report: %w", err)
		}
	} else {
		fmt.Fprint(c.out, r.Text())
	}
	if !r.Lawful() {
		return errors.New("a station was longer on the air than is lawful; the report tells which")
	}
	return nil
}
