package queue

import (
	"bufio"
	"bytes"
	"crypto/sha256"
	"encoding/binary"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"maps"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"
)

// The crash-state test answers what a kill cannot: what a power cut leaves. The kernel may have written any part of
// what was not synced, so a workload runs under strace, which gives the total order of its file operations and of what
// it said ("stored", "flushed"). At each point of that order the files are rebuilt as they may stand after a cut:
// everything synced, plus none, all, each one alone, all but one, and random pages and sectors of the rest; and each
// pending change of the directory made or not. Every such state is opened by a process that may die of it.

const (
	noSyncEnv   = "LONGLANE_QUEUE_TEST_NOSYNC"
	queueName   = "queue.db"
	sectorSize  = 512
	probeWait   = 60 * time.Second
	crashSteps  = 24
	crashTarget = 300 // distinct states that a run must reach
)

// workloadChild appends in small batches, acknowledges behind it, in and out of order, and now and then flushes.
// Before it asks for anything it says so: what was asked may or may not be there after a cut.
func workloadChild() error {
	o := Options{Advance: highest, MaxBytes: 1 << 20, noSync: os.Getenv(noSyncEnv) != ""}
	path := filepath.Join(os.Getenv(dirEnv), queueName)
	// The file may be the work of a process that was killed right after the rename: Open must not trust its name.
	made := o
	if err := errors.Join(made.fill(), create(path, made)); err != nil {
		return err
	}
	q, err := Open(path, o)
	if err != nil {
		return err
	}
	say("open")
	c, err := q.Sink("broker", SinkOptions{Required: true})
	if err != nil {
		return err
	}
	rng := rand.New(rand.NewPCG(1, 2))
	n := uint32(0)
	for step := range crashSteps {
		answers := make(chan error, 3)
		for range 3 {
			n++
			value := fmt.Sprintf("%d-%s", n, strings.Repeat("v", rng.IntN(1500)))
			say("asking %d %s", n, value)
			r := Record{Priority: Priority(n % priorities), Value: []byte(value), Mark: &Mark{[]byte("node"), n}}
			q.Append(r, func(s Seq, err error) {
				say("stored %d %s", s, value)
				answers <- err
			})
		}
		for range 3 {
			if err := <-answers; err != nil {
				return err
			}
		}
		for p := range Priority(priorities) {
			items, err := c.Next(p, 0, 8)
			if err != nil {
				return err
			}
			for i, it := range items {
				if (i+step)%3 != 0 {
					say("acking %d", it.Seq)
					c.Ack(it.Seq)
				}
			}
		}
		if step%6 == 5 {
			if err := q.Flush(); err != nil {
				return err
			}
			say("flushed")
		}
		if step == crashSteps/2 {
			answer := make(chan error, 1)
			q.send(request{alone: q.compact, done: func(_ Seq, err error) { answer <- err }}, nil)
			if err := <-answer; err != nil {
				return err
			}
		}
	}
	if err := q.Close(); err != nil {
		return err
	}
	say("flushed")
	return nil
}

// probeResult is what a probe found in one state.
type probeResult struct {
	Err     string
	Waiting map[Seq]string
	Mark    uint32
	Sink    bool
}

// probeChild opens each directory named on its standard input and says what it found.
func probeChild() error {
	in := bufio.NewScanner(os.Stdin)
	out := json.NewEncoder(os.Stdout)
	for in.Scan() {
		if err := out.Encode(probe(filepath.Join(in.Text(), queueName))); err != nil {
			return err
		}
	}
	return in.Err()
}

func probe(path string) probeResult {
	res := probeResult{Waiting: map[Seq]string{}}
	err := func() error {
		q, err := Open(path, Options{Advance: highest, MaxBytes: 1 << 20})
		if err != nil {
			return err
		}
		c := q.cursors["broker"]
		res.Sink = c != nil
		errs := []error{q.Verify()}
		for p := range Priority(priorities) {
			if c == nil {
				break
			}
			items, err := c.Next(p, 0, 1<<20)
			errs = append(errs, err)
			for _, it := range items {
				res.Waiting[it.Seq] = string(it.Value)
			}
		}
		damaged, err := q.Marks(func(_, v []byte) error {
			res.Mark = binary.BigEndian.Uint32(v)
			return nil
		})
		if errs = append(errs, err); len(damaged) > 0 {
			errs = append(errs, fmt.Errorf("damaged marks: %q", damaged))
		}
		return errors.Join(append(errs, q.Close())...)
	}()
	if err != nil {
		res.Err = err.Error()
	}
	return res
}

