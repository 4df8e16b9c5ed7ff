package config

import (
	"fmt"
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"testing"
	"time"

	toml "github.com/pelletier/go-toml/v2"

	"longlane/gateway/annunciator/chime"
)

const annunciatorExample = "annunciator.toml"

// TestAnnunciatorExample: the example shows every key, and every default as it is.
func TestAnnunciatorExample(t *testing.T) {
	c, err := ParseAnnunciator(annunciatorExample, read(t, filepath.Join(examples, annunciatorExample)))
	if err != nil {
		t.Fatal(err)
	}
	d := DefaultAnnunciator()
	want := DefaultAnnunciator()
	want.Site, want.Name = "hill-orchard", "shop"
	want.VolumeAt = []VolumeAt{{"21:00", "07:00", 30}}
	want.Quiet = []Quiet{{"23:00", "05:30", []string{"river-gate", "supervision"}}}
	want.Broker = &Listening{"mqtts://broker.lan:8883", "shop", "/etc/longlane/shop.pass", "/etc/longlane/ca.pem", "longlane-hill-orchard-annunciator-shop"}
	river, grid, pond := d.Zones, d.Zones, d.Zones
	river.Title, river.Notes, river.Contacts, river.Commands = "River gate", []string{"G4 200ms", "C5 200ms", "rest 80ms", "E5 450ms"}, []string{"panel"}, []string{"yard-lights"}
	grid.File, grid.HoldOff = "/etc/longlane/cattle-grid.wav", Duration(time.Minute)
	pond.Ignore = true
	want.Zone = map[string]ZoneSound{"river-gate": river, "cattle-grid": grid, "mill-pond": pond}
	want.Passage[0].Outer, want.Passage[0].Inner, want.Passage[0].Within = "river-gate", "yard", Duration(45*time.Second)
	panel, bell := d.Contact[""], d.Contact[""]
	panel.NormallyClosed, panel.GPIO = true, &Pin{"/dev/gpiochip0", 23, false, "as-is"}
	bell.GPIO, bell.Command = nil, []string{"/usr/local/bin/relay-board", "3"}
	want.Contact = map[string]SetPin{"panel": panel, "bell": bell}
	lights := d.Command[""]
	lights.Run = []string{"/usr/local/bin/yard-lights", "on"}
	want.Command = map[string]Run{"yard-lights": lights}
	want.Light = &Light{GPIO: &Pin{"/dev/gpiochip0", 24, false, "as-is"}}
	want.Chime = map[string]Chime{"trouble": {Notes: []string{"A4 150ms", "D4 150ms", "A4 150ms", "D4 400ms"}}}
	if !reflect.DeepEqual(c, want) {
		t.Errorf("ParseAnnunciator = %+v\nwant %+v", c, want)
	}
	showsEveryKey(t, annunciatorExample, reflect.TypeFor[Annunciator]())
}

// TestAnnunciatorLeast: three lines are enough.
func TestAnnunciatorLeast(t *testing.T) {
	c, err := ParseAnnunciator("x.toml", []byte("site = \"s\"\nname = \"n\"\nbroker.url = \"mqtt://b:1883\"\n"))
	if err != nil {
		t.Fatal(err)
	}
	if c.Light != nil || c.Quiet != nil || c.Contact != nil || c.Broker.ClientID != "longlane-s-annunciator-n" || !reflect.DeepEqual(c.ZoneSound("any"), DefaultAnnunciator().Zones) {
		t.Errorf("%+v", c)
	}
}

