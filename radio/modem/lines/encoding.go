package lines

import (
	"bytes"
	"encoding/base64"
	"encoding/hex"
	"errors"
	"fmt"
	"strings"
)

// Encoding is how a frame's bytes stand in a line.
type Encoding uint8

// The encodings.
const (
	// Hex is two digits a byte, in either case; sent in small letters.
	Hex Encoding = iota
	// HexUpper is Hex, sent in capital letters.
	HexUpper
	// Base64 is that of RFC 4648 section 4, with its padding and without line breaks.
	Base64
	// Quoted is text in double quotes. A byte from 20 to 7E, except the quote and the backslash, stands for itself; a
	// quote is written \" and a backslash \\; every other byte is written \x and two hex digits, in either case, sent
	// in small letters. There is no other escape and no other way to write a byte.
	Quoted
	// Raw is the bytes themselves, after the end of the line, which tells how many they are.
	Raw
	numEncodings
)

var encodingNames = [numEncodings]string{"hex", "hex-upper", "base64", "quoted", "raw"}

func (e Encoding) String() string { return encodingNames[e] }

// parseEncoding returns the encoding of that name.
func parseEncoding(name string) (Encoding, bool) {
	for e, n := range encodingNames {
		if n == name {
			return Encoding(e), true
		}
	}
	return 0, false
}

func encodingList() string {
	return strings.Join(encodingNames[:numEncodings-1], ", ") + " or " + encodingNames[numEncodings-1]
}

// Append appends b to dst, encoded.
func (e Encoding) Append(dst, b []byte) []byte {
	switch e {
	case Hex:
		return hex.AppendEncode(dst, b)
	case HexUpper:
		return append(dst, bytes.ToUpper(hex.AppendEncode(nil, b))...)
	case Base64:
		return base64.StdEncoding.AppendEncode(dst, b)
	case Quoted:
		return appendQuoted(dst, b)
	}
	return append(dst, b...)
}

// Decode returns the bytes that text stands for. It refuses what Append cannot have written, but for the case of hex
// digits: a lenient reader would take a damaged line for another frame.
func (e Encoding) Decode(text []byte) ([]byte, error) {
	switch e {
	case Hex, HexUpper:
		return decodeHex(text)
	case Base64:
		return decodeBase64(text)
	case Quoted:
		return decodeQuoted(text)
	}
	return bytes.Clone(text), nil
}

func decodeHex(text []byte) ([]byte, error) {
	if len(text)%2 != 0 {
		return nil, fmt.Errorf("an odd number of hex digits (%d)", len(text))
	}
	b, err := hex.AppendDecode(nil, text)
	if err != nil {
		return nil, errors.New("something that is no hex digit")
	}
	return b, nil
}

var strictBase64 = base64.StdEncoding.Strict()

func decodeBase64(text []byte) ([]byte, error) {
	if bytes.ContainsAny(text, "\r\n") { // which the decoder would pass over
		return nil, errors.New("a line break within base64")
	}
	b, err := strictBase64.AppendDecode(nil, text)
	if err != nil {
		return nil, errors.New("something that is not base64 with its padding")
	}
	return b, nil
}

// plain reports whether a byte stands for itself between quotes.
func plain(c byte) bool { return c >= 0x20 && c <= 0x7E && c != '"' && c != '\\' }

func appendQuoted(dst, b []byte) []byte {
	dst = append(dst, '"')
	for _, c := range b {
		switch {
		case plain(c):
			dst = append(dst, c)
		case c == '"' || c == '\\':
			dst = append(dst, '\\', c)
		default:
			dst = hex.AppendEncode(append(dst, '\\', 'x'), []byte{c})
		}
	}
	return append(dst, '"')
}

func decodeQuoted(text []byte) ([]byte, error) {
	if len(text) < 2 || text[0] != '"' || text[len(text)-1] != '"' {
		return nil, errors.New("a text that is not in double quotes (the group must catch the quotes too)")
	}
	var out []byte
	for in := text[1 : len(text)-1]; len(in) > 0; {
		c, n := unescape(in)
		if n == 0 {
			return nil, fmt.Errorf("at byte %d something that must be escaped, or no escape: \\\", \\\\ or \\x and two hex digits", len(text)-1-len(in))
		}
		out, in = append(out, c), in[n:]
	}
	return out, nil
}

// unescape returns the first byte of what stands between quotes, and of how many bytes it was made; 0 if of none.
func unescape(in []byte) (c byte, n int) {
	switch {
	case plain(in[0]):
		return in[0], 1
	case in[0] != '\\' || len(in) < 2:
		return 0, 0
	case in[1] == '"' || in[1] == '\\':
		return in[1], 2
	case in[1] != 'x' || len(in) < 4:
		return 0, 0
	}
	var b [1]byte
	if _, err := hex.Decode(b[:], in[2:4]); err != nil || plain(b[0]) || b[0] == '"' || b[0] == '\\' {
		return 0, 0
	}
	return b[0], 4
}
