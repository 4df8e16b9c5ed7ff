package main

import (
	"errors"
	"fmt"
	"os"
	"os/exec"
	"strings"
	"syscall"
	"testing"
	"time"
)

// startOnSmallDisk starts the gateway with its state directory on a file system of its own of so many bytes, which ends with
// it, and gives the way to it from outside.
func (h *house) startOnSmallDisk(bytes int) (gw *process, state string) {
	h.t.Helper()
	if err := os.Rename(h.path("state"), h.path("enrolled")); err != nil {
		h.t.Fatal(err)
	}
	if err := os.Mkdir(h.path("state"), 0o700); err != nil {
		h.t.Fatal(err)
	}
	how := "-m"
	if os.Geteuid() != 0 {
		how = "-rm"
	}
	log, err := os.OpenFile(h.path("run.log"), os.O_CREATE|os.O_APPEND|os.O_WRONLY, 0o600)
	if err != nil {
		h.t.Fatal(err)
	}
	defer log.Close()
	script := fmt.Sprintf(`mount -t tmpfs -o size=%d,mode=0700 tmpfs %[2]s/state && cp -a %[2]s/enrolled/. %[2]s/state && exec %[3]s run --config %[2]s/longlane.toml`,
		bytes, h.dir, os.Args[0])
	cmd := exec.Command("unshare", how, "sh", "-c", script) // each becomes the next, so that the process is the gateway
	cmd.Env = append(os.Environ(), beProgram+"=1")
	cmd.Stdout, cmd.Stderr = log, log
	gw = startProcess(h.t, cmd)
	return gw, fmt.Sprintf("/proc/%d/root%s", cmd.Process.Pid, h.path("state"))
}

// fillDisk writes a file until no more than left bytes are free beside it.
func fillDisk(t *testing.T, name string, left int64) {
	t.Helper()
	f, err := os.Create(name)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	for block := make([]byte, 64<<10); ; {
		var st syscall.Statfs_t
		if err := syscall.Fstatfs(int(f.Fd()), &st); err != nil {
			t.Fatal(err)
		}
		if int64(st.Bavail)*int64(st.Bsize) <= left {
			return
		}
		if _, err := f.Write(block); errors.Is(err, syscall.ENOSPC) {
			return
		} else if err != nil {
			t.Fatal(err)
		}
	}
}

// TestFullCard: another program fills the card to the last byte while the broker is away. Nodes get no receipts and keep their
// trips; the gateway goes on. With room again it takes them by itself, and all that was receipted is delivered, the fault's
// beginning and end with it.
func TestFullCard(t *testing.T) {
	t.Parallel()
	h := newHouse(t, "river-gate", "cattle-grid")
	h.startMosquitto()
	h.sub = newSubscriber(h)
	gw, state := h.startOnSmallDisk(24 << 20)
	eventually(t, time.Minute, "the gateway to serve", func() bool { code, _ := h.get("/healthz"); return code == 200 })
	fillDisk(t, state+"/photographs", 0)
	h.write("scenario.toml", "name = \"many\"\nseed = 7\nuntil = \"15s\"\n"+tomlNode("river-gate", "", 30000)+tomlNode("cattle-grid", "", 30000))
	sim := h.startSim("--drain")
	refused := func() float64 {
		_, text := h.get("/metrics")
		return metric(text, `longlane_queue_refused_total{reason="full_alarm"}`)
	}
	eventually(t, time.Minute, "a trip to be refused", func() bool { return refused() > 3 })
	stored := func(priority string) int {
		_, text := h.get("/metrics")
		return int(metric(text, `longlane_queue_stored_events{priority="`+priority+`"}`))
	}
	// Nothing more is stored, and no node has a receipt for what is not: one that lost its receipt on the air may get another.
	more, before := refused()+10, stored("alarm")
	eventually(t, time.Minute, "ten more tries to be refused", func() bool { return refused() >= more })
	if now := stored("alarm"); now != before || before == 0 {
		t.Errorf("%d trips stored when the disk was full, %d after ten more tries", before, now)
	}
	if got, most := len(idsOf(h.records(), "released")), stored("alarm")+stored("notice"); got > most {
		t.Errorf("%d receipts with %d events stored", got, most)
	}
	if code, text := h.get("/healthz"); code != 200 {
		t.Errorf("a full disk is no broken one: %d %s", code, text)
	}
	if err := os.Remove(state + "/photographs"); err != nil {
		t.Fatal(err)
	}
	if code := sim.wait(2 * time.Minute); code != exitDone {
		t.Fatalf("the simulator ended with %d", code)
	}
	h.gate.lead(h.mos.addr)
	h.checkDelivered(time.Minute)
	eventually(t, time.Minute, "the fault's beginning and end", func() bool {
		told := map[string]bool{}
		for _, m := range h.sub.all() {
			if m.event.Data.Code == "queue-full" {
				told[m.event.Type] = true
			}
		}
		return told["longlane.fault.began"] && told["longlane.fault.ended"]
	})
	if code := gw.stop(); code != exitDone {
		t.Errorf("the gateway ended with %d", code)
	}
	if n := strings.Count(h.text("run.log"), "an event was not stored"); n > 5 {
		t.Errorf("%d lines in the log tell of events not stored, want them when it begins", n)
	}
}