// TestZonesInherit: a zone has of [zones] what its own table does not say; a chime of its own leaves nothing of the common one.
func TestZonesInherit(t *testing.T) {
	c, err := ParseAnnunciator("x.toml", []byte(`site = "s"
name = "n"
broker.url = "mqtt://b:1883"
[zones]
hold_off = "5s"
repeats = 1
file = "/all.wav"
contacts = ["panel"]
[zone.a]
repeats = 2
[zone.b]
contacts = []
notes = ["C4 1s"]
[contact.panel]
command = ["/bin/x"]
`))
	if err != nil {
		t.Fatal(err)
	}
	a, b := c.Zone["a"], c.Zone["b"]
	if a.Repeats != 2 || a.HoldOff != Duration(5*time.Second) || len(a.Contacts) != 1 || a.File != "/all.wav" || !a.Sound {
		t.Errorf("a: %+v", a)
	}
	if b.Repeats != 1 || b.Contacts != nil || b.File != "" || len(b.Notes) != 1 {
		t.Errorf("b: %+v", b)
	}
}

func TestBadAnnunciatorFiles(t *testing.T) {
	badFiles(t, "bad-annunciator", func(name string, data []byte) error {
		_, err := ParseAnnunciator(name, data)
		return err
	})
}

// TestLoadAnnunciator: the sound files and secrets that it names are judged as well, each at its line.
func TestLoadAnnunciator(t *testing.T) {
	dir := t.TempDir()
	path := filepath.Join(dir, "a.toml")
	if err := os.WriteFile(filepath.Join(dir, "good.wav"), chime.Make(chime.Trouble).WAV(100), 0o600); err != nil {
		t.Fatal(err)
	}
	write(t, filepath.Join(dir, "bad.wav"), "no sound", 0o600)
	write(t, filepath.Join(dir, "pass"), "secret", 0o644)
	head := fmt.Sprintf("site = \"s\"\nname = \"n\"\n[broker]\nurl = \"mqtt://b:1883\"\nuser = \"u\"\npassword_file = %q\n", filepath.Join(dir, "pass"))
	write(t, path, head, 0o600)
	if _, err := LoadAnnunciator(path); err == nil || !strings.Contains(err.Error(), "a.toml:6:17: broker.password_file: ") || !strings.Contains(err.Error(), "chmod 600") {
		t.Errorf("a password that others can read: %v", err)
	}
	if err := os.Chmod(filepath.Join(dir, "pass"), 0o600); err != nil {
		t.Fatal(err)
	}
	for name, want := range map[string]string{"good.wav": "", "bad.wav": "a.toml:8:8: zone.a.file: found " + dir + "/bad.wav: no WAV file", "none.wav": "found no file " + dir + "/none.wav",
		".": "found a directory"} {
		write(t, path, fmt.Sprintf("%s[zone.a]\nfile = %q\n", head, dir+"/"+name), 0o600)
		c, err := LoadAnnunciator(path)
		switch {
		case want == "" && err != nil:
			t.Errorf("%s: %v", name, err)
		case want == "":
			if s, err := c.Sound("a"); err != nil || len(s.Samples) == 0 {
				t.Errorf("Sound: %v", err)
			}
		case err == nil || !strings.Contains(strings.ReplaceAll(err.Error(), dir+"/./", dir+"/"), want):
			t.Errorf("%s: %v, want %q", name, err, want)
		}
	}
}

func TestMinute(t *testing.T) {
	for at, want := range map[string]int{"00:00": 0, "06:30": 390, "23:59": 1439} {
		if got := Minute(at); got != want {
			t.Errorf("Minute(%s) = %d, want %d", at, got, want)
		}
	}
}

// FuzzParseAnnunciator: whatever the bytes, it returns; and what it accepts, written out again, means the same.
func FuzzParseAnnunciator(f *testing.F) {
	f.Add(read(f, filepath.Join(examples, annunciatorExample)))
	for _, name := range files(f, filepath.Join(examples, "bad-annunciator")) {
		f.Add(read(f, name))
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		c, err := ParseAnnunciator("fuzz.toml", data)
		if err != nil {
			return
		}
		out, err := toml.Marshal(c)
		if err != nil {
			t.Fatalf("write what was accepted: %v", err)
		}
		again, err := ParseAnnunciator("again.toml", out)
		if err != nil || !reflect.DeepEqual(again, c) {
			t.Errorf("%s\nis read back as %+v, %v\nwant %+v", out, again, err, c)
		}
	})
}
