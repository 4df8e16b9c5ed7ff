package config

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"testing"
	"time"

	toml "github.com/pelletier/go-toml/v2"

	"longlane/radio/node"
)

// TestNodeExample: the example shows every key, and every default as it is.
func TestNodeExample(t *testing.T) {
	c, err := ParseNode("node.toml", read(t, filepath.Join(examples, nodeExample)))
	if err != nil {
		t.Fatal(err)
	}
	want := DefaultNode()
	want.Card = "/etc/longlane/river-gate.card"
	want.Modem.Name, want.Modem.Device, want.Modem.Region, want.Modem.Frequency = "modem", "/dev/serial/by-id/usb-gate-if00", "europe", 869525000
	want.Input[0].GPIO.Chip, want.Input[0].GPIO.Line = "/dev/gpiochip0", 17
	want.Input[0].Wire = &Pin{"/dev/gpiochip0", 27, false, "none"}
	second := DefaultNode().Input[0]
	second.Number, second.GPIO, second.Supervised, second.Alive = 1, nil, true, Duration(time.Minute)
	second.Command = []string{"/usr/local/bin/ridge-beam", "--port", "3"}
	want.Input = append(want.Input, second)
	want.Tamper.GPIO = &Pin{"/dev/gpiochip0", 22, true, "pull-up"}
	if !reflect.DeepEqual(c, want) {
		t.Errorf("ParseNode = %+v\nwant %+v", c, want)
	}
	showsEveryKey(t, nodeExample, reflect.TypeFor[Node]())
}

// TestNodeLeast: what the least file leaves out is the default.
func TestNodeLeast(t *testing.T) {
	c, err := ParseNode("x.toml", []byte("card = \"/c\"\n[modem]\ndevice = \"/dev/x\"\nregion = \"europe\"\nfrequency = 869525000\n[[input]]\ncommand = [\"/bin/x\"]\n"))
	if err != nil {
		t.Fatal(err)
	}
	if c.Tamper != nil || c.Supply != "mains" || c.Modem.Name != "modem" || c.Modem.Unit != UnitNode || c.Relay || c.Input[0].GPIO != nil {
		t.Errorf("ParseNode(least) = %+v, modem %+v", c, c.Modem)
	}
}

// TestRelayFile: a relay needs no contact, its modem is judged by what a relay sends, and so is one that speaks lines.
func TestRelayFile(t *testing.T) {
	c, err := ParseNode("relay.toml", read(t, filepath.Join(examples, relayExample)))
	if err != nil {
		t.Fatal(err)
	}
	if !c.Relay || c.Modem.Unit != UnitRelay || len(c.Input) != 0 {
		t.Errorf("%+v, modem %+v", c, c.Modem)
	}
	const head = "card = \"/c\"\nrelay = true\n[modem]\ndevice = \"/dev/x\"\nregion = \"%s\"\nfrequency = %d\n%s"
	for _, bad := range []struct{ more, want string }{
		{"spreading_factor = 12\nbandwidth = 7810\npreamble = 150\n", "modem.spreading_factor: found 12: a trip lasts"},
		{"dialect = \"line\"\n[modem.line]\n[modem.line.receive]\npattern = \"^R (?P<payload>[0-9a-f]+)$\"\n[modem.line.send]\nline = \"S {payload}\"\nok = \"^OK$\"\nlongest = 97\n",
			"modem.line.send.longest: found 97, expected 98 or more"},
	} {
		_, err := ParseNode("x.toml", fmt.Appendf(nil, head, "europe", 869525000, bad.more))
		if err == nil || !strings.Contains(err.Error(), bad.want) {
			t.Errorf("%q: %v, want %q", bad.more, err, bad.want)
		}
	}
	// SF9 at 125 kHz: 35 bytes last 247 ms, 98 bytes 533 ms, and 400 ms is the most there.
	node := strings.Replace(fmt.Sprintf(head, "japan", 925200000, "power = 13\ncarrier_sense = \"1ms\"\nspreading_factor = 9\n"), "relay = true", "relay = false", 1)
	_, asNode := ParseNode("x.toml", []byte(node+"[[input]]\ncommand = [\"/bin/x\"]\n"))
	_, asRelay := ParseNode("x.toml", []byte(strings.Replace(node, "relay = false", "relay = true", 1)))
	if asNode != nil || asRelay == nil || !strings.Contains(asRelay.Error(), "98 bytes") {
		t.Errorf("what is lawful for a node: %v; for a relay, whose frames are longer: %v", asNode, asRelay)
	}
}

func TestBadNodeFiles(t *testing.T) {
	badFiles(t, "bad-node", func(name string, data []byte) error {
		_, err := ParseNode(name, data)
		return err
	})
}

// TestLoadNode: the card is judged as well, at the line that names it.
func TestLoadNode(t *testing.T) {
	dir := t.TempDir()
	card := node.Card{Site: 4711, Node: 7, Gen: 1, Name: "river-gate"}
	text, err := card.Marshal()
	if err != nil {
		t.Fatal(err)
	}
	good, path := filepath.Join(dir, "good"), filepath.Join(dir, "node.toml")
	write(t, good, string(text)+"\n", 0o600)
	write(t, filepath.Join(dir, "open"), string(text), 0o644)
	write(t, filepath.Join(dir, "bad"), "{}", 0o600)
	for name, want := range map[string]string{"good": "", "open": "open to others, expected the card that enrolment made, readable by its owner alone; run: chmod 600",
		"bad": "longlane_card: found nothing", "none": "found no file " + dir + "/none, expected the card"} {
		write(t, path, fmt.Sprintf("card = %q\n[modem]\ndevice = \"/dev/x\"\nregion = \"europe\"\nfrequency = 869525000\n[[input]]\ncommand = [\"/bin/x\"]\n", filepath.Join(dir, name)), 0o644)
		_, got, err := LoadNode(path)
		switch {
		case want == "" && (err != nil || got != card):
			t.Errorf("LoadNode: %v, %v", got, err)
		case want != "" && (err == nil || !strings.Contains(err.Error(), want) || !strings.Contains(err.Error(), "node.toml:1:8: card: ")):
			t.Errorf("a card that is %s: %v, want %q", name, err, want)
		}
	}
	if _, _, err := LoadNode(filepath.Join(dir, "nowhere")); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("no file: %v", err)
	}
}

// FuzzParseNode: whatever the bytes, ParseNode returns; and what it accepts, written out again, means the same.
func FuzzParseNode(f *testing.F) {
	f.Add(read(f, filepath.Join(examples, nodeExample)))
	for _, name := range files(f, filepath.Join(examples, "bad-node")) {
		f.Add(read(f, name))
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		c, err := ParseNode("fuzz.toml", data)
		if err != nil {
			return
		}
		out, err := toml.Marshal(c)
		if err != nil {
			t.Fatalf("write what was accepted: %v", err)
		}
		again, err := ParseNode("again.toml", out)
		if err != nil || !reflect.DeepEqual(again, c) {
			t.Errorf("%s\nis read back as %+v, %v\nwant %+v", out, again, err, c)
		}
	})
}
