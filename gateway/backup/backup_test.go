package backup

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"maps"
	"net"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"

	"golang.org/x/sys/unix"

	"longlane/gateway"
	"longlane/gateway/config"
	"longlane/gateway/roster"
	"longlane/queue"
)

const words = "plum ladder seven harbour"

// site is a gateway's files: the config, the site with two nodes, and a password; no broker that could be asked.
type site struct {
	t            *testing.T
	dir, config  string
	state, where string // where the backup goes
}

func newSite(t *testing.T) *site {
	cheap(t)
	dir := t.TempDir()
	s := &site{t, dir, filepath.Join(dir, "etc", "longlane.toml"), filepath.Join(dir, "state"), filepath.Join(dir, "site.backup")}
	s.write(filepath.Join("etc", "pass"), "orchard\n", 0o600)
	s.write(filepath.Join("etc", "longlane.toml"), fmt.Sprintf("site = \"hill-orchard\"\ngateway = \"house\"\nstate = %q\n[wifi]\n"+
		"[embedded]\nuser = \"u\"\npassword_file = %q\n", s.state, filepath.Join(dir, "etc", "pass")), 0o644)
	r, err := roster.Create(s.state, "hill-orchard")
	s.must(err)
	for _, name := range []string{"river-gate", "ridge-gate"} {
		_, err := r.Add(roster.Node{Name: name, Inputs: []roster.Input{{Zone: name}}})
		s.must(err)
	}
	s.must(r.Save())
	s.write(filepath.Join("state", gateway.CopyFile), marks(r.Site, 7), 0o600)
	return s
}

// marks is a marks.copy in which nothing was seen yet.
func marks(site uint16, epoch int) string {
	rest := fmt.Sprintf(`{"site":"hill-orchard","site_number":%d,"epoch":%d,"marks":null}`, site, epoch)
	return fmt.Sprintf("longlane marks 1 %08x\n%s", crc(rest), rest)
}

