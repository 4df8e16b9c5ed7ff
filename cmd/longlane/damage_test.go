package main

import (
	"bytes"
	"errors"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"longlane/queue"
)

// TestDamagedQueue: whatever the card has made of the queue's file, the gateway serves within 10 s, the house hears of it,
// what stood there is kept, and what of it can be read is delivered: with a header lost that is all of it.
func TestDamagedQueue(t *testing.T) {
	t.Parallel()
	h := newHouse(t, "river-gate", "cattle-grid")
	h.startMosquitto()
	h.sub = newSubscriber(h)
	h.steady("5s")
	gw := h.startGateway()
	sim := h.startSim("--drain")
	if code := sim.wait(2 * time.Minute); code != exitDone {
		t.Fatalf("the simulator ended with %d", code)
	}
	gw.kill()
	path := h.path("state/queue.db")
	seed := rand.Uint64()
	t.Logf("seed %d", seed)
	rng := rand.New(rand.NewPCG(seed, 1))
	faults := 0
	const page = 4096
	for _, d := range []struct {
		what string
		make func(raw []byte) ([]byte, error)
	}{
		{"a header lost", func(raw []byte) ([]byte, error) { clear(raw[:512]); return raw, nil }},
		{"cut short", func(raw []byte) ([]byte, error) { return raw[:4*page+7], nil }},
		{"random bytes", func(raw []byte) ([]byte, error) {
			for i := range raw {
				raw[i] = byte(rng.Uint32())
			}
			return raw, nil
		}},
		{"pages swapped", func(raw []byte) ([]byte, error) {
			was := bytes.Clone(raw)
			for i := 2 * page; i+page <= len(raw); i += page { // in reverse
				copy(raw[i:i+page], was[len(was)-i+page:])
			}
			return raw, nil
		}},
		{"empty", func([]byte) ([]byte, error) { return nil, nil }},
		{"gone", nil},
	} {
		raw, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		if d.make == nil {
			err = os.Remove(path)
		} else if raw, err = d.make(raw); err == nil {
			err = os.WriteFile(path, raw, 0o600)
		}
		if err != nil {
			t.Fatal(err)
		}
		began := time.Now()
		gw := h.startGateway()
		eventually(t, time.Minute, "the gateway to serve: "+d.what, func() bool { code, _ := h.get("/healthz"); return code == 200 })
		if took := time.Since(began); took > 10*time.Second {
			t.Errorf("%s: serving after %v", d.what, took)
		}
		h.gate.lead(h.mos.addr)
		faults++
		eventually(t, time.Minute, "a fault: "+d.what, func() bool {
			ids := map[string]bool{} // where the places of sinks were lost, earlier ones come again
			for _, m := range h.sub.all() {
				if m.event.Data.Code == "queue-replaced" {
					ids[m.event.ID] = true
				}
			}
			return len(ids) == faults
		})
		if d.what == "a header lost" {
			h.checkDelivered(time.Minute)
		}
		if d.make != nil {
			kept, _ := filepath.Glob(path + ".damaged-*")
			if !slices.ContainsFunc(kept, func(name string) bool { got, err := os.ReadFile(name); return err == nil && bytes.Equal(got, raw) }) {
				t.Errorf("%s: what stood there is not kept among %q", d.what, kept)
			}
		}
		if code := gw.stop(); code != exitDone {
			t.Errorf("%s: the gateway ended with %d", d.what, code)
		}
	}
	// A gateway that died while it opened its file tries it in a child first; this one is well.
	if err := os.WriteFile(path+".opening", nil, 0o600); err != nil {
		t.Fatal(err)
	}
	h.startGateway()
	eventually(t, time.Minute, "the gateway to serve", func() bool { code, _ := h.get("/healthz"); return code == 200 })
	if _, err := os.Stat(path + ".opening"); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("the sign of a gateway that opens its file still stands: %v", err)
	}
	if _, text := h.get("/metrics"); strings.Contains(h.text("run.log")[strings.LastIndex(h.text("run.log"), `"serving"`):], "replaced") || text == "" {
		t.Error("a good file was replaced")
	}
}

// TestProbe: the child that tries a queue's file tells a good one from a bad one, and neither from one that is held.
func TestProbe(t *testing.T) {
	h := newHouse(t, "river-gate")
	gw := h.startGateway()
	path := h.path("state/queue.db")
	eventually(t, time.Minute, "the gateway to serve", func() bool { code, _ := h.get("/healthz"); return code == 200 })
	if code, _, errs := cli("", "probe-queue", path); code != exitFailed || !strings.Contains(errs, "another gateway") {
		t.Errorf("held by another: %d, %s", code, errs)
	}
	gw.kill()
	if code, _, errs := cli("", "probe-queue", path); code != exitDone {
		t.Errorf("a good file: %d, %s", code, errs)
	}
	if err := os.Truncate(path, 9000); err != nil {
		t.Fatal(err)
	}
	if code, _, errs := cli("", "probe-queue", path); code != exitFailed || !strings.Contains(errs, "cut short") {
		t.Errorf("a file cut short: %d, %s", code, errs)
	}
}

// TestProbeDies: a child that dies as Go programs do says that the file is to blame; one that is slow, or that ends with an
// error of its own, does not.
func TestProbeDies(t *testing.T) {
	t.Setenv(beProgram, "1")
	missing := filepath.Join(t.TempDir(), "queue.db")
	if err := probeQueue(missing); err != nil {
		t.Errorf("a child that ended with an error: %v, want nil", err)
	}
	for _, tc := range []struct {
		end  string
		dies bool
	}{{"panic", true}, {"fault", true}, {"hang", false}} {
		t.Setenv(endOfProgram, tc.end)
		if err := probeQueue(missing); (err != nil) != tc.dies || errors.Is(err, queue.ErrLocked) {
			t.Errorf("%s: %v, want an error: %v", tc.end, err, tc.dies)
		}
	}
}