// prober runs probe children, a new one whenever one dies.
type prober struct {
	t     *testing.T
	cmd   *exec.Cmd
	in    io.WriteCloser
	lines chan []byte
	log   *bytes.Buffer
}

func (p *prober) start() {
	p.cmd = exec.Command(os.Args[0])
	p.cmd.Env = append(os.Environ(), childEnv+"=probe")
	p.log = &bytes.Buffer{}
	p.cmd.Stderr = p.log
	in, err := p.cmd.StdinPipe()
	if err != nil {
		p.t.Fatal(err)
	}
	out, err := p.cmd.StdoutPipe()
	if err != nil {
		p.t.Fatal(err)
	}
	if err := p.cmd.Start(); err != nil {
		p.t.Fatal(err)
	}
	p.in, p.lines = in, make(chan []byte)
	go func(lines chan<- []byte) {
		defer close(lines)
		r := bufio.NewReader(out)
		for {
			line, err := r.ReadBytes('\n')
			if err != nil {
				return
			}
			lines <- line
		}
	}(p.lines)
}

// stop ends the child; the wait also ends the reader.
func (p *prober) stop() string {
	if p.cmd == nil {
		return ""
	}
	p.in.Close()
	_ = p.cmd.Process.Kill() // it may have ended by itself
	for range p.lines {
	}
	_ = p.cmd.Wait() // it was killed
	p.cmd = nil
	return strings.SplitN(p.log.String(), "\n", 2)[0]
}

func (p *prober) probe(dir string) probeResult {
	if p.cmd == nil {
		p.start()
	}
	if _, err := fmt.Fprintln(p.in, dir); err != nil {
		return probeResult{Err: "probe died: " + p.stop()}
	}
	select {
	case line, ok := <-p.lines:
		var res probeResult
		if !ok {
			return probeResult{Err: "probe died: " + p.stop()}
		}
		if err := json.Unmarshal(line, &res); err != nil {
			p.t.Fatalf("probe said %q: %v", line, err)
		}
		return res
	case <-time.After(probeWait):
		return probeResult{Err: "probe hung: " + p.stop()}
	}
}

// fileOp is a write, or with nil data a change of size, which with grow is only upward.
type fileOp struct {
	off  int64
	data []byte
	grow bool
}

func (o fileOp) apply(b []byte) []byte {
	if o.grow && o.off <= int64(len(b)) {
		return b
	}
	if o.data == nil {
		return append(b[:min(int64(len(b)), o.off)], make([]byte, max(0, o.off-int64(len(b))))...)
	}
	if end := o.off + int64(len(o.data)); end > int64(len(b)) {
		b = append(b, make([]byte, end-int64(len(b)))...)
	}
	copy(b[o.off:], o.data)
	return b
}

// inode is a file: what is certainly on disk, and what may be.
type inode struct {
	durable []byte
	pending []fileOp
}

func (n *inode) sync() {
	for _, op := range n.pending {
		n.durable = op.apply(n.durable)
	}
	n.pending = nil
}

// with rebuilds the file from what is durable and the pending writes, or parts of them, that keep says made it.
func (n *inode) with(size int, keep func(op, part int) bool) []byte {
	out := bytes.Clone(n.durable)
	for i, op := range n.pending {
		if op.data == nil {
			if keep(i, 0) {
				out = op.apply(out)
			}
			continue
		}
		for part := 0; part*size < len(op.data); part++ {
			if keep(i, part) {
				data := op.data[part*size : min(len(op.data), (part+1)*size)]
				out = fileOp{off: op.off + int64(part*size), data: data}.apply(out)
			}
		}
	}
	return out
}

// variants are the contents that the file may have after a cut now. At most some each of one only and all but one, so
// that the control without sync, where everything is pending, ends.
func (n *inode) variants(rng *rand.Rand) [][]byte {
	const whole = 1 << 30
	out := [][]byte{
		n.with(whole, func(int, int) bool { return false }),
		n.with(whole, func(int, int) bool { return true }),
	}
	for i := max(0, len(n.pending)-8); i < len(n.pending); i++ {
		out = append(out,
			n.with(whole, func(op, _ int) bool { return op == i }),
			n.with(whole, func(op, _ int) bool { return op != i }))
	}
	if len(n.pending) == 0 {
		return out
	}
	for range 4 {
		for _, size := range []int{pageSize, sectorSize} {
			out = append(out, n.with(size, func(int, int) bool { return rng.IntN(2) == 0 }))
		}
	}
	return out
}