// sealed is a file with this inside.
func sealed(t *testing.T, inside []byte) []byte {
	t.Helper()
	var out bytes.Buffer
	w, err := encrypt(&out, words)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := w.Write(inside); err != nil {
		t.Fatal(err)
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	return out.Bytes()
}

// cheap makes a passphrase cost nothing, for tests that open files by the thousand.
func cheap(t *testing.T) {
	was := workFactor
	workFactor = 2
	t.Cleanup(func() { workFactor = was })
}

func (s *site) must(err error) {
	s.t.Helper()
	if err != nil {
		s.t.Fatal(err)
	}
}

func (s *site) write(name, text string, mode os.FileMode) {
	s.t.Helper()
	path := filepath.Join(s.dir, name)
	s.must(os.MkdirAll(filepath.Dir(path), 0o700))
	s.must(os.WriteFile(path, []byte(text), mode))
}

func say(p string) func() (string, error) { return func() (string, error) { return p, nil } }

func (s *site) collect() *Backup {
	s.t.Helper()
	b, err := Collect(s.t.Context(), s.config, "v1.2.3", time.Date(2026, 6, 1, 12, 0, 0, 0, time.UTC))
	s.must(err)
	return b
}

func (s *site) save() *Backup {
	s.t.Helper()
	b := s.collect()
	s.must(b.Save(s.t.Context(), s.where, say(words)))
	return b
}

// files are all files of the gateway, with their modes and what they hold; the lock aside, which belongs to nobody.
func (s *site) files() map[string]string {
	s.t.Helper()
	all := map[string]string{}
	for _, d := range []string{"etc", "state"} {
		list, err := os.ReadDir(filepath.Join(s.dir, d))
		if err != nil && !errors.Is(err, os.ErrNotExist) {
			s.t.Fatal(err)
		}
		for _, f := range list {
			if f.Name() == "roster.lock" || f.IsDir() {
				continue
			}
			data, err := os.ReadFile(filepath.Join(s.dir, d, f.Name()))
			s.must(err)
			info, err := f.Info()
			s.must(err)
			all[d+"/"+f.Name()] = fmt.Sprintf("%04o %s", info.Mode().Perm(), data)
		}
	}
	return all
}

// wipe is a new card.
func (s *site) wipe() {
	s.t.Helper()
	s.must(errors.Join(os.RemoveAll(filepath.Join(s.dir, "etc")), os.RemoveAll(s.state)))
}

func (s *site) restore(edit ...func(*RestoreOptions)) error {
	s.t.Helper()
	b, err := Open(s.t.Context(), s.where, say(words))
	s.must(err)
	o := RestoreOptions{Config: s.config, OldIsOff: true}
	for _, f := range edit {
		f(&o)
	}
	_, err = b.Restore(s.t.Context(), o)
	return err
}

// epoch is what marks.copy says.
func (s *site) epoch() uint16 {
	s.t.Helper()
	text, err := os.ReadFile(filepath.Join(s.state, gateway.CopyFile))
	s.must(err)
	_, rest, _ := strings.Cut(string(text), "\n")
	var c struct{ Epoch uint16 }
	s.must(json.Unmarshal([]byte(rest), &c))
	return c.Epoch
}

// same compares the files with those of before; marks.copy has moved on, and the list of nodes gives no id that the old
// gateway may have given out since: two nodes would have one key.
func (s *site) same(before map[string]string) {
	s.t.Helper()
	after := s.files()
	if !strings.HasPrefix(after["state/roster.json"], "0600 ") {
		s.t.Errorf("the list of nodes has mode %.4s, want 0600", after["state/roster.json"])
	}
	r, err := roster.Open(s.state)
	s.must(err)
	for id, name := range map[uint8]string{1: "river-gate", 2: "ridge-gate"} {
		if n := r.Node(id); n == nil || n.Name != name || n.Revoked {
			s.t.Errorf("node %d is %+v, want %s", id, n, name)
		}
	}
	if n, err := r.Add(roster.Node{Name: "mill-lane"}); err != nil || n.ID != 2+16+1 {
		s.t.Errorf("the next node is %+v, %v, want id 19", n, err)
	}
	for _, name := range []string{"state/marks.copy", "state/roster.json", "state/history.db"} { // of the history see told
		delete(before, name)
		delete(after, name)
	}
	if !maps.Equal(before, after) {
		s.t.Errorf("after the restore the files are\n%q\nwant\n%q", after, before)
	}
}

// Everything comes back, byte for byte and with its mode, but for the epoch, which moves on by 64 at the least, and not
// by the same number each time.
func TestRoundTrip(t *testing.T) {
	s := newSite(t)
	before := s.files()
	b := s.save()
	if st, err := os.Stat(s.where); err != nil || st.Mode().Perm() != 0o600 {
		t.Errorf("the backup: %v, %v; want mode 0600", st, err)
	}
	if b.Nodes() != 2 || !b.HasMarks() || len(b.Manifest.Files) != 5 {
		t.Errorf("%d nodes, marks %v, files %v", b.Nodes(), b.HasMarks(), b.Manifest.Files)
	}
	epochs := map[uint16]bool{}
	for range 3 {
		s.wipe()
		s.must(s.restore())
		s.same(maps.Clone(before))
		if e := s.epoch(); e < 7+raiseLeast || e > 7+raiseMost+256*(raiseHigh-1) {
			t.Errorf("epoch %d after 7", e)
		} else {
			epochs[e] = true
		}
	}
	if len(epochs) == 1 {
		t.Errorf("three restores of one backup all begin at epoch %v", epochs)
	}
	if _, err := config.Load(s.config); err != nil {
		t.Errorf("the restored config: %v", err)
	}
	sealed, err := os.ReadFile(s.where)
	s.must(err)
	for _, secret := range []string{"orchard", strings.TrimSpace(before["state/site.secret"][5:])} {
		if strings.Contains(string(sealed), secret) {
			t.Errorf("%q stands in the clear in the backup", secret)
		}
	}
	if left, _ := filepath.Glob(filepath.Join(s.dir, ".*")); len(left) != 0 {
		t.Errorf("left behind: %q", left)
	}
}

// An epoch moves on by 64 at the least, whatever is drawn.
func TestRaise(t *testing.T) {
	drawn := map[uint16]bool{}
	for range 100_000 {
		n := raise()
		drawn[n] = true
		// Frames carry the low 8 bits: within 63 of where they were, one that was recorded could pass for fresh.
		if low := n % 256; low < 64 || low > 191 || n > 191+15*256 {
			t.Fatalf("drawn %d: the low 8 bits move by %d, want 64 to 191", n, low)
		}
	}
	if len(drawn) < 2000 {
		t.Errorf("%d numbers drawn, want about 2048", len(drawn))
	}
}

// A bit changed in any byte, or the file cut anywhere, or a byte too many: refused in words, and nothing is written.
func TestDamagedFile(t *testing.T) {
	s := newSite(t)
	s.save()
	s.wipe()
	sealed, err := os.ReadFile(s.where)
	s.must(err)
	refused := func(what string, stored []byte) {
		t.Helper()
		_, err := parse(s.t.Context(), s.where, bytes.NewReader(stored), say(words), true)
		if err == nil || !strings.Contains(err.Error(), s.where) || !strings.Contains(err.Error(), "expected") ||
			!strings.Contains(err.Error(), "copy") {
			t.Fatalf("%s: %v; want the file, what was found and expected, and what to do", what, err)
		}
	}
	for i := range sealed {
		changed := slices.Clone(sealed)
		changed[i] ^= 1 << (i % 8)
		refused(fmt.Sprintf("bit %d of byte %d of %d flipped", i%8, i, len(sealed)), changed)
		if i < 400 || i%16 == 0 || i > len(sealed)-40 { // in the middle of what is sealed all places are alike
			refused(fmt.Sprintf("cut to %d of %d bytes", i, len(sealed)), sealed[:i])
		}
	}
	refused("a byte too many", append(slices.Clone(sealed), 0))
	if got := s.files(); len(got) != 0 {
		t.Errorf("written: %q", got)
	}
	_, err = Open(s.t.Context(), s.where, say(words+"."))
	if err == nil || !strings.Contains(err.Error(), "found another passphrase") {
		t.Errorf("a wrong passphrase: %v", err)
	}
	s.must(s.restore()) // the control: it was the damage
}

// What is typed costs a real file 2^16, and one that asks for more than a board has is refused.
func TestWorkFactor(t *testing.T) {
	if workFactor != 16 {
		t.Errorf("work factor %d, want 16", workFactor)
	}
	sealed := sealed(t, []byte("x"))
	if !strings.Contains(strings.SplitN(string(sealed), "\n", 3)[1], " 16") {
		t.Errorf("head %.80q", sealed)
	}
	dear := strings.Replace(string(sealed), " 16\n", " 19\n", 1)
	if _, err := decrypt("f", strings.NewReader(dear), words); err == nil || !strings.Contains(err.Error(), "damaged head") {
		t.Errorf("a work factor of 19: %v", err)
	}
}

// Nothing is overwritten by save, and a short passphrase is refused; then no file is left.
func TestSaveRefuses(t *testing.T) {
	s := newSite(t)
	b := s.collect()
	asked := false
	s.must(os.WriteFile(s.where, []byte("mine"), 0o600))
	err := b.Save(s.t.Context(), s.where, func() (string, error) { asked = true; return words, nil })
	if text, _ := os.ReadFile(s.where); err == nil || asked || string(text) != "mine" || !strings.Contains(err.Error(), "name another file") {
		t.Errorf("over a file: %v, asked for a passphrase %v, it holds %q", err, asked, text)
	}
	s.must(os.Remove(s.where))
	err = b.Save(s.t.Context(), s.where, func() (string, error) { return words, os.WriteFile(s.where, []byte("came meanwhile"), 0o600) })
	if text, _ := os.ReadFile(s.where); err == nil || string(text) != "came meanwhile" || !strings.Contains(err.Error(), "name another file") {
		t.Errorf("over a file that came meanwhile: %v, it holds %q", err, text)
	}
	s.must(os.Remove(s.where))
	if err := b.Save(s.t.Context(), s.where, say("eleven char")); err == nil || !strings.Contains(err.Error(), "found a passphrase of 11 characters, expected 12") {
		t.Errorf("a short passphrase: %v", err)
	}
	if left, _ := filepath.Glob(filepath.Join(s.dir, "*backup*")); len(left) != 0 {
		t.Errorf("left behind: %q", left)
	}
	for _, spoil := range []struct{ name, text, want string }{
		{"state/marks.copy", "longlane marks 1 00000000\n{}", "damaged"},
		{"state/site.secret", "abc\n", "hexadecimal"},
		{"etc/pass", "", "password_file"},
	} {
		s := newSite(t)
		s.write(spoil.name, spoil.text, 0o600)
		if _, err := Collect(t.Context(), s.config, "", time.Now()); err == nil || !strings.Contains(err.Error(), spoil.want) {
			t.Errorf("%s spoilt: %v, want %q", spoil.name, err, spoil.want)
		}
	}
}

// A webhook's token is in a backup as well: without it the gateway would not start on the other machine.
func TestWebhookFiles(t *testing.T) {
	s := newSite(t)
	s.write("etc/token", "open-sesame\n", 0o600)
	text, err := os.ReadFile(s.config)
	s.must(err)
	token := filepath.Join(s.dir, "etc", "token")
	s.must(os.WriteFile(s.config, fmt.Appendf(text, "[[webhook]]\nname = \"lights\"\nurl = \"https://lights.lan/\"\ntoken_file = %q\n", token), 0o600))
	b, err := Collect(t.Context(), s.config, "", time.Now())
	s.must(err)
	if got := string(b.data["webhook/lights/token"]); got != "open-sesame\n" {
		t.Errorf("the token in it is %q", got)
	}
}

// What is on the machine already is not touched.
func TestRestoreRefuses(t *testing.T) {
	for name, c := range map[string]struct {
		there func(s *site)
		want  string
	}{
		"a site": {func(s *site) {
			_, err := roster.Create(s.state, "mill-lane")
			s.must(err)
		}, "found a site"},
		"the same site":     {func(s *site) { s.must(s.restore()) }, "found a site"},
		"another config":    {func(s *site) { s.write("etc/longlane.toml", "site = \"mill-lane\"\n", 0o644) }, "longlane.toml: found a file"},
		"another password":  {func(s *site) { s.write("etc/pass", "mill\n", 0o600) }, "pass: found a file"},
		"another roster":    {func(s *site) { s.write("state/roster.json", "{}", 0o600) }, "roster.json: found a file"},
		"marks alone":       {func(s *site) { s.write("state/marks.copy", "x", 0o600) }, "marks.copy: found a file"},
		"a history":         {func(s *site) { s.write("state/history.db", "years", 0o600) }, "history.db: found a history"},
		"an old queue":      {func(s *site) { s.write("state/queue.db", "", 0o600) }, "found the queue of a gateway"},
		"a directory":       {func(s *site) { s.must(os.MkdirAll(s.config, 0o755)) }, "is a directory"},
		"a gateway at work": {func(s *site) { s.hold() }, "held by a gateway that runs"},
	} {
		t.Run(name, func(t *testing.T) {
			s := newSite(t)
			s.history(3)
			s.save()
			s.wipe()
			c.there(s)
			before := s.files()
			err := s.restore()
			if err == nil || !strings.Contains(err.Error(), c.want) || !strings.Contains(err.Error(), "nothing was written") {
				t.Errorf("%v, want %q", err, c.want)
			}
			if after := s.files(); !maps.Equal(before, after) {
				t.Errorf("before it was\n%q\nand after\n%q", before, after)
			}
		})
	}
}

// hold is a gateway at work in the state directory.
func (s *site) hold() {
	s.t.Helper()
	s.must(os.MkdirAll(s.state, 0o700))
	q, err := queue.Open(filepath.Join(s.state, gateway.QueueFile), queue.Options{Advance: gateway.AdvanceMark})
	s.must(err)
	s.t.Cleanup(func() { s.must(q.Close()) })
}

// A broker in the old gateway cannot be asked: only the owner's word helps, and he is told why.
func TestRestoreUnheard(t *testing.T) {
	s := newSite(t)
	s.save()
	s.wipe()
	err := s.restore(func(o *RestoreOptions) { o.OldIsOff = false })
	if err == nil || !strings.Contains(err.Error(), "--old-is-off") || !strings.Contains(err.Error(), whyNotTwo) {
		t.Errorf("%v", err)
	}
	if got := s.files(); len(got) != 0 {
		t.Errorf("written: %q", got)
	}
}

// A broker that is not reached says nothing about the old gateway either.
func TestRestoreUnreached(t *testing.T) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	l.Close() // nobody listens there now
	s := newSite(t)
	s.write("etc/longlane.toml", fmt.Sprintf("site = \"hill-orchard\"\ngateway = \"house\"\nstate = %q\n[wifi]\n[broker]\nurl = \"mqtt://%s\"\n"+
		"user = \"u\"\npassword_file = %q\n", s.state, l.Addr(), filepath.Join(s.dir, "etc", "pass")), 0o644)
	before := s.files()
	s.save()
	s.wipe()
	short := func(o *RestoreOptions) { o.connect = 300 * time.Millisecond }
	err = s.restore(short, func(o *RestoreOptions) { o.OldIsOff = false })
	for _, want := range []string{"was not reached", "connection refused", "--old-is-off", "nothing was written"} {
		if err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%v, want %q", err, want)
		}
	}
	if got := s.files(); len(got) != 0 {
		t.Errorf("written: %q", got)
	}
	s.must(s.restore(short))
	s.same(before)
}

