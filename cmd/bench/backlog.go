package main

import (
	"context"
	"encoding/binary"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"
	"golang.org/x/sys/unix"

	"longlane/gateway"
	"longlane/gateway/mqtt"
	"longlane/queue"
	"longlane/radio"
)

// backlog measures a gateway that starts on a million events and drains them.
func backlog(b *bench) (rows []row, err error) {
	plain, err := b.plainStart()
	if err != nil {
		return nil, err
	}
	dir := filepath.Join(b.dir, "state")
	size, err := b.fill(dir, "mast"+strings.Repeat("-of-the-hill", 13)) // so that an event comes to about 250 bytes
	if err != nil {
		return nil, err
	}
	path := filepath.Join(dir, "queue.db")
	full, err := os.Stat(path)
	if err != nil {
		return nil, err
	}
	b.progress("%d events of %d bytes each in a file of %s", b.sizes.backlog, size, mebi(float64(full.Size())))
	starts, err := b.starts(dir, path)
	if err != nil {
		return nil, err
	}
	drained, err := b.drain(dir, path, full.Size())
	return append(append(plain, starts...), drained...), err
}

// plainStart measures a start with events as long as a gateway's really are.
func (b *bench) plainStart() ([]row, error) {
	dir := filepath.Join(b.dir, "plain")
	size, err := b.fill(dir, "mast")
	if err != nil {
		return nil, err
	}
	rows, err := b.starts(dir, filepath.Join(dir, "queue.db"))
	if err != nil {
		return nil, err
	}
	warm := rows[0]
	warm.name = fmt.Sprintf("backlog of %d as they are, %d bytes: serving, warm page cache", b.sizes.backlog, size)
	warm.note = "from the start of the process, as all of these"
	return []row{warm}, os.RemoveAll(dir)
}

// fill makes the queue of a house whose broker was away: it has a running gateway take in one trip, and repeats what that
// stored, each with a counter and a frame of its own. It returns the size of one event.
func (b *bench) fill(dir, bearer string) (size int, err error) {
	s, err := newSite(dir)
	if err != nil {
		return 0, err
	}
	q, err := openQueue(dir, "queue", nil)
	if err != nil {
		return 0, err
	}
	defer func() { err = errors.Join(err, q.Close()) }()
	f := newFeed(bearer)
	c, err := startCore(s, gateway.OnQueue(q), []radio.Link{f}, "", "fill")
	if err != nil {
		return 0, err
	}
	sent := c.now()
	frame, err := s.trip(sent)
	if err != nil {
		return 0, errors.Join(err, c.stop())
	}
	f.give(frame)
	err = await("the first event", func() bool { return c.meter.committed.Load() == 1 })
	if err = errors.Join(err, c.stop()); err != nil {
		return 0, err
	}
	sink, err := q.Sink(sinkName, queue.SinkOptions{Required: true, FromStart: true})
	if err != nil {
		return 0, err
	}
	first, err := sink.Next(queue.Alarm, 0, 1)
	if err != nil || len(first) != 1 {
		return 0, errors.Join(fmt.Errorf("%d events stored, want 1", len(first)), err)
	}
	head := first[0].Value[:len(first[0].Value)-len(frame)] // see Event.append in gateway/event.go
	failed := make(chan error, 1)
	for range b.sizes.backlog - 1 {
		if frame, err = s.trip(sent); err != nil {
			return 0, err
		}
		binary.BigEndian.PutUint32(head[7:], s.counter)
		q.Append(queue.Record{Value: append(head[:len(head):len(head)], frame...), Mark: &queue.Mark{Key: []byte{1, s.node, 1}, Counter: s.counter}},
			func(_ queue.Seq, err error) {
				if err != nil {
					select {
					case failed <- err:
					default:
					}
				}
			})
	}
	if err := q.Flush(); err != nil {
		return 0, err
	}
	select {
	case err := <-failed:
		return 0, err
	default:
	}
	if n, _ := sink.Depth(); n != b.sizes.backlog {
		return 0, fmt.Errorf("%d events wait, want %d", n, b.sizes.backlog)
	}
	return len(first[0].Value), nil
}

