package main

import (
	"bufio"
	"bytes"
	"context"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strings"
	"syscall"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"
	"golang.org/x/sys/unix"

	"longlane/gateway"
	"longlane/gateway/mqtt"
)

// monotonic is CLOCK_MONOTONIC, which all processes share.
func monotonic() time.Duration {
	var ts unix.Timespec
	if err := unix.ClockGettime(unix.CLOCK_MONOTONIC, &ts); err != nil {
		panic(err) // Linux has always had it
	}
	return time.Duration(ts.Nano())
}

// performance is what a player, or a command, tells when it ends: see cmd/bench/player.
type performance struct {
	began time.Duration // by monotonic
	first time.Duration // it had the first sample; 0: there was none
	bytes int           // of its standard input
	id    string        // of the event, if it is a command; else "-"
}

// stage is a broker with who listens to it: the real annunciator, which acts on openings, and a bare client, which starts the
// same program on closings. Both get every message, and each is idle while the other acts.
type stage struct {
	lane    *lane // from the tty of a gateway
	addr    string
	players *os.File // the FIFO that players tell of themselves in
	lines   *bufio.Reader
	reports chan string // of the annunciator
	bare    *child
	client  paho.Client // publishes what the gateway is not asked for
	example map[string]any
	n       int
}

// ringWork is the floor of an annunciator: a client that runs a program for each closing, with N bytes of sound on its standard
// input, or at the river gate with the message itself.
func ringWork(o order, out *json.Encoder) error {
	player, fifo := playerIn(o.Dir)
	sound := make([]byte, o.N)
	failed := make(chan error, 1)
	c := paho.NewClient(paho.NewClientOptions().AddBroker("tcp://" + o.Broker).SetClientID("ringer").SetCleanSession(true).SetAutoReconnect(false))
	if t := c.Connect(); !t.WaitTimeout(patience) || t.Error() != nil {
		return errors.Join(errors.New("no connection"), t.Error())
	}
	ring := func(_ paho.Client, m paho.Message) {
		var e struct{ ID, Type string }
		if err := json.Unmarshal(m.Payload(), &e); err != nil || e.Type != "longlane.trip.closed" {
			return
		}
		cmd := exec.Command(player, fifo)
		cmd.Stderr, cmd.Stdin = os.Stderr, bytes.NewReader(sound)
		if strings.Contains(m.Topic(), "/river-gate/") {
			cmd.Env, cmd.Stdin = append(os.Environ(), "LONGLANE_ID="+e.ID), bytes.NewReader(m.Payload())
		}
		if err := cmd.Run(); err != nil {
			select {
			case failed <- err:
			default:
			}
		}
	}
	if t := c.Subscribe("longlane/"+siteName+"/zone/+/trip", 1, ring); !t.WaitTimeout(patience) || t.Error() != nil {
		return errors.Join(errors.New("no subscription"), t.Error())
	}
	err := out.Encode(report{What: "ready"})
	io.Copy(io.Discard, os.Stdin)
	c.Disconnect(0)
	select {
	case e := <-failed:
		err = errors.Join(err, e)
	default:
	}
	return err
}

const annunciatorName = "shop"

// startAnnunciator runs the real binary, and waits until it serves.
func (b *bench) startAnnunciator(s *stage) (stop func() error, err error) {
	bin := filepath.Join(b.dir, "longlane")
	if err := build(bin, "longlane/cmd/longlane", runtime.GOARCH); err != nil {
		return nil, err
	}
	player, fifo := playerIn(b.dir)
	conf := filepath.Join(b.dir, "annunciator.toml")
	text := fmt.Sprintf("site = %q\nname = %q\nstate = %q\nlog_level = \"error\"\nplayer.command = [%q, %q]\n[broker]\nurl = \"mqtt://%s\"\n"+
		"[zones]\nrepeats = 1\nhold_off = \"0s\"\n[zone.river-gate]\nsound = false\ncommands = [\"note\"]\n[command.note]\nrun = [%q, %q]\n[supervision]\nsound = false\n",
		siteName, annunciatorName, filepath.Join(b.dir, "annunciator"), player, fifo, s.addr, player, fifo)
	if err := os.WriteFile(conf, []byte(text), 0o600); err != nil {
		return nil, err
	}
	run := exec.Command(bin, "annunciator", "--config", conf)
	var said bytes.Buffer
	run.Stderr, run.SysProcAttr = &said, dieWithUs()
	if err := run.Start(); err != nil {
		return nil, err
	}
	stop = func() error {
		run.Process.Signal(syscall.SIGTERM)
		err := run.Wait()
		if said.Len() > 0 {
			err = errors.Join(err, fmt.Errorf("the annunciator said: %s", said.String()))
		}
		return err
	}
	if err := s.reported(`"state":"serving"`); err != nil {
		return nil, errors.Join(err, stop())
	}
	return stop, nil
}

