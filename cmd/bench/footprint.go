package main

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"net"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strconv"
	"syscall"
	"time"
)

// footprint measures what the gateway takes: of a disk, of memory while nothing happens, and of a memory card's life.
func footprint(b *bench) ([]row, error) {
	small := filepath.Join(b.dir, "longlane-"+b.sizes.arch)
	if err := build(small, "longlane/cmd/longlane", b.sizes.arch); err != nil {
		return nil, err
	}
	st, err := os.Stat(small)
	if err != nil {
		return nil, err
	}
	rows := []row{{name: "binary, linux/" + b.sizes.arch, own: mebi(float64(st.Size())), ratio: math.NaN(), asked: "< 20 MB", met: st.Size() < 20_000_000,
		note: "static and stripped: CGO_ENABLED=0 GOARM=6, -trimpath -ldflags '-s -w'"}}
	idle, err := b.idle()
	if err != nil {
		return rows, err
	}
	wear, err := b.wear()
	return append(append(rows, idle), wear...), err
}

func build(path, what, arch string) error {
	cmd := exec.Command("go", "build", "-trimpath", "-ldflags", "-s -w", "-o", path, what)
	cmd.Env = append(os.Environ(), "CGO_ENABLED=0", "GOOS=linux", "GOARCH="+arch, "GOARM=6")
	if out, err := cmd.CombinedOutput(); err != nil {
		return fmt.Errorf("build %s for %s: %w\n%s", what, arch, err, out)
	}
	return nil
}

// idle runs the real binary with a modem and a broker, and beside it a program that only opens a bbolt file, a
// connection to the broker and a port for HTTP.
func (b *bench) idle() (r row, err error) {
	bin := filepath.Join(b.dir, "longlane")
	if err := build(bin, "longlane/cmd/longlane", runtime.GOARCH); err != nil {
		return r, err
	}
	mos, err := startMosquitto(b.dir)
	if err != nil {
		return r, err
	}
	defer mos.stop()
	state := filepath.Join(b.dir, "state")
	if _, err := newSite(state); err != nil {
		return r, err
	}
	m, err := newMast()
	if err != nil {
		return r, err
	}
	defer func() { err = errors.Join(err, m.close()) }()
	port, err := freePort()
	if err != nil {
		return r, err
	}
	conf := filepath.Join(b.dir, "longlane.toml")
	text := fmt.Sprintf("site = %q\ngateway = \"house\"\nstate = %q\nhttp = %q\nlog_level = \"error\"\n[broker]\nurl = %q\n"+
		"[[modem]]\nname = \"mast\"\ndevice = %q\nfrequency = 869525000\nregion = \"europe\"\n[zone.river-gate]\ntitle = \"River gate\"\n",
		siteName, state, port, "mqtt://"+mos.addr, m.pty.Path())
	if err := os.WriteFile(conf, []byte(text), 0o600); err != nil {
		return r, err
	}
	ctx, cancel := context.WithCancel(context.Background())
	defer cancel()
	run := exec.CommandContext(ctx, bin, "run", "--config", conf)
	var said bytes.Buffer
	run.Stderr, run.SysProcAttr = &said, dieWithUs()
	run.Cancel = func() error { return run.Process.Signal(syscall.SIGTERM) }
	if err := run.Start(); err != nil {
		return r, err
	}
	defer func() {
		cancel()
		run.Wait()
		if err != nil {
			err = fmt.Errorf("%w; the gateway said: %s", err, said.String())
		}
	}()
	if err := await("the gateway to be ready", func() bool {
		resp, err := http.Get("http://" + port + "/readyz")
		if err != nil {
			return false
		}
		resp.Body.Close()
		return resp.StatusCode == http.StatusOK
	}); err != nil {
		return r, err
	}
	bare, err := startChild(ctx, order{What: "idle", Dir: b.dir, Broker: mos.addr, N: b.sizes.idleTime})
	if err != nil {
		return r, err
	}
	floor, err := bare.await("done")
	if err = errors.Join(err, bare.end()); err != nil {
		return r, err
	}
	own, err := memOf(strconv.Itoa(run.Process.Pid))
	b.progress("idle: %s, of it %s anonymous; bare %s", mebi(float64(own.RSS)), mebi(float64(own.Anon)), mebi(float64(floor.Mem.RSS)))
	return row{name: "resident while idle, linux/" + runtime.GOARCH, own: mebi(float64(own.RSS)), floor: mebi(float64(floor.Mem.RSS)) + " bbolt, MQTT client and HTTP port alone",
		ratio: float64(own.RSS) / float64(floor.Mem.RSS), asked: "< 30 MB", met: own.RSS < 30_000_000,
		note: fmt.Sprintf("anonymous %s (floor %s), mapped files %s (%s), mostly the program itself", mebi(float64(own.Anon)), mebi(float64(floor.Mem.Anon)),
			mebi(float64(own.File)), mebi(float64(floor.Mem.File)))}, err
}