// Run by root, a restore leaves all to the owner of the state directory. Where the tests do not run as root, that is the
// user of the tests.
func TestRestoreOwner(t *testing.T) {
	s := newSite(t)
	s.save()
	s.wipe()
	s.must(os.MkdirAll(s.state, 0o700))
	uid := os.Geteuid()
	if uid == 0 {
		uid = 4711
		s.must(os.Chown(s.state, uid, uid))
	}
	s.must(s.restore())
	for _, name := range []string{"etc/longlane.toml", "etc/pass", "state/roster.json", "state/marks.copy", "state/site.secret"} {
		var st unix.Stat_t
		s.must(unix.Stat(filepath.Join(s.dir, name), &st))
		if int(st.Uid) != uid {
			t.Errorf("%s belongs to %d, want %d", name, st.Uid, uid)
		}
	}
}

// Cut short before any of its files, a restore leaves no site, and can be done again.
func TestRestoreCutShort(t *testing.T) {
	for k := 0; ; k++ {
		s := newSite(t)
		s.history(3)
		before, told := s.files(), s.told()
		s.save()
		s.wipe()
		n := 0
		cut := func(o *RestoreOptions) {
			o.write = func(string) error {
				if n++; n > k {
					return errors.New("no space left")
				}
				return nil
			}
		}
		err := s.restore(cut)
		if err == nil {
			if k != 6 {
				t.Errorf("%d files were written, want 6", k)
			}
			break
		}
		if _, open := roster.Open(s.state); open == nil || !strings.Contains(err.Error(), "do the same again") {
			t.Errorf("cut short after %d files: %v; there is a site: %v", k, err, open == nil)
		}
		s.must(s.restore())
		s.same(before)
		if got := s.told(); !reflect.DeepEqual(got, told) {
			t.Errorf("cut short after %d files and done again: the history tells %v, want %v", k, got, told)
		}
		if _, err := roster.Open(s.state); err != nil {
			t.Error(err)
		}
	}
}

// A backup without marks.copy, of a site that has heard nobody yet, is one too.
func TestNoMarks(t *testing.T) {
	s := newSite(t)
	s.must(os.Remove(filepath.Join(s.state, gateway.CopyFile)))
	before := s.files()
	if s.save().HasMarks() {
		t.Error("it has marks")
	}
	s.wipe()
	s.must(s.restore())
	s.same(before)
}

// Whoever waits for an enrolment in vain is told.
func TestCollectLocked(t *testing.T) {
	s := newSite(t)
	lock, err := roster.Lock(t.Context(), s.state)
	s.must(err)
	defer lock.Close()
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	if _, err := Collect(ctx, s.config, "", time.Now()); err == nil || !strings.Contains(err.Error(), "longlane enrol") {
		t.Errorf("while an enrolment is at work: %v", err)
	}
}