// dirOp changes the directory: a name given to a file, by creation or renaming (from another name), or taken away.
type dirOp struct {
	name, from string
	file       *inode // nil: removed
}

func applyDir(names map[string]*inode, op dirOp) {
	delete(names, op.from)
	if op.file == nil {
		delete(names, op.name)
		return
	}
	names[op.name] = op.file
}

// world is the state directory as the trace has made it so far.
type world struct {
	dir     string
	live    map[string]*inode
	durable map[string]*inode
	pending []dirOp
	files   map[int]*inode // by descriptor
	dirs    map[int]bool
}

func newWorld(dir string) *world {
	return &world{dir: dir, live: map[string]*inode{}, durable: map[string]*inode{}, files: map[int]*inode{}, dirs: map[int]bool{}}
}

func (w *world) change(op dirOp) {
	applyDir(w.live, op)
	w.pending = append(w.pending, op)
}

// do carries out one traced call. A call that the model does not know is an error: it would make the proof hollow.
func (w *world) do(c call) error {
	switch c.name {
	case "openat":
		w.open(c)
	case "close":
		delete(w.files, c.num(0))
		delete(w.dirs, c.num(0))
	case "pwrite64":
		if f := w.files[c.num(0)]; f != nil {
			f.pending = append(f.pending, fileOp{off: int64(c.num(3)), data: c.bytes(1)[:c.ret]})
		}
	case "write":
		if w.files[c.num(0)] != nil {
			return fmt.Errorf("a plain write to a queue file: the model does not follow its offset")
		}
	case "ftruncate":
		if f := w.files[c.num(0)]; f != nil {
			f.pending = append(f.pending, fileOp{off: int64(c.num(1))})
		}
	case "fallocate":
		if f := w.files[c.num(0)]; f != nil {
			if c.num(1) != 0 {
				return fmt.Errorf("fallocate with mode %d: the model knows only the one that lengthens the file", c.num(1))
			}
			f.pending = append(f.pending, fileOp{off: int64(c.num(2) + c.num(3)), grow: true})
		}
	case "fdatasync", "fsync":
		w.sync(c.num(0))
	case "rename", "renameat", "renameat2", "unlink", "unlinkat":
		w.rename(c)
	default:
		return fmt.Errorf("unexpected call %s", c.name)
	}
	return nil
}

func (w *world) open(c call) {
	path := string(c.bytes(1))
	if path == w.dir {
		w.dirs[c.ret] = true
		return
	}
	if filepath.Dir(path) != w.dir {
		return
	}
	name := filepath.Base(path)
	if w.live[name] == nil {
		w.change(dirOp{name: name, file: &inode{}})
	}
	w.files[c.ret] = w.live[name]
}

func (w *world) sync(fd int) {
	if f := w.files[fd]; f != nil {
		f.sync()
	}
	if w.dirs[fd] {
		for _, op := range w.pending {
			applyDir(w.durable, op)
		}
		w.pending = nil
	}
}

func (w *world) rename(c call) {
	var paths []string
	for i := range c.args {
		if strings.HasPrefix(c.args[i], `"`) {
			paths = append(paths, string(c.bytes(i)))
		}
	}
	if filepath.Dir(paths[0]) != w.dir {
		return
	}
	name := filepath.Base(paths[0])
	if len(paths) == 1 {
		w.change(dirOp{name: name})
		return
	}
	w.change(dirOp{name: filepath.Base(paths[1]), from: name, file: w.live[name]})
}

// state is the contents of the directory after a cut, by file name.
type state map[string][]byte

func (s state) key() [32]byte {
	h := sha256.New()
	for _, name := range slices.Sorted(maps.Keys(s)) {
		fmt.Fprintf(h, "%s %d\n", name, len(s[name]))
		h.Write(s[name])
	}
	return [32]byte(h.Sum(nil))
}

// states are the directories that a cut may leave now.
func (w *world) states(rng *rand.Rand) []state {
	var out []state
	for mask := range 1 << len(w.pending) {
		names := map[string]*inode{}
		for n, f := range w.durable {
			names[n] = f
		}
		for i, op := range w.pending {
			if mask>>i&1 == 1 {
				applyDir(names, op)
			}
		}
		out = append(out, contents(names, rng)...)
	}
	return out
}