// listen hears what the annunciator reports.
func (s *stage) listen() (stop func() error, err error) {
	ctx, cancel := context.WithCancel(context.Background())
	s.reports = make(chan string, 1024)
	granted, done := make(chan struct{}, 1), make(chan error, 1)
	go func() { // ends with stop
		done <- mqtt.Subscribe(ctx, mqtt.SubscribeOptions{URL: "mqtt://" + s.addr, ClientID: "reports", QoS: 1, CleanSession: true,
			Filters: []string{"longlane/" + siteName + "/annunciator/#"}, Connected: func() { granted <- struct{}{} }},
			func(_ string, payload []byte, _ bool) { s.reports <- string(payload) })
	}()
	stop = func() error {
		cancel()
		return <-done
	}
	select {
	case <-granted:
		return stop, nil
	case <-time.After(patience):
		return nil, errors.Join(errors.New("no subscription"), stop())
	}
}

// reported waits for a report that has all of these texts.
func (s *stage) reported(texts ...string) error {
	limit := time.After(patience)
	for {
		select {
		case r := <-s.reports:
			has := true
			for _, t := range texts {
				has = has && strings.Contains(r, t)
			}
			if has {
				return nil
			}
		case <-limit:
			return fmt.Errorf("the annunciator has not reported %s in %v", strings.Join(texts, ", "), patience)
		}
	}
}

// playerIn is where the player's program is, and what it tells of itself in.
func playerIn(dir string) (program, fifo string) {
	return filepath.Join(dir, "player"), filepath.Join(dir, "played")
}

// audience builds the player, and listens to what it tells.
func (b *bench) audience(s *stage) error {
	program, fifo := playerIn(b.dir)
	if err := build(program, "longlane/cmd/bench/player", runtime.GOARCH); err != nil {
		return err
	}
	if err := unix.Mkfifo(fifo, 0o600); err != nil {
		return fmt.Errorf("make %s: %w", fifo, err)
	}
	f, err := os.OpenFile(fifo, os.O_RDWR, 0) // to write as well: then it never ends
	s.players, s.lines = f, bufio.NewReader(f)
	return err
}

// performed waits for a player or a command to tell of itself.
func (s *stage) performed(limit time.Duration) (p performance, err error) {
	if err := s.players.SetReadDeadline(time.Now().Add(limit)); err != nil {
		return p, err
	}
	line, err := s.lines.ReadString('\n')
	if err != nil {
		return p, fmt.Errorf("wait for a player: %w", err)
	}
	_, err = fmt.Sscan(line, (*int64)(&p.began), (*int64)(&p.first), &p.bytes, &p.id)
	return p, err
}

// nobody makes sure that nothing more was played.
func (s *stage) nobody() error {
	p, err := s.performed(500 * time.Millisecond)
	if !errors.Is(err, os.ErrDeadlineExceeded) {
		return errors.Join(fmt.Errorf("a player was started that nobody had asked for: %+v", p), err)
	}
	return nil
}

// zones are those of a place with many.
const zones = 20

