// Package seal guards what is stored in a bbolt file, whose data pages bbolt does not check:
//
//	sealed value   | version 1 byte = 1 | CRC-32C 4 bytes | payload |
//
// The CRC covers the bucket's name, a zero byte, the key, the version and the payload, so that an intact value under the
// wrong key fails as well. It finds what a disk does by accident, and nothing that somebody does on purpose.
package seal

import (
	"encoding/binary"
	"errors"
	"fmt"
	"hash/crc32"
)

const (
	version = 1
	// Header is how many bytes stand before the payload.
	Header = 1 + 4
)

// ErrMismatch says that stored bytes are not what was written under this key of this bucket.
var ErrMismatch = errors.New("checksum mismatch")

var castagnoli = crc32.MakeTable(crc32.Castagnoli)

func checksum(bucket, key, payload []byte) uint32 {
	sum := crc32.Update(0, castagnoli, bucket)
	sum = crc32.Update(sum, castagnoli, []byte{0})
	sum = crc32.Update(sum, castagnoli, key)
	sum = crc32.Update(sum, castagnoli, []byte{version})
	return crc32.Update(sum, castagnoli, payload)
}

// Wrap gives the sealed value of a payload, which is copied.
func Wrap(bucket, key, payload []byte) []byte {
	out := append(make([]byte, Header, Header+len(payload)), payload...)
	InPlace(bucket, key, out)
	return out
}

// InPlace writes the seal before the payload, which stands behind Header bytes of room in stored.
func InPlace(bucket, key, stored []byte) {
	stored[0] = version
	binary.BigEndian.PutUint32(stored[1:], checksum(bucket, key, stored[Header:]))
}

// Unwrap returns the payload within stored, not copied, or an error that wraps ErrMismatch.
func Unwrap(bucket, key, stored []byte) ([]byte, error) {
	if len(stored) < Header {
		return nil, fmt.Errorf("%w: %d bytes, shorter than the header", ErrMismatch, len(stored))
	}
	if stored[0] != version {
		return nil, fmt.Errorf("%w: version %d, expected %d", ErrMismatch, stored[0], version)
	}
	payload := stored[Header:]
	got, want := binary.BigEndian.Uint32(stored[1:]), checksum(bucket, key, payload)
	if got != want {
		return nil, fmt.Errorf("%w: stored %08x, computed %08x", ErrMismatch, got, want)
	}
	return payload, nil
}