func contents(names map[string]*inode, rng *rand.Rand) []state {
	out := []state{{}}
	for name, f := range names {
		var next []state
		for _, v := range f.variants(rng) {
			for _, s := range out {
				grown := state{name: v}
				for n, b := range s {
					grown[n] = b
				}
				next = append(next, grown)
			}
		}
		out = next
	}
	return out
}

// call is one system call of the trace.
type call struct {
	name string
	args []string
	ret  int
}

func (c call) num(i int) int {
	n, _ := strconv.Atoi(c.args[i])
	return n
}

func (c call) bytes(i int) []byte {
	s, err := strconv.Unquote(c.args[i])
	if err != nil {
		panic(fmt.Sprintf("strace argument %.60q: %v", c.args[i], err))
	}
	return []byte(s)
}

// parseTrace reads strace's output. A call that others interrupted is put together again and takes its place where
// it ended; failed calls are left out.
func parseTrace(raw []byte) ([]call, error) {
	var out []call
	begun := map[string]string{}
	for _, line := range strings.Split(strings.TrimSpace(string(raw)), "\n") {
		pid, rest, ok := strings.Cut(line, " ")
		rest = strings.TrimSpace(rest)
		if !ok || strings.HasPrefix(rest, "---") || strings.HasPrefix(rest, "+++") {
			continue
		}
		if head, ok := strings.CutSuffix(rest, " <unfinished ...>"); ok {
			begun[pid] = head
			continue
		}
		if strings.HasPrefix(rest, "<... ") {
			_, tail, ok := strings.Cut(rest, " resumed>")
			if !ok {
				return nil, fmt.Errorf("trace line %.100q", line)
			}
			rest = begun[pid] + tail
		}
		c, ok, err := parseCall(rest)
		if err != nil {
			return nil, fmt.Errorf("trace line %.100q: %w", line, err)
		}
		if ok {
			out = append(out, c)
		}
	}
	return out, nil
}

func parseCall(s string) (call, bool, error) {
	name, rest, ok := strings.Cut(s, "(")
	if !ok {
		return call{}, false, errors.New("no parenthesis")
	}
	i := strings.LastIndex(rest, ") ")
	if i < 0 {
		return call{}, false, errors.New("no result")
	}
	_, result, ok := strings.Cut(rest[i:], "= ")
	if !ok || strings.HasPrefix(result, "?") {
		return call{}, false, nil // the process ended within
	}
	ret, err := strconv.Atoi(strings.Fields(result)[0])
	if err != nil {
		return call{}, false, err
	}
	return call{name, strings.Split(rest[:i], ", "), ret}, ret >= 0, nil // strings are hex: no comma within
}

func lookStrace(t *testing.T) string {
	t.Helper()
	strace, err := exec.LookPath("strace")
	if err != nil {
		t.Fatalf("this test needs strace: install it with the system's package manager (apt-get install strace): %v", err)
	}
	return strace
}

// trace runs the workload under strace and returns its calls.
func trace(t *testing.T, dir string, noSync bool) []call {
	t.Helper()
	strace := lookStrace(t)
	file := filepath.Join(t.TempDir(), "trace")
	cmd := exec.Command(strace, "-f", "-qq", "-xx", "-s", "10000000", "-o", file,
		"-e", "trace=openat,close,pwrite64,pwritev,write,fdatasync,fsync,sync_file_range,msync,ftruncate,fallocate,?rename,renameat,renameat2,?unlink,unlinkat,?link,linkat",
		"-e", "signal=none", os.Args[0])
	cmd.Env = append(os.Environ(), childEnv+"=workload", dirEnv+"="+dir)
	if noSync {
		cmd.Env = append(cmd.Env, noSyncEnv+"=1")
	}
	if out, err := cmd.CombinedOutput(); err != nil {
		t.Fatalf("workload under strace: %v: %.2000s", err, out)
	}
	raw, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	calls, err := parseTrace(raw)
	if err != nil {
		t.Fatal(err)
	}
	return calls
}

// promises is what the workload had said before a cut.
type promises struct {
	*ledger
	asked map[uint32]string
	open  bool
}

func (p *promises) read(line string) error {
	if f := strings.Fields(line); len(f) == 3 && f[0] == "asking" {
		n, err := strconv.ParseUint(f[1], 10, 32)
		p.asked[uint32(n)] = f[2]
		return err
	}
	p.open = p.open || line == "open"
	return p.ledger.read(line)
}

