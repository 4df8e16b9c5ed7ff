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
	if c.Tamper != nil || c.Supply != "mains" || c.Modem.Name != "modem" || c.Modem.Longest != LongestNodeSent || c.Input[0].GPIO != nil {
		t.Errorf("ParseNode(least) = %+v, modem %+v", c, c.Modem)
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
