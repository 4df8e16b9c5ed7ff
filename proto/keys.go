package proto

import (
	"crypto/aes"
	"crypto/cipher"
	"crypto/hkdf"
	"crypto/hmac"
	"crypto/sha256"
	"fmt"
	"hash"
	"sync"
)

// KeySize is the length in bytes of the site secret, of a node key and of a group key.
const KeySize = 32

const kdfSalt = "longlane/1"

// NodeKey derives the one key that a node is given from the site secret (HKDF-SHA-256, RFC 5869).
func NodeKey(secret []byte, site uint16, node, gen uint8) ([]byte, error) {
	return derive(secret, []byte{'n', 'o', 'd', 'e', byte(site >> 8), byte(site), node, gen})
}

// GroupKey derives the key shared by all nodes of a site, which authenticates hints and nothing else.
func GroupKey(secret []byte, site uint16, gen uint8) ([]byte, error) {
	return derive(secret, []byte{'g', 'r', 'o', 'u', 'p', byte(site >> 8), byte(site), gen})
}

func derive(secret, info []byte) ([]byte, error) {
	if len(secret) != KeySize {
		return nil, fmt.Errorf("derive key: the site secret has %d bytes, it must have %d", len(secret), KeySize)
	}
	prk, err := hkdf.Extract(sha256.New, secret, []byte(kdfSalt))
	if err != nil {
		return nil, fmt.Errorf("derive key: %w", err)
	}
	return hkdf.Expand(sha256.New, prk, string(info), KeySize)
}

// Keys are the working keys of one node generation, or of one group generation. They are safe for concurrent use.
type Keys struct {
	block cipher.Block
	mac   macs
	hop   macs
}

// macs are HMACs under one key, ready to be used again: the key is worked in once, which for a frame is half of the work.
type macs struct {
	key  []byte
	pool sync.Pool
}

func (m *macs) setKey(key []byte) {
	m.key = key
	m.pool.New = func() any { return hmac.New(sha256.New, key) }
}

// of is the MAC of parts, one after the other.
func (m *macs) of(parts ...[]byte) []byte {
	h := m.pool.Get().(hash.Hash)
	defer m.pool.Put(h)
	h.Reset()
	for _, p := range parts {
		h.Write(p)
	}
	return h.Sum(nil)
}

// NewKeys expands a node key or group key into working keys.
func NewKeys(key []byte) (*Keys, error) {
	if len(key) != KeySize {
		return nil, fmt.Errorf("expand key: it has %d bytes, it must have %d", len(key), KeySize)
	}
	part := func(info string, n int) []byte {
		b, err := hkdf.Expand(sha256.New, key, info, n)
		if err != nil {
			panic(err) // only for lengths beyond 255 hashes, which are not asked for here
		}
		return b
	}
	block, err := aes.NewCipher(part("encrypt", 16))
	if err != nil {
		return nil, fmt.Errorf("expand key: %w", err)
	}
	k := &Keys{block: block}
	k.mac.setKey(part("authenticate", 32))
	k.hop.setKey(part("hop", 32))
	return k, nil
}

func (k *Keys) xor(iv [16]byte, dst, src []byte) {
	cipher.NewCTR(k.block, iv[:]).XORKeyStream(dst, src)
}

func (k *Keys) tag(h Header, ciphertext []byte) []byte {
	var buf [24]byte
	return k.mac.of(h.appendClear(buf[:0], true), ciphertext)
}
