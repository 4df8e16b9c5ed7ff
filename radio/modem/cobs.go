package modem

import "bytes"

// Consistent Overhead Byte Stuffing (Cheshire and Baker, SIGCOMM 1997): the data is cut at its zero bytes, and each
// piece is preceded by a code byte that says where the next zero was. Code n < 255: n-1 bytes follow, then a zero that
// is not sent. Code 255: 254 bytes follow, and no zero. The end of the data counts as a zero.

// appendStuffed appends src, stuffed, to dst. The result holds no zero byte and is at most 1 + len(src)/254 longer than
// src. A final block of exactly 254 bytes is not followed by an empty one.
func appendStuffed(dst, src []byte) []byte {
	code := len(dst) // where the code byte of the open block stands
	dst = append(dst, 1)
	for i, b := range src {
		if b != 0 {
			dst = append(dst, b)
			dst[code]++
		}
		if b == 0 || dst[code] == 0xFF && i < len(src)-1 {
			code = len(dst)
			dst = append(dst, 1)
		}
	}
	return dst
}

// unstuff restores, in place, what appendStuffed was given; it returns the number of bytes restored, and false if b is
// not the stuffed form of anything. It takes both spellings of a final block of 254 bytes (with and without an empty
// block after it), since encoders differ in that.
func unstuff(b []byte) (int, bool) {
	w := 0
	for r := 0; r < len(b); {
		code := int(b[r])
		next := r + code
		if code == 0 || next > len(b) || bytes.IndexByte(b[r+1:next], 0) >= 0 {
			return 0, false
		}
		w += copy(b[w:], b[r+1:next])
		if code < 0xFF && next < len(b) {
			b[w] = 0
			w++
		}
		r = next
	}
	return w, true
}
