package seal

import (
	"bytes"
	"errors"
	"hash/crc32"
	"testing"
)

// The checksum is CRC-32C: check value of the catalogue of parametrised CRC algorithms (CRC-32/ISCSI), and the test
// vectors of RFC 3720, B.4.
func TestChecksumVectors(t *testing.T) {
	rising := make([]byte, 32)
	for i := range rising {
		rising[i] = byte(i)
	}
	for _, tc := range []struct {
		in   []byte
		want uint32
	}{
		{[]byte("123456789"), 0xe3069283},
		{make([]byte, 32), 0x8a9136aa},
		{bytes.Repeat([]byte{0xff}, 32), 0x62a8ab43},
		{rising, 0x46dd794e},
	} {
		// bucket, separator, key, version and payload are one run of bytes to the checksum.
		run := append([]byte("ev/0\x00k\x01"), tc.in...)
		whole := checksum([]byte("ev/0"), []byte("k"), tc.in)
		if got := crc32.Checksum(tc.in, castagnoli); got != tc.want {
			t.Errorf("CRC(%x) = %08x, want %08x", tc.in, got, tc.want)
		}
		if got := crc32.Checksum(run, castagnoli); got != whole {
			t.Errorf("checksum = %08x, CRC over the concatenation %08x", whole, got)
		}
	}
}

// Any flipped bit, another key and another bucket break the seal.
func TestSeal(t *testing.T) {
	bucket, key, payload := []byte("ev/1"), []byte("key 7"), []byte("payload")
	stored := Wrap(bucket, key, payload)
	if got, err := Unwrap(bucket, key, stored); err != nil || !bytes.Equal(got, payload) {
		t.Errorf("Unwrap(Wrap) = %q, %v", got, err)
	}
	for i := range len(stored) * 8 {
		bad := bytes.Clone(stored)
		bad[i/8] ^= 1 << (i % 8)
		if _, err := Unwrap(bucket, key, bad); !errors.Is(err, ErrMismatch) {
			t.Errorf("bit %d flipped: %v, want ErrMismatch", i, err)
		}
	}
	for n := range stored {
		if _, err := Unwrap(bucket, key, stored[:n]); !errors.Is(err, ErrMismatch) {
			t.Errorf("cut to %d: %v, want ErrMismatch", n, err)
		}
	}
	if _, err := Unwrap(bucket, []byte("key 8"), stored); !errors.Is(err, ErrMismatch) {
		t.Errorf("under another key: %v, want ErrMismatch", err)
	}
	if _, err := Unwrap([]byte("ev/2"), key, stored); !errors.Is(err, ErrMismatch) {
		t.Errorf("in another bucket: %v, want ErrMismatch", err)
	}
}
