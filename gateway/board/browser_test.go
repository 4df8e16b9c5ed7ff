package board

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"net/http/httptest"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/cdproto/log"
	"github.com/chromedp/cdproto/runtime"
	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"

	"longlane/gateway/health"
)

// serve serves a board over a socket, as the daemon does.
func serve(t *testing.T, o Options) (*Board, string) {
	t.Helper()
	if o.Listen == "" {
		o.Listen = "127.0.0.1:0"
	}
	b, err := New(o)
	if err != nil {
		t.Fatal(err)
	}
	srv := httptest.NewUnstartedServer(b)
	// As the daemon's server, only tighter.
	srv.Config.ReadTimeout, srv.Config.WriteTimeout = 5*time.Second, 5*time.Second
	srv.Start()
	t.Cleanup(func() {
		b.Close()
		srv.Close()
	})
	return b, srv.URL
}

// TestMain ends the browser that tests have started.
func TestMain(m *testing.M) {
	flag.Parse()
	code := m.Run()
	endBrowser()
	os.Exit(code)
}

var endBrowser = func() {}

// theBrowser is started once for all tests.
var theBrowser = sync.OnceValues(func() (context.Context, error) {
	path, err := exec.LookPath("chromium")
	if err != nil {
		return nil, errors.New("the page is tried in a real browser, and there is no chromium here: make setup installs it")
	}
	dir, err := os.MkdirTemp("", "longlane-board-")
	if err != nil {
		return nil, err
	}
	o := append(chromedp.DefaultExecAllocatorOptions[:], chromedp.ExecPath(path), chromedp.NoSandbox, chromedp.Flag("disable-dev-shm-usage", true), chromedp.UserDataDir(dir),
		chromedp.WSURLReadTimeout(time.Minute))
	ctx, stop := chromedp.NewExecAllocator(context.Background(), o...)
	ctx, end := chromedp.NewContext(ctx)
	endBrowser = func() {
		end()
		stop()
		os.RemoveAll(dir)
	}
	return ctx, chromedp.Do(ctx)
})

func chromium(t *testing.T) context.Context {
	t.Helper()
	ctx, err := theBrowser()
	if err != nil {
		t.Fatal(err)
	}
	return ctx
}

// patience is how long the browser may take for anything, on a machine that does other work as well.
const patience = time.Minute

// tab is a page in the browser, and what its console said.
type tab struct {
	t   *testing.T
	ctx context.Context
	end func()

	mu     sync.Mutex
	errors []string
}

type look struct {
	width, height int64
	dark, noJS    bool
}

func (l look) String() string {
	s := fmt.Sprintf("%d", l.width)
	if l.dark {
		s += "-dark"
	} else {
		s += "-light"
	}
	if l.noJS {
		s += "-nojs"
	}
	return s
}

func openTab(t *testing.T, browser context.Context, l look) *tab {
	t.Helper()
	ctx, end := chromedp.NewContext(browser)
	t.Cleanup(end)
	p := &tab{t: t, ctx: ctx, end: end}
	if err := chromedp.Listen(ctx, p.hear); err != nil {
		t.Fatal(err)
	}
	scheme := "light"
	if l.dark {
		scheme = "dark"
	}
	p.do(chromedp.EmulateViewport(l.width, l.height, chromedp.EmulateScale(1)))
	call(p, emulation.SetScriptExecutionDisabled, emulation.SetScriptExecutionDisabledParams{Value: l.noJS})
	call(p, log.Enable, cdp.Empty{})
	call(p, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{Features: []*emulation.MediaFeature{
		{Name: "prefers-color-scheme", Value: scheme}, {Name: "prefers-reduced-motion", Value: "reduce"}}})
	return p
}

// hear takes in what the console says.
func (p *tab) hear(e any) {
	p.mu.Lock()
	defer p.mu.Unlock()
	switch e := e.(type) {
	case *runtime.EventExceptionThrown:
		p.errors = append(p.errors, fmt.Sprint(e.ExceptionDetails.Text, e.ExceptionDetails.Exception))
	case *runtime.EventConsoleAPICalled:
		if e.Type == runtime.ConsoleAPICalledTypeError || e.Type == runtime.ConsoleAPICalledTypeWarning {
			p.errors = append(p.errors, fmt.Sprint(e.Args))
		}
	case *log.EventEntryAdded:
		if e.Entry.Level == log.EntryLevelError || e.Entry.Level == log.EntryLevelWarning {
			p.errors = append(p.errors, e.Entry.Text+" "+e.Entry.URL)
		}
	}
}

