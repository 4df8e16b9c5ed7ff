package board

import (
	"context"
	"fmt"
	"io"
	"math"
	"net/http"
	"net/http/httptest"
	"path/filepath"
	"slices"
	"testing"
	"time"

	"longlane/queue/history"
	"longlane/queue/history/watched"
)

// kept is a site whose history is a real file.
type kept struct {
	*site
	h *history.Store
}

func (k *kept) Trips(_ context.Context, from, to time.Time, limit int) ([]Trip, error) {
	var list []Trip
	err := k.h.Trips(from, to, func(t *history.Trip) error {
		list = append(list, Trip{ID: fmt.Sprint(t.ID), Zone: t.Zone, Title: words(t.Zone), Node: t.Node, At: t.At.Wall, Dwell: Figure(t.Dwell.Seconds()), Margin: Figure(t.Margin)})
		if len(list) > 2*limit {
			list = append(list[:0], list[len(list)-limit:]...)
		}
		return nil
	})
	slices.Reverse(list)
	return list[:min(len(list), limit)], err
}

func (k *kept) Watched(_ context.Context, zone string, from, to time.Time) (Watched, error) {
	var spans []history.Span
	err := k.h.Spans(history.Watch, zone, from, to, func(s *history.Span) error {
		spans = append(spans, *s)
		return nil
	})
	line := watched.Timeline(spans, from, to)
	total, end, radio := watched.Sum(line)
	w := Watched{Zone: zone, From: from, To: to, EndToEnd: end.Seconds(), RadioOnly: radio.Seconds(), Gap: (total - end - radio).Seconds()}
	quality := map[history.Quality]string{history.Gap: Gap, history.RadioOnly: RadioOnly, history.EndToEnd: EndToEnd}
	for _, s := range line {
		w.Spans = append(w.Spans, Span{s.From.Wall, s.Until(), quality[s.Quality], s.Cause})
	}
	return w, err
}

func (k *kept) Curves(_ context.Context, node string, from, to time.Time) ([]Hour, error) {
	var list []Hour
	err := k.h.Hours(from, to, func(h *history.Hour) error {
		if h.Node != node {
			return nil
		}
		hour := Hour{At: h.At.Wall, Battery: Figure(h.Lowest)}
		for i := range h.Hops {
			hour.Hops = append(hour.Hops, HopMargin{h.Hops[i].From, h.Hops[i].To, h.Hops[i].Lowest(), h.Hops[i].Median()})
		}
		list = append(list, hour)
		return nil
	})
	return list, err
}

// yearOf fills a history: 50 nodes that check in, each zone's days of watched time with a gap now and then, a trip an hour.
func yearOf(b *testing.B, s *site) *kept {
	b.Helper()
	h, _, err := history.Open(filepath.Join(b.TempDir(), history.File), history.Options{})
	if err != nil {
		b.Fatal(err)
	}
	b.Cleanup(func() { h.Close() })
	batch := history.Batch{}
	flush := func(most int) {
		if batch.Len() > most {
			if err := h.Write(batch); err != nil {
				b.Fatal(err)
			}
			batch = history.Batch{}
		}
	}
	from := s.now.At.Add(-365 * day).Truncate(time.Hour)
	n := uint32(0)
	for hour := range 365 * 24 {
		at := from.Add(time.Duration(hour) * time.Hour)
		for i, node := range s.now.Nodes {
			hop := history.Hop{From: node.Name, To: node.Hops[0].To}
			for j := range 4 {
				hop.Add(8 + math.Mod(float64(hour*7+i*3+j), 9))
			}
			batch.Hours = append(batch.Hours, history.Hour{Node: node.Name, At: history.Moment{Wall: at}, Count: 4, Lowest: 3.9, Battery: 3.95, Hops: []history.Hop{hop}})
			flush(4000)
		}
		if hour%24 == 0 {
			for i, z := range s.now.Zones {
				length := day
				if hour/24%11 == i%11 {
					length -= 40 * time.Minute
					batch.Spans = append(batch.Spans, history.Span{Kind: history.Watch, Subject: z.Name, From: history.Moment{Wall: at.Add(length)}, Length: day - length, Cause: "two check-ins were missed"})
				}
				batch.Spans = append(batch.Spans, history.Span{Kind: history.Watch, Subject: z.Name, From: history.Moment{Wall: at}, Length: length, Quality: history.EndToEnd})
			}
		}
		z := s.now.Zones[hour%len(s.now.Zones)]
		n++
		batch.Trips = append(batch.Trips, history.Trip{ID: history.TripID{Node: 3, Counter: n}, At: history.Moment{Wall: at.Add(time.Duration(n%3600) * time.Second)}, Zone: z.Name, Node: z.Node, Dwell: 4 * time.Second, Margin: 9, Opened: true, Closed: true})
	}
	flush(0)
	return &kept{s, h}
}

// BenchmarkPages is the server's time for what an owner looks at, with 50 nodes and a year of history in its file.
func BenchmarkPages(b *testing.B) {
	k := yearOf(b, village(time.Now(), 50, 3))
	board, err := New(Options{Source: k, Listen: "127.0.0.1:9465"})
	if err != nil {
		b.Fatal(err)
	}
	b.Cleanup(board.Close)
	for _, path := range []string{"/", "/node/gate-1?span=day", "/node/gate-1?span=month", "/node/gate-1?span=year", "/trips?when=yesterday", "/api/now"} {
		b.Run(path, func(b *testing.B) {
			r := httptest.NewRequest(http.MethodGet, path, nil)
			r.Host = "localhost"
			for b.Loop() {
				board.until = time.Time{} // made anew each time
				w := httptest.NewRecorder()
				board.ServeHTTP(w, r)
				if n, _ := io.Copy(io.Discard, w.Result().Body); w.Code != 200 || n < 1000 {
					b.Fatalf("%d, %d bytes", w.Code, n)
				}
			}
		})
	}
}