// starts measures how long the gateway takes to serve, with the file in the page cache and without.
func (b *bench) starts(dir, path string) ([]row, error) {
	var took, read [2][]time.Duration
	var mem memStats
	for i := range b.sizes.rounds {
		for cold := range 2 {
			for own := range 2 {
				prepare := readWhole
				if cold == 1 {
					prepare = dropCache
				}
				if _, err := prepare(path); err != nil {
					return nil, err
				}
				if own == 0 {
					d, err := readWhole(path)
					if err != nil {
						return nil, err
					}
					read[cold] = append(read[cold], d)
					continue
				}
				d, m, err := b.startOnce(dir)
				if err != nil {
					return nil, err
				}
				took[cold] = append(took[cold], d)
				mem.Anon, mem.File = max(mem.Anon, m.Anon), max(mem.File, m.File)
			}
		}
		b.progress("start %d: warm %s, reading the file %s; cold %s, reading the file %s; anonymous %s", i+1, ms(took[0][i]), ms(read[0][i]),
			ms(took[1][i]), ms(read[1][i]), mebi(float64(mem.Anon)))
	}
	r := func(name string, own, floor []time.Duration, bar time.Duration) row {
		return row{name: name, own: ms(median(own)), floor: ms(median(floor)) + " reading the file", ratio: over(median(own), median(floor)),
			asked: "≤ " + bar.String(), met: median(own) <= bar}
	}
	n := fmt.Sprintf("backlog of %d: ", b.sizes.backlog)
	warm := r(n+"serving, warm page cache", took[0], read[0], 300*time.Millisecond)
	warm.note = "events brought to 250 bytes by a long name, in a queue that may take 1 GiB; the gateway's 256 MiB would not hold as many"
	return []row{warm, r(n+"serving, cold", took[1], read[1], time.Second),
		{name: n + "anonymous memory, serving", own: mebi(float64(mem.Anon)), ratio: math.NaN(), asked: "≤ 32 MiB", met: mem.Anon <= 32<<20,
			note: "beside it " + mebi(float64(mem.File)) + " of the mapped file and the program, which the kernel may take back"}}, nil
}

func (b *bench) startOnce(dir string) (time.Duration, memStats, error) {
	c, err := startChild(context.Background(), order{What: "gateway", Dir: dir})
	if err != nil {
		return 0, memStats{}, err
	}
	ready, err := c.await("ready")
	return ready.At.Sub(c.began), ready.Mem, errors.Join(err, c.end())
}

// readWhole reads the file once from beginning to end.
func readWhole(path string) (time.Duration, error) {
	began := time.Now()
	f, err := os.Open(path)
	if err != nil {
		return 0, err
	}
	defer f.Close()
	buf := make([]byte, 1<<20)
	for {
		if _, err = f.Read(buf); err != nil {
			break
		}
	}
	if errors.Is(err, io.EOF) {
		err = nil
	}
	return time.Since(began), err
}

// dropCache has the kernel forget what it holds of the file.
func dropCache(path string) (time.Duration, error) {
	f, err := os.OpenFile(path, os.O_RDWR, 0)
	if err != nil {
		return 0, err
	}
	defer f.Close()
	if err := f.Sync(); err != nil { // what is not on the disk yet would stay
		return 0, err
	}
	return 0, unix.Fadvise(int(f.Fd()), 0, 0, unix.FADV_DONTNEED)
}

const drainPatience = 4 * time.Minute

// drain lets a gateway deliver the backlog. Again and again it is stopped where it stands, and a bare client publishes in
// its place.
func (b *bench) drain(dir, path string, before int64) (rows []row, err error) {
	mos, err := startMosquitto(b.dir)
	if err != nil {
		return nil, err
	}
	defer mos.stop()
	payload, free, err := firstPayload(mos.addr)
	if err != nil {
		return nil, err
	}
	defer free()
	c, err := startChild(context.Background(), order{What: "gateway", Dir: dir, Broker: mos.addr})
	if err != nil {
		return nil, err
	}
	defer func() { err = errors.Join(err, c.end()) }()
	p, err := newPublisher(mos.addr)
	if err != nil {
		return nil, err
	}
	defer p.Disconnect(0)
	var example []byte
	select {
	case example = <-payload:
		free()
	case <-time.After(patience):
		return nil, errors.New("nothing was drained")
	}
	var own, floor, ratio []float64
	var peak memStats
	began := time.Now()
	last := report{Events: b.sizes.backlog}
	for last.Events > 0 {
		first, err := c.await("tick")
		for last = first; err == nil && last.Events > 0 && first.Events-last.Events < b.sizes.part; {
			last, err = c.await("tick")
			peak.Anon, peak.File = max(peak.Anon, last.Mem.Anon), max(peak.File, last.Mem.File)
			if time.Since(began) > drainPatience {
				err = fmt.Errorf("%d events are left after %v", last.Events, drainPatience)
			}
		}
		if err != nil {
			return nil, err
		}
		if n := first.Events - last.Events; last.Events > 0 || len(own) == 0 && n > 0 {
			own = append(own, float64(n)/last.At.Sub(first.At).Seconds())
		}
		if len(floor) == len(own) || len(floor) >= b.sizes.rounds {
			continue
		}
		if err := c.cmd.Process.Signal(syscall.SIGSTOP); err != nil {
			return nil, err
		}
		v, err := publish(p, example, b.sizes.part/2)
		if err = errors.Join(err, c.cmd.Process.Signal(syscall.SIGCONT)); err != nil {
			return nil, err
		}
		floor = append(floor, v)
		ratio = append(ratio, own[len(own)-1]/v)
		b.progress("%d left: %s, bare client %s", last.Events, rate(own[len(own)-1]), rate(v))
	}
	if last.Sent != b.sizes.backlog {
		return nil, fmt.Errorf("%d events drained, %d published", b.sizes.backlog, last.Sent)
	}
	if len(own) == 0 || len(floor) == 0 {
		return nil, errors.New("the backlog was gone before it could be measured: make it longer")
	}
	time.Sleep(time.Duration(b.sizes.idleTime) * time.Second)
	after, err := os.Stat(path)
	if err != nil {
		return nil, err
	}
	need := min(10_000, 0.8*median(floor))
	n := fmt.Sprintf("backlog of %d: ", b.sizes.backlog)
	return []row{
		{name: n + "drained to mosquitto", own: rate(median(own)), floor: rate(median(floor)) + " bare client, same payload and window",
			ratio: median(ratio), asked: "≥ 10000/s, or 0.8 × if that is less", met: median(own) >= need,
			note: fmt.Sprintf("%d bytes a message, %d without acknowledgement at most, no subscriber", len(example), window)},
		{name: n + "anonymous memory, draining", own: mebi(float64(peak.Anon)), ratio: math.NaN(), asked: "≤ 32 MiB", met: peak.Anon <= 32<<20,
			note: "beside it up to " + mebi(float64(peak.File)) + " of the mapped file and the program"},
		{name: n + "file after the drain", own: mebi(float64(after.Size())), floor: mebi(float64(before)) + " full", ratio: float64(after.Size()) / float64(before),
			asked: "given back", met: after.Size() < before/2, note: "compacted once nothing was written for 2 s and less than a tenth is in use"},
	}, nil
}