func call[P, R any](p *tab, c cdp.Command[P, R], params P) R {
	p.t.Helper()
	r, err := chromedp.Call(p.ctx, c, params)
	if err != nil {
		p.t.Fatal(err)
	}
	return r
}

func (p *tab) do(actions ...chromedp.Action[chromedp.Void]) {
	p.t.Helper()
	for i, a := range actions {
		ctx, stop := context.WithTimeout(p.ctx, patience)
		err := chromedp.Do(ctx, a)
		stop()
		if err != nil {
			p.t.Fatalf("action %d of %d: %v", i+1, len(actions), err)
		}
	}
}

// eval gives what an expression is in the page.
func eval[T any](p *tab, expression string, o ...chromedp.EvaluateOption) T {
	p.t.Helper()
	ctx, stop := context.WithTimeout(p.ctx, patience)
	defer stop()
	v, err := chromedp.Run(ctx, chromedp.Evaluate[T](expression, o...))
	if err != nil {
		p.t.Fatalf("%s: %v", expression, err)
	}
	return v
}

// shoot writes a picture of the whole page if that was asked for.
func (p *tab) shoot(name string) {
	p.t.Helper()
	if *shots == "" {
		return
	}
	png, err := chromedp.Run(p.ctx, chromedp.FullScreenshot(100))
	if err != nil {
		p.t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(*shots, name+".png"), png, 0o644); err != nil {
		p.t.Fatal(err)
	}
}

// quiet fails if the console has said anything bad.
func (p *tab) quiet() {
	p.t.Helper()
	p.mu.Lock()
	defer p.mu.Unlock()
	if len(p.errors) > 0 {
		p.t.Errorf("the console says: %s", strings.Join(p.errors, "\n"))
	}
}

var shots = flag.String("shots", "", "write pictures of the pages into this `directory`")

var looks = []look{{360, 740, false, false}, {360, 740, true, false}, {1280, 900, false, false}, {1280, 900, true, false}}

// goTo shows a page and, where it keeps itself fresh, waits until it does.
func (p *tab) goTo(url string, live bool) {
	p.t.Helper()
	p.do(chromedp.Navigate(url), chromedp.WaitVisible(chromedp.CSS(`body > main`)))
	if live {
		p.until(`document.getElementById("live").textContent.includes("Live.")`)
	}
}

// until waits for an expression to be true, if need be on the page that comes after this one.
func (p *tab) until(expression string) {
	p.t.Helper()
	ctx, stop := context.WithTimeout(p.ctx, patience)
	defer stop()
	for {
		_, err := chromedp.Run(ctx, chromedp.Poll[bool]("!!("+expression+")"))
		if err == nil {
			return
		}
		if ctx.Err() != nil {
			p.t.Fatalf("it never became true that %s: %v", expression, err)
		}
	}
}

// fits fails if the page is wider than the screen, or if the lane's labels cover each other as the browser has set them.
func (p *tab) fits(where string) {
	p.t.Helper()
	if w := eval[[]int](p, `[document.documentElement.scrollWidth, innerWidth]`); w[0] > w[1] {
		p.t.Errorf("%s: the page is %d wide on a screen of %d", where, w[0], w[1])
	}
	for _, pair := range eval[[]string](p, `(() => {
		const found = [];
		for (const map of document.querySelectorAll("svg.map")) {
			if (!map.getClientRects().length) continue;
			const texts = [...map.querySelectorAll("text")].map(t => [t.textContent, t.getBBox()]);
			const view = map.viewBox.baseVal;
			texts.forEach(([name, a], i) => {
				if (a.x < 0 || a.y < 0 || a.x + a.width > view.width || a.y + a.height > view.height) found.push(name + " is cut off");
				for (const [other, b] of texts.slice(0, i)) {
					const w = Math.min(a.x + a.width, b.x + b.width) - Math.max(a.x, b.x), h = Math.min(a.y + a.height, b.y + b.height) - Math.max(a.y, b.y);
					// The browser's boxes hold the room above and below the letters as well.
					if (w > 0.5 && h > a.height * 0.3) found.push(name + " covers " + other);
				}
			});
		}
		return found;
	})()`) {
		p.t.Errorf("%s: in the picture %s", where, pair)
	}
}