// publish sends a trip that is now, as the gateway's own would be, and returns when it was given to the client.
func (s *stage) publish(kind string) (id string, at time.Duration, err error) {
	s.n++
	id, zone := fmt.Sprintf("9.1.%d", s.n), fmt.Sprintf("zone-%d", s.n/2%zones)
	data := s.example["data"].(map[string]any)
	s.example["id"], s.example["type"] = id, kind
	data["zone"], data["zone_title"], data["monotonic_s"] = zone, zone, s.lane.clock.Mono().Seconds()
	text, err := json.Marshal(s.example)
	if err != nil {
		return id, 0, err
	}
	at = monotonic()
	t := s.client.Publish("longlane/"+siteName+"/zone/"+zone+"/trip", 1, false, text)
	if !t.WaitTimeout(patience) {
		return id, at, errors.New("a trip was not acknowledged")
	}
	return id, at, t.Error()
}

// sound publishes an opening, or a closing for the floor, and gives how long it took until a player had its first sample, and how
// much it was given.
func (s *stage) sound(own bool) (took time.Duration, size int, err error) {
	kind := "longlane.trip.opened"
	if !own {
		kind = "longlane.trip.closed"
	}
	id, at, err := s.publish(kind)
	if err != nil {
		return 0, 0, err
	}
	p, err := s.performed(patience)
	switch {
	case err != nil:
		return 0, 0, err
	case p.id != "-" || p.first < at:
		return 0, 0, fmt.Errorf("trip %s at %v: played was %+v", id, at, p)
	case own:
		err = s.reported(`"id":"`+id+`"`, `"what":"sounded"`)
	}
	time.Sleep(rest)
	return p.first - at, p.bytes, err
}

// rest is between two trips, so long that another helper stands by: trips of people are further apart.
const rest = 50 * time.Millisecond

// command has the gateway hear an opening, or a closing for the floor, and gives how long it took until a command had begun.
func (s *stage) command() (took time.Duration, err error) {
	frame, err := s.lane.trip(s.lane.now())
	if err != nil {
		return 0, err
	}
	at := monotonic()
	if _, err := s.lane.mast.hear(frame); err != nil {
		return 0, err
	}
	p, err := s.performed(patience)
	if err == nil && (!strings.HasSuffix(p.id, fmt.Sprintf(".%d", s.lane.counter)) || p.began < at) {
		err = fmt.Errorf("event %d at %v: what began was %+v", s.lane.counter, at, p)
	}
	if err = errors.Join(err, s.lane.settled()); err != nil {
		return 0, err
	}
	if s.lane.counter%2 == 1 { // an opening
		err = s.reported(fmt.Sprintf(`.%d"`, s.lane.counter), `"what":"silent"`)
	}
	time.Sleep(rest)
	return p.began - at, err
}

// warm sends the first trips, of which nothing is measured, and learns from them what a trip looks like and how long a sound is.
func (s *stage) warm() error {
	h, err := newHouse(s.addr)
	if err != nil {
		return err
	}
	_, err = s.command()
	var first arrival
	if err == nil {
		first = <-h.heard
	}
	if err = errors.Join(err, h.close()); err != nil {
		return err
	}
	if err := json.Unmarshal(first.payload, &s.example); err != nil {
		return err
	}
	if _, ok := s.example["data"].(map[string]any); !ok {
		return fmt.Errorf("a trip without data: %s", first.payload)
	}
	for i := range zones { // the gateway's own is there; these have their chimes made beforehand, as that has
		zone := fmt.Sprintf("zone-%d", i)
		text := fmt.Sprintf(`{"zone":%q,"state":"clear","boot":%q,"since_monotonic_s":%f}`, zone, hex.EncodeToString(s.lane.clock.Boot[:]), s.lane.clock.Mono().Seconds())
		if t := s.client.Publish("longlane/"+siteName+"/zone/"+zone+"/state", 1, true, text); !t.WaitTimeout(patience) || t.Error() != nil {
			return errors.Join(errors.New("a state was not published"), t.Error())
		}
	}
	return nil
}

