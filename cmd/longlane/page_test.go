package main

import (
	"context"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/log"
	"github.com/chromedp/cdproto/runtime"
	"github.com/chromedp/chromedp"
)

// TestPage: a real browser on the page of the real gateway, with mosquitto beside it. A trip stands on the page within a second of its
// publication; a modem that is gone is a fault there, somebody says that he has seen it, and it goes when the modem is back.
func TestPage(t *testing.T) {
	t.Parallel()
	h := newHouse(t, "oak-relay", "river-gate")
	h.write("scenario.toml", "name = \"page\"\nseed = 4\n"+tomlRelay+tomlNode("river-gate", "oak-relay", 1200))
	h.openHouse()
	h.startGateway()
	sim := h.startSim()
	h.ready(time.Minute)

	o := append(chromedp.DefaultExecAllocatorOptions[:], chromedp.ExecPath(programPath(t, "chromium")), chromedp.NoSandbox, chromedp.Flag("disable-dev-shm-usage", true),
		chromedp.UserDataDir(t.TempDir()), chromedp.WSURLReadTimeout(time.Minute))
	ctx, stop := chromedp.NewExecAllocator(t.Context(), o...)
	t.Cleanup(stop)
	ctx, end := chromedp.NewContext(ctx)
	t.Cleanup(end)
	var mu sync.Mutex
	var said []string
	if err := chromedp.Listen(ctx, func(event any) {
		mu.Lock()
		defer mu.Unlock()
		switch e := event.(type) {
		case *log.EventEntryAdded:
			said = append(said, string(e.Entry.Level)+": "+e.Entry.Text)
		case *runtime.EventExceptionThrown:
			said = append(said, e.ExceptionDetails.Text)
		}
	}); err != nil {
		t.Fatal(err)
	}
	do := func(what string, actions ...chromedp.Action[chromedp.Void]) {
		t.Helper()
		for _, a := range actions {
			c, cancel := context.WithTimeout(ctx, time.Minute)
			err := chromedp.Do(c, a)
			cancel()
			if err != nil {
				t.Fatalf("%s: %v", what, err)
			}
		}
	}
	do("open the page", chromedp.EmulateViewport(1280, 900), chromedp.Navigate("http://"+h.http+"/"), chromedp.WaitVisible(chromedp.CSS("#came")))
	if _, err := chromedp.Call(ctx, log.Enable, cdp.Empty{}); err != nil {
		t.Fatal(err)
	}
	// The page notes by its own clock, which is ours, when each trip is put into it.
	inPage[bool](t, ctx, `window.seen = {}; new MutationObserver(() => { for (const li of document.querySelectorAll("li[id^=trip-]")) if (!window.seen[li.id]) window.seen[li.id] = Date.now(); })
		.observe(document.body, {childList: true, subtree: true}); true`)
	eventually(t, time.Minute, "the page to be live", func() bool {
		return strings.Contains(inPage[string](t, ctx, `document.getElementById("live").textContent`), "Live")
	})
	began := time.Now()
	shown := func() map[string]float64 { return inPage[map[string]float64](t, ctx, "window.seen") }
	published := func() map[string]time.Time { // openings that the subscriber has had since, by id
		m := map[string]time.Time{}
		for _, d := range h.sub.all() {
			if d.event.Type == "longlane.trip.opened" && d.at.After(began) {
				m[d.event.ID] = d.at
			}
		}
		return m
	}
	eventually(t, 2*time.Minute, "three trips on page and wire", func() bool {
		both := 0
		seen := shown()
		for id := range published() {
			if _, ok := seen["trip-"+id]; ok {
				both++
			}
		}
		return both >= 3
	})
	seen := shown()
	for id, at := range published() {
		ms, ok := seen["trip-"+id]
		if !ok {
			continue // it came just now
		}
		if late := time.UnixMilli(int64(ms)).Sub(at); late > time.Second {
			t.Errorf("trip %s stood on the page %v after it was published", id, late)
		}
	}

	sim.stop()
	text := func() string { // between two pages there is none
		return inPage[string](t, ctx, `document.getElementById("faults")?.textContent ?? ""`)
	}
	eventually(t, time.Minute, "the fault of the modem", func() bool { return strings.Contains(text(), "mast does not work") })
	do("say that it is seen", chromedp.Click(chromedp.CSS("article.fault button")))
	eventually(t, time.Minute, "that it was seen", func() bool { return strings.Contains(text(), "It stands until it is mended") })
	h.startSim()
	eventually(t, 3*time.Minute, "the end of the fault", func() bool { s := text(); return s != "" && !strings.Contains(s, "mast does not work") })
	mu.Lock()
	defer mu.Unlock()
	if len(said) > 0 {
		t.Errorf("the browser's console: %s", strings.Join(said, "\n"))
	}
	t.Logf("%d trips", len(seen))
}

// inPage gives what an expression is in the browser's page.
func inPage[T any](t *testing.T, ctx context.Context, expression string) T {
	t.Helper()
	c, cancel := context.WithTimeout(ctx, time.Minute)
	defer cancel()
	v, err := chromedp.Run(c, chromedp.Evaluate[T](expression))
	if err != nil {
		t.Fatalf("%s: %v", expression, err)
	}
	return v
}