// firstPayload listens for the first trip that is published.
func firstPayload(addr string) (payload chan []byte, free func(), err error) {
	payload = make(chan []byte, 1)
	ctx, cancel := context.WithCancel(context.Background())
	granted, done := make(chan struct{}, 1), make(chan error, 1)
	go func() { // ends with free
		done <- mqtt.Subscribe(ctx, mqtt.SubscribeOptions{URL: "mqtt://" + addr, ClientID: "sample", CleanSession: true,
			Filters: []string{"longlane/" + siteName + "/zone/+/trip"}, Connected: func() { granted <- struct{}{} }},
			func(_ string, p []byte, _ bool) {
				select {
				case payload <- p:
				default:
				}
			})
	}()
	select {
	case <-granted:
		return payload, cancel, nil
	case err = <-done:
	case <-time.After(patience):
		err = errors.New("no subscription")
	}
	cancel()
	return nil, nil, err
}

// newPublisher connects the bare client.
func newPublisher(addr string) (paho.Client, error) {
	p := paho.NewClient(paho.NewClientOptions().AddBroker("tcp://" + addr).SetClientID("bare").SetCleanSession(true).
		SetAutoReconnect(false).SetOrderMatters(false))
	t := p.Connect()
	if !t.WaitTimeout(patience) {
		return nil, errors.New("the bare client got no connection")
	}
	return p, t.Error()
}

// publish sends n messages, as many without acknowledgement as the gateway's window, and returns the rate.
func publish(p paho.Client, payload []byte, n int) (perSecond float64, err error) {
	flying := make(chan paho.Token, window-1) // one more is in the hands of whoever waits
	done := make(chan error, 1)
	began := time.Now()
	go func() { // ends with the last message
		var err error
		for t := range flying {
			if !t.WaitTimeout(patience) {
				err = errors.New("the bare client had no acknowledgement")
			}
			err = errors.Join(err, t.Error())
		}
		done <- err
	}()
	for range n {
		flying <- p.Publish("longlane/"+siteName+"/zone/river-gate/trip", 1, false, payload)
	}
	close(flying)
	err = <-done
	return float64(n) / time.Since(began).Seconds(), err
}

// gatewayWork is a gateway without bearers on the queue in o.Dir, until its input is closed. It tells when it serves, and
// ten times a second how much waits.
func gatewayWork(o order, out *json.Encoder) error {
	s, err := openSite(o.Dir)
	if err != nil {
		return err
	}
	q, err := openQueue(o.Dir, "queue", nil)
	if err != nil {
		return err
	}
	c, err := startCore(s, gateway.OnQueue(q), nil, o.Broker, "house")
	if err != nil {
		return errors.Join(err, q.Close())
	}
	tell := func(what string) error {
		at := time.Now()
		m, err := memOf("self")
		return errors.Join(err, out.Encode(report{What: what, At: at, Events: c.depth(), Mem: m,
			Sent: int(c.meter.live.Load() + c.meter.backlog.Load())}))
	}
	err = tell("ready")
	asked := make(chan struct{})
	go func() { // ends with the input
		io.Copy(io.Discard, os.Stdin)
		close(asked)
	}()
	tick := time.NewTicker(100 * time.Millisecond)
	defer tick.Stop()
	for err == nil {
		select {
		case <-asked:
			return errors.Join(c.stop(), q.Close())
		case <-tick.C:
			err = tell("tick")
		}
	}
	return errors.Join(err, c.stop(), q.Close())
}