// TestPage is the page in a real browser: what happens appears by itself and soon, a fault is followed from its begin to its
// acknowledgement to its end, and nothing is said on the console.
func TestPage(t *testing.T) {
	browser := chromium(t)
	for _, l := range looks {
		t.Run(l.String(), func(t *testing.T) {
			s := orchard(time.Now()).trouble()
			b, url := serve(t, Options{Source: s})
			p := openTab(t, browser, l)
			p.goTo(url, true)
			p.fits("the lane")
			p.accessible("the lane")
			p.shoot("trouble-" + l.String())

			trip := Trip{ID: "9.0.77", Zone: "ridge-gate", Title: "Ridge gate", Node: "ridge-gate", At: time.Now(), Margin: Figure(15)}
			s.mu.Lock()
			s.trips = append([]Trip{trip}, s.trips...)
			s.mu.Unlock()
			told := time.Now()
			b.Tell(Event{Kind: OnTrip, Trip: &trip})
			p.until(`document.querySelector("#came .trips li:first-child strong")?.textContent === "Ridge gate"`)
			took := time.Since(told)
			t.Logf("the trip is seen after %v", took.Round(time.Millisecond))
			if took > time.Second {
				t.Errorf("the trip is seen after %v, want a second at the most", took)
			}
			p.until(`document.getElementById("said").textContent.startsWith("Ridge gate, ")`)
			// Then the server's own words for it, with the margin.
			p.until(`document.querySelector('[id="trip-9.0.77"]').textContent.includes("weakest hop 15 dB")`)

			fault := s.now.Faults[0]
			fault.ID, fault.Subject, fault.Reason = "mast.jammed.5", health.Subject{Kind: health.KindBearer, Name: "mast"}, "The channel is not quiet, and no node is heard."
			s.change(func(n *Situation) { n.Faults = append([]Fault{fault}, n.Faults...) })
			b.Tell(Event{Kind: OnFault, Fault: &FaultChange{Fault: fault}})
			p.until(`document.querySelector("#faults article p")?.textContent.startsWith("The channel is not quiet")`)
			// By keyboard.
			p.do(chromedp.Focus(chromedp.CSS(`[id="seen-mast.jammed.5"]`)), chromedp.KeyEvent(kb.Enter))
			p.until(`document.querySelector('[id="fault-mast.jammed.5"] .seen')?.textContent.startsWith("Seen")`)
			if s.Now().Faults[0].Seen == nil {
				t.Error("the page says that it was seen, and the gateway does not know")
			}
			p.until(`document.getElementById("live").textContent.includes("Live.")`)
			p.shoot("acknowledged-" + l.String())
			s.change(func(n *Situation) { n.Faults = nil })
			b.Tell(Event{Kind: OnFault, Fault: &FaultChange{Fault: fault, Ended: true}})
			p.until(`document.querySelector("#faults > p")?.textContent === "Nothing."`)
			p.accessible("the lane later")
			p.quiet()
		})
	}
}

// TestOtherPages: each fits, is accessible and says nothing on the console.
func TestOtherPages(t *testing.T) {
	browser := chromium(t)
	now := time.Now()
	noPlan := orchard(now).trouble()
	noPlan.now.Plan = nil
	unset := orchard(now)
	unset.now.Clock = ClockUnset
	unset.now.Serving, unset.now.Zones[0].Last = nil, nil
	quiet := &site{now: Situation{Site: "new-place", Gateway: "house", At: now, Clock: ClockSet}, hours: weather(1)}
	for _, c := range []struct {
		name string
		s    *site
		path string
		live bool
	}{
		{"well", orchard(now), "/", true}, {"noplan", noPlan, "/", true}, {"village", village(now, 49, 3), "/", true}, {"unset", unset, "/", true}, {"empty", quiet, "/", true},
		{"day", orchard(now), "/node/river-gate", false}, {"month", orchard(now), "/node/river-gate?span=month", false}, {"year", orchard(now), "/node/river-gate?span=year", false},
		{"trips", orchard(now), "/trips?when=yesterday", false}, {"never", orchard(now), "/trips?when=moonrise", false}, {"nothing", orchard(now), "/moon", false},
	} {
		_, url := serve(t, Options{Source: c.s})
		for _, l := range []look{{360, 740, true, false}, {1280, 900, false, false}, {320, 640, false, false}} {
			p := openTab(t, browser, l)
			p.goTo(url+c.path, c.live)
			p.fits(c.name + " " + l.String())
			if l.width != 320 {
				p.accessible(c.name + " " + l.String())
			}
			p.shoot(c.name + "-" + l.String())
			p.mu.Lock()
			for _, e := range p.errors {
				// The browser itself says that a page was answered with 404 or 400.
				if !strings.Contains(e, "Failed to load resource") || c.path != "/moon" && c.name != "never" {
					t.Errorf("%s %s: the console says: %s", c.name, l, e)
				}
			}
			p.mu.Unlock()
			p.end()
		}
	}
}

