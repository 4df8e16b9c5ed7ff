package node

import (
	"bytes"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"math"
	"slices"
	"unicode/utf8"

	"longlane/proto"
)

// Card is what enrolment gives a node: who it is, and its keys. It is a secret. Written as JSON on one line:
//
//	{"longlane_card":1,"site":4711,"node":7,"generation":1,"name":"river-gate","key":"<64 hex digits>",
//	 "group_generation":1,"group_key":"<64 hex digits>"}
type Card struct {
	Site     uint16
	Node     uint8
	Gen      uint8
	Name     string // 1 to 64 printable characters
	Key      [proto.KeySize]byte
	GroupGen uint8
	GroupKey [proto.KeySize]byte
}

const cardVersion = 1

// cardJSON is the order of the fields as written.
type cardJSON struct {
	Version  int    `json:"longlane_card"`
	Site     int    `json:"site"`
	Node     int    `json:"node"`
	Gen      int    `json:"generation"`
	Name     string `json:"name"`
	Key      string `json:"key"`
	GroupGen int    `json:"group_generation"`
	GroupKey string `json:"group_key"`
}

// String names the card and keeps its keys to itself, as do GoString and LogValue.
func (c Card) String() string {
	return fmt.Sprintf("card of node %d (%s), generation %d, site %d", c.Node, c.Name, c.Gen, c.Site)
}

// GoString is String.
func (c Card) GoString() string { return c.String() }

// LogValue is String.
func (c Card) LogValue() slog.Value { return slog.StringValue(c.String()) }

// Config is the part of a Config that a card gives.
func (c Card) Config() Config {
	return Config{Site: c.Site, Node: c.Node, Gen: c.Gen, Key: bytes.Clone(c.Key[:]), GroupGen: c.GroupGen,
		GroupKey: bytes.Clone(c.GroupKey[:])}
}

// Marshal writes the card, refusing one that ParseCard would refuse.
func (c Card) Marshal() ([]byte, error) {
	if err := c.check(); err != nil {
		return nil, fmt.Errorf("write card: %w", err)
	}
	return json.Marshal(cardJSON{cardVersion, int(c.Site), int(c.Node), int(c.Gen), c.Name, hex.EncodeToString(c.Key[:]),
		int(c.GroupGen), hex.EncodeToString(c.GroupKey[:])})
}

// CardError is a field of a card that is wrong.
type CardError struct{ Name, Found, Expected string }

func (e *CardError) Error() string {
	return fmt.Sprintf("%s: found %s, expected %s", e.Name, e.Found, e.Expected)
}

func (c Card) check() error {
	if c.Node < proto.MinNode || c.Node > proto.MaxNode {
		return &CardError{"node", fmt.Sprint(c.Node), "1 to 239"}
	}
	n := utf8.RuneCountInString(c.Name)
	odd := slices.ContainsFunc([]rune(c.Name), func(r rune) bool { return r < ' ' || r == 0x7f || r == utf8.RuneError })
	if n < 1 || n > 64 || odd {
		return &CardError{"name", fmt.Sprintf("%q", c.Name), "1 to 64 printable characters"}
	}
	return nil
}

// ParseCard reads a card. Every field must be there once, under its exact name, and no other.
func ParseCard(b []byte) (Card, error) {
	c, err := parseCard(b)
	if err != nil {
		return Card{}, fmt.Errorf("read card: %w", err)
	}
	return c, nil
}

var cardFields = []string{"longlane_card", "site", "node", "generation", "name", "key", "group_generation", "group_key"}

func parseCard(b []byte) (c Card, err error) {
	if !utf8.Valid(b) {
		return c, errors.New("found bytes that are no text, expected JSON in UTF-8")
	}
	fields, err := fieldsOf(b)
	if err != nil {
		return c, err
	}
	var version int
	err = firstError(number(fields, "longlane_card", cardVersion, cardVersion, &version),
		number(fields, "site", 0, math.MaxUint16, &c.Site), number(fields, "node", proto.MinNode, proto.MaxNode, &c.Node),
		number(fields, "generation", 0, math.MaxUint8, &c.Gen), text(fields, "name", &c.Name), key(fields, "key", &c.Key),
		number(fields, "group_generation", 0, math.MaxUint8, &c.GroupGen), key(fields, "group_key", &c.GroupKey))
	if err != nil {
		return c, err
	}
	return c, c.check()
}

// fieldsOf splits a JSON object, refusing fields that are repeated or not a card's: encoding/json would take the last
// of two, and any case of letters.
func fieldsOf(b []byte) (map[string]json.RawMessage, error) {
	const form = `a card, such as {"longlane_card":1,"site":4711,...}`
	d := json.NewDecoder(bytes.NewReader(b))
	if t, err := d.Token(); err != nil || t != json.Delim('{') {
		return nil, errors.New("found no JSON object, expected " + form)
	}
	fields := make(map[string]json.RawMessage)
	for d.More() {
		t, err := d.Token()
		name, _ := t.(string)
		if err != nil || !slices.Contains(cardFields, name) {
			return nil, &CardError{"field", fmt.Sprintf("%.40q", name), fmt.Sprintf("one of %q", cardFields)}
		}
		if _, ok := fields[name]; ok {
			return nil, &CardError{name, "it twice", "it once"}
		}
		var value json.RawMessage
		if err := d.Decode(&value); err != nil {
			return nil, &CardError{name, "no JSON value", "one"}
		}
		fields[name] = value
	}
	if _, err := d.Token(); err != nil {
		return nil, errors.New("found a card that breaks off, expected " + form)
	}
	if _, err := d.Token(); err != io.EOF {
		return nil, errors.New("found something after the card, expected nothing")
	}
	for _, name := range cardFields {
		if _, ok := fields[name]; !ok {
			return nil, &CardError{name, "nothing", "the field"}
		}
	}
	return fields, nil
}

func number[T ~int | ~uint8 | ~uint16](fields map[string]json.RawMessage, name string, low, high int, to *T) error {
	var v int
	if err := json.Unmarshal(fields[name], &v); err != nil || string(fields[name]) == "null" || v < low || v > high {
		return &CardError{name, fmt.Sprintf("%.40s", fields[name]), fmt.Sprintf("a whole number from %d to %d", low, high)}
	}
	*to = T(v)
	return nil
}

func text(fields map[string]json.RawMessage, name string, to *string) error {
	if json.Unmarshal(fields[name], to) != nil || string(fields[name]) == "null" {
		return &CardError{name, "no text", "a text"}
	}
	return nil
}

// key does not repeat what it found: it may be most of a key.
func key(fields map[string]json.RawMessage, name string, to *[proto.KeySize]byte) error {
	var s string
	if json.Unmarshal(fields[name], &s) == nil && len(s) == hex.EncodedLen(len(to)) {
		if _, err := hex.Decode(to[:], []byte(s)); err == nil {
			return nil
		}
	}
	return &CardError{name, "something else", fmt.Sprintf("%d hex digits", hex.EncodedLen(len(to)))}
}
