package lines

import (
	"bytes"
	"encoding/base64"
	"testing"
)

func everyByte() []byte {
	b := make([]byte, 256)
	for i := range b {
		b[i] = byte(i)
	}
	return b
}

func TestEncodings(t *testing.T) {
	for _, c := range []struct {
		e       Encoding
		b, text string
	}{
		{Hex, "\x00\x0a\xff", "000aff"},
		{HexUpper, "\x00\x0a\xff", "000AFF"},
		// RFC 4648 section 10.
		{Base64, "f", "Zg=="}, {Base64, "fo", "Zm8="}, {Base64, "foo", "Zm9v"}, {Base64, "foob", "Zm9vYg=="},
		{Base64, "fooba", "Zm9vYmE="}, {Base64, "foobar", "Zm9vYmFy"},
		{Quoted, "gate", `"gate"`}, {Quoted, `a"b\c`, `"a\"b\\c"`}, {Quoted, "\x00\n\x7f\xff ~", `"\x00\x0a\x7f\xff ~"`},
		{Raw, "\x00\xff", "\x00\xff"},
	} {
		if got := c.e.Append([]byte("> "), []byte(c.b)); string(got) != "> "+c.text {
			t.Errorf("%v.Append(%q) = %q, want %q", c.e, c.b, got, "> "+c.text)
		}
		if got, err := c.e.Decode([]byte(c.text)); err != nil || string(got) != c.b {
			t.Errorf("%v.Decode(%q) = %q, %v; want %q", c.e, c.text, got, err, c.b)
		}
	}
	for e := range numEncodings {
		if got, err := e.Decode(e.Append(nil, everyByte())); err != nil || !bytes.Equal(got, everyByte()) {
			t.Errorf("%v: every byte there and back = % x, %v", e, got, err)
		}
		if got, ok := parseEncoding(e.String()); !ok || got != e {
			t.Errorf("parseEncoding(%q) = %v, %v", e, got, ok)
		}
	}
	if got, err := Hex.Decode([]byte("Ab")); err != nil || got[0] != 0xAB {
		t.Errorf("hex of mixed case = % x, %v; want ab", got, err)
	}
}

func TestDecodeRefuses(t *testing.T) {
	for _, c := range []struct {
		e    Encoding
		text string
	}{
		{Hex, "0"}, {Hex, "0g"}, {Hex, "0x0a"}, {Hex, "0a 0b"}, {HexUpper, "é!"},
		{Base64, "Zg"}, {Base64, "Zg="}, {Base64, "Zh=="}, {Base64, "Zm9v\n"}, {Base64, "Zm\r9v"}, {Base64, "Zm-_"}, {Base64, "===="},
		{Quoted, ``}, {Quoted, `"`}, {Quoted, `gate`}, {Quoted, `"gate`}, {Quoted, `gate"`}, {Quoted, `"a"b"`}, {Quoted, `"a\"`},
		{Quoted, `"\n"`}, {Quoted, `"\x0"`}, {Quoted, `"\x0g"`}, {Quoted, `"\x41"`}, {Quoted, `"\x22"`}, {Quoted, `"\x5c"`}, {Quoted, "\"\x80\""}, {Quoted, "\"\t\""},
	} {
		if got, err := c.e.Decode([]byte(c.text)); err == nil {
			t.Errorf("%v.Decode(%q) = % x, want an error", c.e, c.text, got)
		}
	}
}

// canonical is the text with hex digits in the case in which they are sent.
func canonical(e Encoding, text []byte) []byte {
	switch e {
	case Hex:
		return bytes.ToLower(text)
	case HexUpper:
		return bytes.ToUpper(text)
	case Quoted:
		text = bytes.Clone(text)
		for i := 1; i+3 < len(text); i++ {
			if text[i] == '\\' && text[i+1] == 'x' {
				copy(text[i+2:], bytes.ToLower(text[i+2:i+4]))
			}
			if text[i] == '\\' {
				i++
			}
		}
	}
	return text
}

func fuzzDecode(f *testing.F, e Encoding) {
	for _, b := range [][]byte{nil, {0}, []byte("gate"), []byte(`a"b\c`), everyByte()} {
		f.Add(e.Append(nil, b))
		f.Add(b)
	}
	f.Fuzz(func(t *testing.T, text []byte) {
		b, err := e.Decode(text)
		if err != nil {
			return
		}
		if again := e.Append(nil, b); !bytes.Equal(again, canonical(e, text)) {
			t.Errorf("%v.Decode(%q) = % x, which is written %q", e, text, b, again)
		}
	})
}

func FuzzHex(f *testing.F)      { fuzzDecode(f, Hex) }
func FuzzHexUpper(f *testing.F) { fuzzDecode(f, HexUpper) }
func FuzzBase64(f *testing.F)   { fuzzDecode(f, Base64) }
func FuzzQuoted(f *testing.F)   { fuzzDecode(f, Quoted) }
func FuzzRaw(f *testing.F)      { fuzzDecode(f, Raw) }

// TestBase64IsStrict: one text for each frame; the decoder of the standard library takes several unless told not to.
func TestBase64IsStrict(t *testing.T) {
	if _, err := base64.StdEncoding.DecodeString("Zh=="); err != nil {
		t.Fatalf("the lenient decoder refuses %q: this test shows nothing", "Zh==")
	}
	if b, err := Base64.Decode([]byte("Zh==")); err == nil {
		t.Errorf("Base64.Decode(%q) = %q, want an error", "Zh==", b)
	}
}
