package main

import (
	"net"
	"strings"
	"syscall"
	"testing"
	"time"
)

// TestSecondSignal: the first signal begins an orderly end, which waits for a broker that does not answer and for HTTP
// clients; the second ends the process at once, with the code of a failure and a line in the log.
func TestSecondSignal(t *testing.T) {
	t.Parallel()
	h := newHouse(t, "river-gate")
	h.openHouse()
	gw := h.startGateway()
	eventually(t, time.Minute, "a session with the broker", func() bool { return strings.Contains(h.text("run.log"), `"msg":"session"`) })
	silent, err := net.Dial("tcp", h.http)
	if err != nil {
		t.Fatal(err)
	}
	defer silent.Close()
	if err := h.mos.p.cmd.Process.Signal(syscall.SIGSTOP); err != nil {
		t.Fatal(err)
	}
	gw.cmd.Process.Signal(syscall.SIGINT)
	eventually(t, time.Minute, "the gateway to say that it is stopping", func() bool {
		return strings.Contains(h.text("run.log"), `"msg":"stopping"`)
	})
	gw.cmd.Process.Signal(syscall.SIGTERM)
	if code := gw.wait(time.Minute); code != exitFailed {
		t.Errorf("after a second signal the gateway ended with %d, want %d", code, exitFailed)
	}
	log := h.text("run.log")
	if !strings.Contains(log, `"level":"ERROR","msg":"a second signal to stop`) || strings.Contains(log, `"msg":"stopped"`) {
		t.Error("the log lacks the second signal, or says that the gateway stopped in order")
	}
}

// TestFirstSignal: one signal is enough for an orderly end, with the code for it.
func TestFirstSignal(t *testing.T) {
	t.Parallel()
	h := newHouse(t, "river-gate")
	h.openHouse()
	gw := h.startGateway()
	eventually(t, time.Minute, "a session with the broker", func() bool { return strings.Contains(h.text("run.log"), `"msg":"session"`) })
	if code := gw.stop(); code != exitDone {
		t.Errorf("after a signal to stop the gateway ended with %d, want %d", code, exitDone)
	}
	if log := h.text("run.log"); !strings.Contains(log, `"level":"INFO","msg":"stopped"`) {
		t.Error("the log does not say that the gateway stopped")
	}
}
