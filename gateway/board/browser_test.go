package board

import (
	"context"
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
	// The limits of the daemon's server, tighter: a stream must outlive them.
	srv.Config.ReadTimeout, srv.Config.WriteTimeout = time.Second, time.Second
	srv.Start()
	t.Cleanup(func() {
		b.Close()
		srv.Close()
	})
	return b, srv.URL
}

// chromium starts the browser, once for all that the calling test shows.
func chromium(t *testing.T) context.Context {
	t.Helper()
	path, err := exec.LookPath("chromium")
	if err != nil {
		t.Fatal("the page is tried in a real browser, and there is no chromium here: make setup installs it")
	}
	o := append(chromedp.DefaultExecAllocatorOptions[:], chromedp.ExecPath(path), chromedp.NoSandbox, chromedp.Flag("disable-dev-shm-usage", true), chromedp.UserDataDir(t.TempDir()),
		chromedp.WSURLReadTimeout(60*time.Second))
	ctx, stop := chromedp.NewExecAllocator(context.Background(), o...)
	t.Cleanup(stop)
	ctx, end := chromedp.NewContext(ctx)
	t.Cleanup(end)
	if err := chromedp.Do(ctx); err != nil {
		t.Fatalf("start chromium: %v", err)
	}
	return ctx
}

// tab is a page in the browser, and what its console said.
type tab struct {
	t   *testing.T
	ctx context.Context

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
	ctx, stop := context.WithTimeout(ctx, 30*time.Second)
	t.Cleanup(stop)
	p := &tab{t: t, ctx: ctx}
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
	if err := chromedp.Do(p.ctx, actions...); err != nil {
		p.t.Fatal(err)
	}
}

// eval gives what an expression is in the page.
func eval[T any](p *tab, expression string, o ...chromedp.EvaluateOption) T {
	p.t.Helper()
	v, err := chromedp.Run(p.ctx, chromedp.Evaluate[T](expression, o...))
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

func TestShots(t *testing.T) {
	if *shots == "" {
		t.Skip("pictures are written with -shots DIR")
	}
	browser := chromium(t)
	now := time.Now()
	noPlan := orchard(now).trouble()
	noPlan.now.Plan = nil
	for name, s := range map[string]*site{"well": orchard(now), "trouble": orchard(now).trouble(), "village": village(now, 49, 3), "noplan": noPlan} {
		_, url := serve(t, Options{Source: s})
		for _, l := range looks {
			p := openTab(t, browser, l)
			p.do(chromedp.Navigate(url), chromedp.WaitVisible("#strip"))
			p.shoot(name + "-" + l.String())
			if name == "well" {
				p.do(chromedp.Navigate(url+"/node/river-gate?span=year"), chromedp.WaitVisible("main"))
				p.shoot("node-" + l.String())
				p.do(chromedp.Navigate(url+"/trips?when=yesterday"), chromedp.WaitVisible("main"))
				p.shoot("trips-" + l.String())
			}
			p.quiet()
		}
	}
}