// judge compares a state with what was promised.
func (p *promises) judge(s state, res probeResult) error {
	if res.Err != "" {
		return errors.New(res.Err)
	}
	if _, there := s[queueName]; !there && p.open {
		return errors.New("LOST: the queue file is gone although Open had returned")
	}
	if err := p.check(res.Waiting); err != nil {
		return err
	}
	highest := uint32(0)
	for seq, v := range res.Waiting {
		n, err := strconv.ParseUint(strings.SplitN(v, "-", 2)[0], 10, 32)
		if err != nil || p.asked[uint32(n)] != v {
			return fmt.Errorf("GHOST: event %d holds %.40q, which was never appended", seq, v)
		}
		highest = max(highest, uint32(n))
	}
	return p.judgeMark(highest, res)
}

// judgeMark: the workload gives each event the next counter, so the mark stands exactly at the newest event that is
// stored; if that is not waiting any more, it was acknowledged.
func (p *promises) judgeMark(highest uint32, res probeResult) error {
	if res.Mark < highest {
		return fmt.Errorf("event %d is stored, its mark stands at %d", highest, res.Mark)
	}
	for n := highest + 1; n <= res.Mark; n++ {
		if !p.acked[Seq(n)] { // one node, one event a number: counter and sequence number agree
			return fmt.Errorf("the mark stands at %d, but event %d is neither stored nor acknowledged", res.Mark, n)
		}
	}
	return nil
}

// verdicts is what a walk through a trace came to.
type verdicts struct {
	states, lost, died, bad int
	first                   []string
}

func (v *verdicts) note(at int, err error) {
	v.bad++
	switch {
	case strings.Contains(err.Error(), "LOST: event"):
		v.lost++
	case strings.Contains(err.Error(), "probe died"), strings.Contains(err.Error(), "probe hung"):
		v.died++
	}
	if len(v.first) < 5 {
		v.first = append(v.first, fmt.Sprintf("after call %d: %v", at, err))
	}
}

// explore cuts the power at every point of the trace at which a new state or a new promise arises, until enough is
// satisfied.
func explore(t *testing.T, dir string, calls []call, rng *rand.Rand, enough func(*verdicts) bool) *verdicts {
	t.Helper()
	w := newWorld(dir)
	said := &promises{ledger: newLedger(), asked: map[uint32]string{}}
	pr := &prober{t: t}
	defer pr.stop()
	v := &verdicts{}
	distinct := map[[32]byte]bool{}
	judged := map[[32]byte]bool{} // since the last promise
	results := map[[32]byte]probeResult{}
	scratch := t.TempDir()
	for i, c := range calls {
		sync := c.name == "fsync" || c.name == "fdatasync"
		line, promise := spoken(c)
		// All that a later cut could find of the pending operations, an earlier one could not exceed; so cuts are made
		// where that set is largest, right before a sync, and right after each promise.
		if sync {
			v.cut(t, pr, w.states(rng), said, i, scratch, distinct, judged, results)
		}
		if promise {
			if err := said.read(line); err != nil {
				t.Fatal(err)
			}
			clear(judged)
			v.cut(t, pr, w.states(rng), said, i, scratch, distinct, judged, results)
		} else if err := w.do(c); err != nil {
			t.Fatal(err)
		}
		if enough(v) {
			break
		}
	}
	if len(said.stored) == 0 {
		t.Fatal("the workload stored nothing")
	}
	v.states = len(distinct)
	return v
}

// spoken returns the line that the workload wrote to its standard output.
func spoken(c call) (string, bool) {
	if c.name != "write" || c.num(0) != 1 {
		return "", false
	}
	return strings.TrimSpace(string(c.bytes(1))), true
}

func (v *verdicts) cut(t *testing.T, pr *prober, states []state, said *promises, at int, scratch string,
	distinct, judged map[[32]byte]bool, results map[[32]byte]probeResult) {
	t.Helper()
	for _, s := range states {
		key := s.key()
		if judged[key] {
			continue
		}
		judged[key], distinct[key] = true, true
		res, ok := results[key]
		if !ok {
			res = pr.probe(s.write(t, scratch))
			results[key] = res
		}
		if err := said.judge(s, res); err != nil {
			v.note(at, err)
		}
	}
}

func (s state) write(t *testing.T, scratch string) string {
	t.Helper()
	dir, err := os.MkdirTemp(scratch, "")
	if err != nil {
		t.Fatal(err)
	}
	for name, b := range s {
		if err := os.WriteFile(filepath.Join(dir, name), b, fileMode); err != nil {
			t.Fatal(err)
		}
	}
	return dir
}