func freePort() (string, error) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		return "", err
	}
	return l.Addr().String(), l.Close()
}

// idleWork is the floor of a gateway that does nothing.
func idleWork(o order, out *json.Encoder) error {
	b, err := newBare(o.Dir, "idle")
	if err != nil {
		return err
	}
	if _, err := b.store(1, 0); err != nil {
		return err
	}
	p, err := newPublisher(o.Broker)
	if err != nil {
		return err
	}
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		return err
	}
	srv := &http.Server{ReadHeaderTimeout: time.Second}
	go srv.Serve(l) // ends with the process
	if resp, err := http.Get("http://" + l.Addr().String()); err == nil {
		resp.Body.Close()
	}
	time.Sleep(time.Duration(o.N) * time.Second)
	m, err := memOf("self")
	err = errors.Join(err, out.Encode(report{What: "done", Mem: m}))
	p.Disconnect(0)
	io.Copy(io.Discard, os.Stdin)
	return errors.Join(err, srv.Close(), b.db.Close())
}

// wear measures what an event that comes alone has written to the disk.
func (b *bench) wear() ([]row, error) {
	dir := filepath.Join(b.dir, "wear")
	if err := os.Mkdir(dir, 0o700); err != nil {
		return nil, err
	}
	own, err := oneReport(order{What: "store", Dir: dir, N: b.sizes.lone, Alone: true})
	if err != nil {
		return nil, err
	}
	floor, err := oneReport(order{What: "bare", Dir: dir, N: 20 * b.sizes.lone})
	if err != nil {
		return nil, err
	}
	if own.Events != b.sizes.lone {
		return nil, fmt.Errorf("%d events stored, want %d", own.Events, b.sizes.lone)
	}
	pages, io := float64(own.Stats.Pages)/float64(own.Events), float64(own.Stats.IO)/float64(own.Events)
	bare := float64(floor.Stats.IO) / float64(floor.Events)
	most := max(pages, io)
	years := b.sizes.cardTBW * 1e12 / (most * b.sizes.perDay * 365.25)
	kib := func(v float64) string { return fmt.Sprintf("%.1f KiB", v/1024) }
	return []row{
		{name: "written for an event that comes alone", own: kib(most), floor: kib(bare) + " bare bbolt", ratio: most / max(bare, 1), asked: "–", met: true,
			note: fmt.Sprintf("by the queue's own count %s; by the kernel's, which knows blocks of the file system itself as well, %s. What the note of its acknowledgement takes is in it",
				kib(pages), kib(io))},
		{name: fmt.Sprintf("a memory card's life at %g events a day", b.sizes.perDay), own: fmt.Sprintf("%.0f years", years), ratio: math.NaN(), asked: "–", met: true,
			note: fmt.Sprintf("of a card that may be written %g TB, an assumption: look up yours (--card-tbw, --events-per-day); what the card writes beside what it is told is not known here", b.sizes.cardTBW)},
	}, nil
}
