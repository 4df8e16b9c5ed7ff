package main

import (
	"bytes"
	"math"
	"os"
	"runtime"
	"strings"
	"testing"
	"time"

	"longlane/gateway"
	"longlane/gateway/memory"
	"longlane/queue"
)

// TestMain lets the test's own program serve as the children that figures start.
func TestMain(m *testing.M) {
	if what := os.Getenv(childVariable); what != "" {
		os.Exit(runChild(what))
	}
	os.Exit(m.Run())
}

var tiny = sizes{rounds: 1, alerts: 5, sounds: 3, commits: 5, batches: 2, lone: 1, chain: 300, backlog: 6000, part: 1000, arch: runtime.GOARCH,
	perDay: 200, cardTBW: 30, outages: 1, idleTime: 1}

// TestFigures measures every figure with tiny sizes. Figures hold their counts together by themselves and return an error
// if these do not add up; here nothing is asked of the values but that they are some.
func TestFigures(t *testing.T) {
	for _, f := range figures {
		t.Run(f.name, func(t *testing.T) {
			var log bytes.Buffer
			rows, err := measureOne(f, tiny, t.TempDir(), &log)
			if err != nil {
				t.Fatalf("%v\n%s", err, log.String())
			}
			if len(rows) == 0 {
				t.Fatal("no rows")
			}
			for _, r := range rows {
				if r.name == "" || r.own == "" || r.asked == "" || strings.Contains(r.own+r.floor, "NaN") || strings.Contains(r.own+r.floor, "Inf") {
					t.Errorf("%+v: something is missing", r)
				}
				if (r.floor == "") != math.IsNaN(r.ratio) || math.IsInf(r.ratio, 0) || r.ratio <= 0 {
					t.Errorf("%+v: want a ratio above 0 if there is a floor, and none if not", r)
				}
			}
		})
	}
}

func TestQuantile(t *testing.T) {
	hundred := make([]int, 100)
	for i := range hundred {
		hundred[i] = 100 - i
	}
	for _, c := range []struct {
		values []int
		q      float64
		want   int
	}{{hundred, 0.5, 50}, {hundred, 0.99, 99}, {hundred, 1, 100}, {hundred, 0, 1}, {[]int{7}, 0.5, 7}, {[]int{3, 1, 2}, 0.5, 2}, {[]int{1, 2, 3}, 0.99, 3}} {
		if got := quantile(c.values, c.q); got != c.want {
			t.Errorf("quantile of %d values at %v is %d, want %d", len(c.values), c.q, got, c.want)
		}
	}
}

func TestOptions(t *testing.T) {
	for _, c := range []struct {
		args []string
		want string
	}{
		{[]string{"--only", "alert,speed"}, `no figure "speed"; there are alert, annunciator`},
		{[]string{"--rounds", "0"}, "must be 1 or more"},
		{[]string{"--fast"}, "not defined: -fast"},
	} {
		var out, errs bytes.Buffer
		if code := run(c.args, &out, &errs); code != 2 || !strings.Contains(errs.String(), c.want) {
			t.Errorf("bench %q: exit code %d, %q; want 2 and %q", c.args, code, errs.String(), c.want)
		}
	}
}

// TestMemoryIsHonest: the store without a disk does what the queue does, lasting apart. A store that lost events, or did
// not advance marks, would be a floor that nothing can reach.
func TestMemoryIsHonest(t *testing.T) {
	q, err := openQueue(t.TempDir(), "queue", nil)
	if err != nil {
		t.Fatal(err)
	}
	defer q.Close()
	stores := map[string]gateway.Store{"queue": gateway.OnQueue(q), "memory": memory.New()}
	for name, s := range stores {
		c, err := s.Sink("broker", queue.SinkOptions{Required: true, FromStart: true})
		if err != nil {
			t.Fatal(err)
		}
		for i := range 10 {
			done := make(chan queue.Seq, 1)
			s.Append(queue.Record{Priority: queue.Priority(i % 2), Value: []byte{byte(i)}, Mark: &queue.Mark{Key: []byte("k"), Counter: uint32(i + 1)}},
				func(seq queue.Seq, err error) {
					if err != nil {
						t.Errorf("%s: append: %v", name, err)
					}
					done <- seq
				})
			if seq := <-done; seq != queue.Seq(i+1) {
				t.Errorf("%s: event %d has number %d", name, i, seq)
			}
		}
		c.Ack(1)
		c.Ack(5)
		c.Ack(5)
		if n, oldest := c.Depth(); n != 8 || oldest != 2 || !c.Acked(1) || c.Acked(2) || c.Acked(11) {
			t.Errorf("%s: %d wait, the oldest is %d; acknowledged 1: %v, 2: %v, 11: %v", name, n, oldest, c.Acked(1), c.Acked(2), c.Acked(11))
		}
		items, err := c.Next(queue.Alarm, 1, 2)
		if err != nil || len(items) != 2 || items[0].Seq != 3 || items[1].Seq != 7 || items[1].Value[0] != 6 {
			t.Errorf("%s: next trips after 1: %v, %v; want 3 and 7", name, items, err)
		}
		marks := 0
		if _, err := s.Marks(func(key, value []byte) error { marks++; return nil }); err != nil || marks != 1 {
			t.Errorf("%s: %d marks, %v; want 1", name, marks, err)
		}
		if err := s.Put("name", []byte("value")); err != nil {
			t.Error(err)
		}
		if v, err := s.Get("name"); err != nil || string(v) != "value" {
			t.Errorf("%s: setting is %q, %v", name, v, err)
		}
		if v, err := s.Get("none"); err != nil || v != nil {
			t.Errorf("%s: a setting that was never put is %q, %v", name, v, err)
		}
	}
	mark := map[string]string{}
	for name, s := range stores {
		if _, err := s.Marks(func(_, value []byte) error { mark[name] = string(value); return nil }); err != nil {
			t.Error(err)
		}
	}
	if mark["queue"] != mark["memory"] {
		t.Errorf("the marks differ: % x and % x", mark["queue"], mark["memory"])
	}
}

func TestTable(t *testing.T) {
	rows := []row{atMost("alert", 1.234, 1.3, ms(1234*time.Microsecond), "1.00 ms"), atLeast("chain", 0.5, 0.9, rate(100), rate(200)),
		{name: "size", own: "1 MiB", ratio: math.NaN(), asked: "< 2 MiB", met: true, note: "stripped"}}
	var b strings.Builder
	printMarkdown(&b, rows)
	for _, want := range []string{"| alert | ≤ 1.3 × | 1.23 ms | 1.00 ms | 1.23 × | yes |", "| chain | ≥ 0.9 × | 100/s | 200/s | 0.50 × | **no** |",
		"| size | < 2 MiB | 1 MiB | – | – | yes |", "* size: stripped"} {
		if !strings.Contains(b.String(), want+"\n") {
			t.Errorf("the table lacks %q:\n%s", want, b.String())
		}
	}
}