// After a power cut at any point the queue opens whole: every answered event is there, none that was acknowledged and
// flushed comes back, no event that nobody appended, and event and mark together or not at all.
func TestPowerCut(t *testing.T) {
	seed := uint64(time.Now().UnixNano())
	t.Logf("seed %d", seed)
	dir := t.TempDir()
	calls := trace(t, dir, false)
	v := explore(t, dir, calls, rand.New(rand.NewPCG(seed, 0)), func(*verdicts) bool { return false })
	t.Logf("%d distinct crash states, %d bad", v.states, v.bad)
	if v.bad > 0 {
		t.Errorf("%d bad states, %d of them lost events, %d killed the process: %s", v.bad, v.lost, v.died, strings.Join(v.first, "; "))
	}
	if !slices.ContainsFunc(calls, func(c call) bool { return c.name == "renameat" && strings.Contains(string(c.bytes(1)), ".compact") }) {
		t.Error("the file was not compacted")
	}
	if v.states < crashTarget {
		t.Errorf("%d distinct states, want at least %d", v.states, crashTarget)
	}
}

// The control: the same workload without sync must be caught losing what it had promised, or TestPowerCut proves
// nothing.
func TestPowerCutCatchesMissingSync(t *testing.T) {
	seed := uint64(time.Now().UnixNano())
	t.Logf("seed %d", seed)
	dir := t.TempDir()
	v := explore(t, dir, trace(t, dir, true), rand.New(rand.NewPCG(seed, 0)), func(v *verdicts) bool { return v.lost >= 10 })
	t.Logf("%d bad of the states up to there: %d lost events, %d killed the process: %s", v.bad, v.lost, v.died, strings.Join(v.first, "; "))
	if v.lost == 0 {
		t.Error("a queue without sync was not caught losing events")
	}
}

// failingDiskChild appends until a commit fails, and checks that nothing is written after that.
func failingDiskChild() error {
	q, err := Open(os.Getenv(dirEnv), Options{Advance: highest, MaxBytes: 1 << 20})
	if err != nil {
		return err
	}
	for i := 0; ; i++ {
		value := fmt.Sprintf("event-%d", i)
		s, err := appendWait(q, Record{Value: []byte(value)})
		if err == nil && i < 1000 {
			say("stored %d %s", s, value)
			continue
		}
		if !errors.Is(err, ErrBroken) || !strings.Contains(err.Error(), "input/output error") {
			return fmt.Errorf("append = %v, want ErrBroken for an input/output error", err)
		}
		break
	}
	<-q.Broken()
	if _, err := appendWait(q, Record{}); !errors.Is(err, ErrBroken) {
		return fmt.Errorf("append after the failure = %v, want ErrBroken", err)
	}
	return nil // without Close, as a process that gives up
}

// A disk that fails to sync: bbolt's next commit would succeed as if nothing had been, so the queue must refuse it;
// what was answered before is there after the restart. strace counts calls per thread, hence "and all after it".
func TestDiskFails(t *testing.T) {
	strace := lookStrace(t)
	for _, inject := range []string{"fdatasync:error=EIO:when=1+", "fdatasync:error=EIO:when=4+", "fdatasync:error=EIO:when=5+", "pwrite64:error=EIO:when=9+"} {
		path := tempPath(t)
		q := openTest(t, path, Options{})
		mustSink(t, q, "broker", SinkOptions{Required: true})
		closeTest(t, q)
		cmd := exec.Command(strace, "-f", "-qq", "-o", os.DevNull, "-e", "trace=fdatasync,pwrite64", "-e", "inject="+inject, os.Args[0])
		cmd.Env = append(os.Environ(), childEnv+"=failing disk", dirEnv+"="+path)
		var stderr bytes.Buffer
		cmd.Stderr = &stderr
		out, err := cmd.Output()
		if err != nil {
			t.Fatalf("%s: %v: %s", inject, err, stderr.String())
		}
		l := newLedger()
		for line := range strings.Lines(string(out)) {
			if err := l.read(strings.TrimSpace(line)); err != nil {
				t.Error(err)
			}
		}
		q = openTest(t, path, Options{})
		waiting := map[Seq]string{}
		for _, it := range mustNext(t, mustSink(t, q, "broker", SinkOptions{Required: true}), Alarm, 0, 1<<20) {
			waiting[it.Seq] = string(it.Value)
		}
		if err := l.check(waiting); err != nil {
			t.Errorf("%s: %v", inject, err)
		}
	}
}