// TestWithoutJavaScript: all is there, and a fault can be acknowledged.
func TestWithoutJavaScript(t *testing.T) {
	s := orchard(time.Date(2026, 3, 1, 15, 0, 0, 0, time.Local)).trouble() // in the afternoon: soon after midnight nobody has come yet today
	_, url := serve(t, Options{Source: s})
	p := openTab(t, chromium(t), look{360, 740, false, true})
	p.goTo(url, false)
	p.shoot("nojs")
	p.do(chromedp.Click(chromedp.CSS(`[id="seen-cattle-grid.overdue.1"]`)), chromedp.WaitVisible(chromedp.CSS(`[id="fault-cattle-grid.overdue.1"] .seen`)))
	if s.Now().Faults[0].Seen == nil {
		t.Error("the gateway does not know that it was seen")
	}
	p.do(chromedp.Click(chromedp.CSS(`#more-today`)), chromedp.WaitVisible(chromedp.CSS("#when")), chromedp.WaitVisible(chromedp.CSS(".trips")))
	p.do(chromedp.Navigate(url), chromedp.Click(chromedp.CSS(`#year-river-gate`)), chromedp.WaitVisible(chromedp.CSS(".narrow svg.curve")))
	p.quiet()
}

// TestLoginInTheBrowser: a locked board asks for its password, lets in, keeps its stream, and lets out.
func TestLoginInTheBrowser(t *testing.T) {
	s := orchard(time.Now())
	b, url := serve(t, Options{Source: s, Password: hashed})
	p := openTab(t, chromium(t), look{360, 740, true, false})
	p.goTo(url, false)
	p.fits("login")
	p.accessible("login")
	p.shoot("login")
	p.do(chromedp.SendKeys(chromedp.CSS("#password"), password+kb.Enter), chromedp.WaitVisible(chromedp.CSS("#strip")))
	p.until(`document.getElementById("live").textContent.includes("Live.")`)
	p.accessible("the lane, logged in")
	if n := b.Stats().Clients; n != 1 {
		t.Errorf("%d listen, want the page", n)
	}
	p.do(chromedp.Submit(chromedp.CSS(`form[action="/logout"]`)), chromedp.WaitVisible(chromedp.CSS("#password")))
	p.quiet()
}

// TestKeyboard: the first key leads to the lane, and what has the focus shows it; nothing moves for those who want it so.
func TestKeyboard(t *testing.T) {
	s := orchard(time.Now())
	b, url := serve(t, Options{Source: s})
	p := openTab(t, chromium(t), look{1280, 900, false, false})
	p.goTo(url, true)
	p.do(chromedp.KeyEvent(kb.Tab))
	if got := eval[string](p, `document.activeElement.className + " " + getComputedStyle(document.activeElement).outlineStyle`); got != "skip solid" {
		t.Errorf("the first key leads to %q", got)
	}
	p.do(chromedp.Focus(chromedp.CSS("#more-night")))
	trip := s.trips[0]
	trip.ID = "9.0.1"
	s.change(func(*Situation) { s.trips = append([]Trip{trip}, s.trips...) })
	b.Tell(Event{Kind: OnTrip, Trip: &trip})
	p.until(`document.querySelector('[id="trip-9.0.1"]')`)
	if got := eval[string](p, `getComputedStyle(document.querySelector('[id="trip-9.0.1"]')).animationName`); got != "none" {
		t.Errorf("it moves: %s", got)
	}
	p.until(`document.querySelector('[id="trip-9.0.1"]').textContent.includes("weakest")`) // made anew by the server
	if got := eval[string](p, `document.activeElement.id`); got != "more-night" {
		t.Errorf("the focus has gone to %q", got)
	}
	p.quiet()
}