// annunciator measures the unit in a building beside a broker: from a trip's publication to a player's first sample, and from the tty of a
// gateway to the begin of a command.
func annunciator(b *bench) (rows []row, err error) {
	mos, err := startMosquitto(b.dir)
	if err != nil {
		return nil, err
	}
	defer mos.stop()
	s := &stage{addr: mos.addr}
	q, err := openQueue(b.dir, "own", nil)
	if err != nil {
		return nil, err
	}
	defer func() { err = errors.Join(err, q.Close()) }()
	if s.lane, err = b.newLane("own", gateway.OnQueue(q), mos.addr, nil); err != nil {
		return nil, err
	}
	defer func() { err = errors.Join(err, s.lane.close()) }()
	if err := b.audience(s); err != nil {
		return nil, err
	}
	defer s.players.Close()
	deaf, err := s.listen()
	if err != nil {
		return nil, err
	}
	defer func() { err = errors.Join(err, deaf()) }()
	stop, err := b.startAnnunciator(s)
	if err != nil {
		return nil, err
	}
	defer func() { err = errors.Join(err, stop()) }()
	if s.client, err = newPublisher(mos.addr); err != nil {
		return nil, err
	}
	defer s.client.Disconnect(0)
	if err := s.warm(); err != nil {
		return nil, err
	}
	_, size, err := s.sound(true)
	if err != nil {
		return nil, err
	}
	if s.bare, err = startChild(context.Background(), order{What: "ring", Dir: b.dir, Broker: mos.addr, N: size}); err != nil {
		return nil, err
	}
	defer func() { err = errors.Join(err, s.bare.end()) }()
	if _, err := s.bare.await("ready"); err != nil {
		return nil, err
	}
	if _, _, err := s.sound(false); err != nil { // s.n is even, and the next trip of the gateway's a closing
		return nil, err
	}
	if _, err := s.command(); err != nil {
		return nil, err
	}
	var sounds, commands [2][]time.Duration // own, floor
	for i := range b.sizes.rounds {
		fromSound, fromCommand := len(sounds[0]), len(commands[0])
		for j := range b.sizes.sounds {
			for k := range 2 {
				took, _, err := s.sound(k == 0)
				if err != nil {
					return nil, err
				}
				sounds[k] = append(sounds[k], took)
			}
			if j%4 > 0 {
				continue
			}
			for k := range 2 {
				took, err := s.command()
				if err != nil {
					return nil, err
				}
				commands[k] = append(commands[k], took)
			}
		}
		b.progress("round %d: sound, median %s, floor %s, 99th %s, floor %s; command, median %s, floor %s", i+1, ms(median(sounds[0][fromSound:])), ms(median(sounds[1][fromSound:])),
			ms(quantile(sounds[0][fromSound:], 0.99)), ms(quantile(sounds[1][fromSound:], 0.99)), ms(median(commands[0][fromCommand:])), ms(median(commands[1][fromCommand:])))
	}
	if err := errors.Join(s.nobody(), s.lane.check()); err != nil {
		return nil, err
	}
	r := func(name string, took [2][]time.Duration, share float64, bar time.Duration, note string) row {
		if share == 0.5 {
			name += fmt.Sprintf(", median (%d trips each)", len(took[0]))
		} else {
			name += fmt.Sprintf(", %gth of 100", 100*share)
		}
		own, floor := quantile(took[0], share), quantile(took[1], share)
		r := row{name: name, own: ms(own), floor: ms(floor) + " a bare client that starts the same program", ratio: over(own, floor), asked: "–", met: true, note: note}
		if bar > 0 {
			r.asked, r.met = "< "+bar.String(), own < bar
		}
		return r
	}
	return []row{
		r("broker to the player's first sample", sounds, 0.5, 100*time.Millisecond,
			fmt.Sprintf("from before the publication; one trip at a time, of %d zones, a sound of %d bytes; the player is a small program that notes when it has it. What a sound card adds is not in this", zones, size)),
		r("broker to the player's first sample", sounds, 0.99, 200*time.Millisecond, ""),
		r("tty to a command of the annunciator", commands, 0.5, 50*time.Millisecond,
			"from the write of the frame until the command's program has begun to run; the floor is behind the same gateway"),
		r("tty to a command of the annunciator", commands, 0.99, 0, ""),
	}, nil
}
