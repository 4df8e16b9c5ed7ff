package main

import (
	"context"
	"fmt"
	"io"
	"log/slog"
	"math/rand/v2"
	"net"
	"os"
	"path/filepath"
	"testing"
	"time"

	"longlane/gateway"
	"longlane/gateway/logbook"
	"longlane/queue/history"
)

// yearOf fills a history as a site of so many nodes would in the year before now: 20 trips a day each, check-ins each hour over two
// hops, spans of a day, and a gap every third day.
func yearOf(b *testing.B, path string, nodes int, now time.Time) {
	s, _, err := history.Open(path, history.Options{MaxBytes: 1 << 30})
	if err != nil {
		b.Fatal(err)
	}
	defer s.Close()
	r := rand.New(rand.NewPCG(1, 2))
	from := now.AddDate(-1, 0, 0).Truncate(time.Hour)
	const hours = 365 * 24
	for h := range hours {
		at := from.Add(time.Duration(h) * time.Hour)
		var batch history.Batch
		for n := range nodes {
			node, zone := fmt.Sprintf("node-%02d", n), fmt.Sprintf("river-gate-%02d", n)
			m := func(d time.Duration) history.Moment {
				return history.Moment{Wall: at.Add(d), Boot: [16]byte{1}, Mono: time.Duration(h)*time.Hour + d}
			}
			if h%6 != 5 { // 20 of 24 hours
				batch.Trips = append(batch.Trips, history.Trip{ID: history.TripID{Node: uint8(n), Gen: 1, Counter: uint32(2 * h)}, At: m(time.Duration(r.IntN(3600)) * time.Second), Zone: zone,
					Node: node, Dwell: time.Duration(200+r.IntN(60000)) * time.Millisecond, Margin: 9, Opened: true, Closed: true, Supervised: true})
			}
			hour := history.Hour{Node: node, At: m(0), Count: 4, Lowest: 3.5, Battery: 3.5, Hops: []history.Hop{{From: node, To: "ridge"}, {From: "ridge", To: "house"}}}
			for range 4 {
				hour.Hops[0].Add(9 + 2*r.NormFloat64())
				hour.Hops[1].Add(14 + 2*r.NormFloat64())
			}
			batch.Hours = append(batch.Hours, hour)
			if h%24 == 0 {
				batch.Spans = append(batch.Spans, history.Span{Kind: history.Watch, Subject: zone, From: m(0), Length: 24 * time.Hour, Quality: history.EndToEnd})
			}
			if h%72 == 5 {
				batch.Spans = append(batch.Spans, history.Span{Kind: history.Watch, Subject: zone, From: m(time.Second), Length: 45 * time.Minute, Cause: "its node is overdue: two check-ins in a row were missed"})
			}
		}
		if err := s.Write(batch); err != nil {
			b.Fatal(err)
		}
	}
	st, err := s.Stats()
	if err != nil {
		b.Fatal(err)
	}
	b.ReportMetric(float64(st.BytesFile)/(1<<20), "file-MiB")
	b.ReportMetric(float64(st.BytesUsed)/(1<<20), "used-MiB")
	b.ReportMetric(float64(st.Trips), "trips")
}

// BenchmarkHistory asks for a year of 50 nodes, of the file and of a gateway that runs. Give -benchtime 1x.
func BenchmarkHistory(b *testing.B) {
	for range b.N {
		dir := b.TempDir()
		path := filepath.Join(dir, history.File)
		yearOf(b, path, 50, time.Now())
		ask := func(name string, args ...string) {
			began := time.Now()
			if code := Main(context.Background(), append([]string{"history", "--state", dir}, args...), os.Stdin, io.Discard, os.Stderr); code != exitDone {
				b.Fatal(args, code)
			}
			b.ReportMetric(time.Since(began).Seconds()*1e3, name+"-ms")
		}
		all := func(where string) {
			ask(where+"-yesterday", "yesterday")
			ask(where+"-watched", "watched", "last", "night")
			ask(where+"-rates-year", "rates", time.Now().AddDate(-1, 0, 0).Format(time.DateOnly)+".."+time.Now().Format(time.DateOnly))
		}
		all("file")
		began := time.Now()
		clock := gateway.Clock{Mono: func() time.Duration { return time.Hour + time.Since(began) }, Wall: time.Now, Boot: [16]byte{2}, Set: func() bool { return true }}
		r := logbook.New(logbook.Options{Name: "history", Dir: dir, Clock: clock, CheckIn: time.Minute, MaxLag: 100, Log: slog.New(slog.DiscardHandler), Keep: history.Options{MaxBytes: 1 << 30}})
		ctx, cancel := context.WithCancel(context.Background())
		done := make(chan struct{})
		go func() { defer close(done); r.Run(ctx) }()
		go r.Serve(ctx)
		for {
			if c, err := net.Dial("unix", filepath.Join(dir, logbook.Socket)); err == nil {
				c.Close()
				break
			}
		}
		ask("open", "faults", "today")
		b.ReportMetric(time.Since(began).Seconds()*1e3, "gateway-opens-ms")
		all("gateway")
		cancel()
		<-done
	}
}
