package main

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"os"
	"time"

	"longlane/gateway/config"
	"longlane/gateway/rehearsal"
	"longlane/gateway/rehearsal/chart"
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
	picture, err := o.openChart()
	if err != nil {
		return err
	}
	defer picture.discard()
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
	if err := picture.draw(r); err != nil {
		return err
	}
	return o.report(c, r)
}

// chartFile is the file of a chart. It is begun before the rehearsal, which may take long, and has its name once it is whole.
type chartFile struct {
	file   *os.File // nil: none is wanted
	name   string
	format chart.Format
}

func (o *simOptions) openChart() (*chartFile, error) {
	if o.chart == "" {
		return &chartFile{}, nil
	}
	format, err := chart.FormatOf(o.chart)
	if err != nil {
		return nil, badUsage("--chart: %w", err)
	}
	if !chart.Draws {
		return nil, badUsage("--chart: %w", chart.ErrNone)
	}
	f, err := os.Create(o.chart + ".new")
	if err != nil {
		return nil, badUsage("--chart: %w", err)
	}
	return &chartFile{f, o.chart, format}, nil
}

func (p *chartFile) draw(r *rehearsal.Report) error {
	if p.file == nil {
		return nil
	}
	err := chart.Write(p.file, r, p.format)
	if err = errors.Join(err, p.file.Close()); err == nil {
		err = os.Rename(p.file.Name(), p.name)
	}
	if err != nil {
		return fmt.Errorf("--chart: %w", err)
	}
	return nil
}

// discard removes what has not become a chart.
func (p *chartFile) discard() {
	if p.file != nil {
		p.file.Close()
		os.Remove(p.file.Name())
	}
}

func (o *simOptions) report(c *call, r *rehearsal.Report) error {
	if o.json {
		if err := c.json(r); err != nil {
			return fmt.Errorf("write report: %w", err)
		}
	} else if _, err := fmt.Fprint(c.out, r.Text()); err != nil {
		return fmt.Errorf("write report: %w", err)
	}
	if !r.Lawful() {
		return errors.New("a station was longer on the air than is lawful; the report tells which")
	}
	return nil
}
