package proto

import (
	"bytes"
	"crypto/aes"
	"crypto/hkdf"
	"crypto/sha256"
	"encoding/binary"
	"encoding/hex"
	"os/exec"
	"strings"
	"testing"
)

// hmacByHand is RFC 2104 written out over SHA-256. It is checked against RFC 4231 below and then judges the package.
func hmacByHand(key, data []byte) []byte {
	if len(key) > sha256.BlockSize {
		sum := sha256.Sum256(key)
		key = sum[:]
	}
	inner, outer := make([]byte, sha256.BlockSize), make([]byte, sha256.BlockSize)
	copy(inner, key)
	copy(outer, key)
	for i := range inner {
		inner[i] ^= 0x36
		outer[i] ^= 0x5c
	}
	first := sha256.Sum256(append(inner, data...))
	second := sha256.Sum256(append(outer, first[:]...))
	return second[:]
}

// expandByHand is HKDF-Expand, RFC 5869 section 2.3; HKDF-Extract is hmacByHand(salt, secret).
func expandByHand(prk, info []byte, n int) (out []byte) {
	var block []byte
	for i := byte(1); len(out) < n; i++ {
		block = hmacByHand(prk, append(append(bytes.Clone(block), info...), i))
		out = append(out, block...)
	}
	return out[:n]
}

func counting(from, to int) (b []byte) {
	for i := from; i <= to; i++ {
		b = append(b, byte(i))
	}
	return b
}

// RFC 4231 section 4, test cases 1 to 7, through the very function that makes hop records' MACs (their first 4 bytes)
// and through hmacByHand (all of them; case 5 is published truncated to 16 bytes).
func TestHMACVectors(t *testing.T) {
	rep := func(b byte, n int) []byte { return bytes.Repeat([]byte{b}, n) }
	for i, c := range []struct {
		key  []byte
		data string
		want string
	}{
		{rep(0x0b, 20), "Hi There", "b0344c61d8db38535ca8afceaf0bf12b881dc200c9833da726e9376c2e32cff7"},
		{[]byte("Jefe"), "what do ya want for nothing?", "5bdcc146bf60754e6a042426089575c75a003f089d2739839dec58b964ec3843"},
		{rep(0xaa, 20), string(rep(0xdd, 50)), "773ea91e36800e46854db8ebd09181a72959098b3ef8c122d9635514ced565fe"},
		{counting(1, 25), string(rep(0xcd, 50)), "82558a389a443c0ea4cc819899f2083a85f0faa3e578f8077a2e3ff46729665b"},
		{rep(0x0c, 20), "Test With Truncation", "a3b6167473100ee06e0c796c2955552b"},
		{rep(0xaa, 131), "Test Using Larger Than Block-Size Key - Hash Key First",
			"60e431591ee0b67f0d8a26aacbf5b77f8e0bc6213728c5140546040f0ee37f54"},
		{rep(0xaa, 131), "This is a test using a larger than block-size key and a larger than block-size data. " +
			"The key needs to be hashed before being used by the HMAC algorithm.",
			"9b09ffa71b942fcb27635fbcd5b0e944bfdc63644f0713938a7f51535c3a35e2"},
	} {
		want, data := unhex(t, c.want), []byte(c.data)
		if got := hmacByHand(c.key, data)[:len(want)]; !bytes.Equal(got, want) {
			t.Errorf("RFC 4231 case %d by hand = %x, want %x", i+1, got, want)
		}
		k := &Keys{}
		k.hop.setKey(c.key)
		middle := 2 + (len(data)-2)/2
		got := k.hopTag(binary.BigEndian.Uint16(data), data[2:middle], data[middle:])
		if !bytes.Equal(got, want[:hopTag]) {
			t.Errorf("RFC 4231 case %d through Keys.hopTag = %x, want %x", i+1, got, want[:hopTag])
		}
	}
}

// The frames' own MAC is the same function: its input cannot be a published one, since it begins with a header.
func TestFrameMACIsHMAC(t *testing.T) {
	r := newRand(t)
	for _, ft := range frameTypes {
		for n := range 70 {
			h, data := randHeader(r, ft.typ), randBytes(r, n)
			key := randBytes(r, 1+r.IntN(100))
			k := &Keys{}
			k.mac.setKey(key)
			want := hmacByHand(key, append(h.appendClear(nil, true), data...))
			if got := k.tag(h, data); !bytes.Equal(got, want) {
				t.Fatalf("MAC of %+v and %x = %x, want %x", h, data, got, want)
			}
		}
	}
}

// RFC 5869 appendix A.1 to A.3, through the library functions that the package derives with, and by hand.
func TestHKDFVectors(t *testing.T) {
	for i, c := range []struct{ ikm, salt, info, prk, okm string }{
		{strings.Repeat("0b", 22), "000102030405060708090a0b0c", "f0f1f2f3f4f5f6f7f8f9",
			"077709362c2e32df0ddc3f0dc47bba6390b6c73bb50f9c3122ec844ad7c2b3e5",
			"3cb25f25faacd57a90434f64d0362f2a2d2d0a90cf1a5a4c5db02d56ecc4c5bf34007208d5b887185865"},
		{hex.EncodeToString(counting(0x00, 0x4f)), hex.EncodeToString(counting(0x60, 0xaf)), hex.EncodeToString(counting(0xb0, 0xff)),
			"06a6b88c5853361a06104c9ceb35b45cef760014904671014a193f40c15fc244",
			"b11e398dc80327a1c8e7f78c596a49344f012eda2d4efad8a050cc4c19afa97c59045a99cac7827271cb41c65e590e09da3275600c2f09b8367793a9aca3db71" +
				"cc30c58179ec3e87c14c01d5c1f3434f1d87"},
		{strings.Repeat("0b", 22), "", "", "19ef24a32c717b167f33a91d6f648bdf96596776afdb6377ac434c1c293ccb04",
			"8da4e775a563c18f715f802a063c5a31b8a11f5c5ee1879ec3454e5f3c738d2d9d201395faa4b61a96c8"},
	} {
		ikm, salt, info, wantPRK, wantOKM := unhex(t, c.ikm), unhex(t, c.salt), unhex(t, c.info), unhex(t, c.prk), unhex(t, c.okm)
		prk, err := hkdf.Extract(sha256.New, ikm, salt)
		if err != nil || !bytes.Equal(prk, wantPRK) || !bytes.Equal(hmacByHand(salt, ikm), wantPRK) {
			t.Errorf("RFC 5869 A.%d: PRK %x, by hand %x, %v, want %x", i+1, prk, hmacByHand(salt, ikm), err, wantPRK)
		}
		okm, err := hkdf.Expand(sha256.New, prk, string(info), len(wantOKM))
		byHand := expandByHand(prk, info, len(wantOKM))
		if err != nil || !bytes.Equal(okm, wantOKM) || !bytes.Equal(byHand, wantOKM) {
			t.Errorf("RFC 5869 A.%d: OKM %x, by hand %x, %v, want %x", i+1, okm, byHand, err, wantOKM)
		}
	}
}

// The key tree of PROTOCOL.md section 4, by the functions that the vectors above have judged.
func TestKeyTree(t *testing.T) {
	r := newRand(t)
	for range 50 {
		secret, site, node, gen := randBytes(r, KeySize), randWord(r), randByte(r), randByte(r)
		where := string([]byte{byte(site >> 8), byte(site)})
		prk := hmacByHand([]byte("longlane/1"), secret)
		wantNode := expandByHand(prk, []byte("node"+where+string([]byte{node, gen})), 32)
		wantGroup := expandByHand(prk, []byte("group"+where+string([]byte{gen})), 32)
		if got, err := NodeKey(secret, site, node, gen); err != nil || !bytes.Equal(got, wantNode) {
			t.Fatalf("NodeKey(%x, %d, %d, %d) = %x, %v, want %x", secret, site, node, gen, got, err, wantNode)
		}
		if got, err := GroupKey(secret, site, gen); err != nil || !bytes.Equal(got, wantGroup) {
			t.Fatalf("GroupKey(%x, %d, %d) = %x, %v, want %x", secret, site, gen, got, err, wantGroup)
		}
		k := workingKeys(t, wantNode)
		for info, m := range map[string]*macs{"authenticate": &k.mac, "hop": &k.hop} {
			want := hmacByHand(expandByHand(wantNode, []byte(info), 32), secret)
			if got := m.of(secret); !bytes.Equal(got, want) {
				t.Fatalf("a MAC under the key to %s of %x = %x, want %x", info, wantNode, got, want)
			}
		}
		block, err := aes.NewCipher(expandByHand(wantNode, []byte("encrypt"), 16))
		if err != nil {
			t.Fatal(err)
		}
		var got, want [16]byte
		k.block.Encrypt(got[:], prk[:16])
		if block.Encrypt(want[:], prk[:16]); got != want {
			t.Fatalf("encryption key of %x is another", wantNode)
		}
	}
}

func TestKeysRefuseOtherLengths(t *testing.T) {
	for _, n := range []int{0, 16, 31, 33, 64} {
		key := make([]byte, n)
		if _, err := NodeKey(key, 1, 2, 3); err == nil {
			t.Errorf("NodeKey took a secret of %d bytes", n)
		}
		if _, err := GroupKey(key, 1, 2); err == nil {
			t.Errorf("GroupKey took a secret of %d bytes", n)
		}
		if _, err := NewKeys(key); err == nil {
			t.Errorf("NewKeys took a key of %d bytes", n)
		}
	}
}

// NIST SP 800-38A, F.5.1 CTR-AES128.Encrypt (values from memory; the next test puts them to openssl).
const (
	nistKey    = "2b7e151628aed2a6abf7158809cf4f3c"
	nistIV     = "f0f1f2f3f4f5f6f7f8f9fafbfcfdfeff"
	nistPlain  = "6bc1bee22e409f96e93d7e117393172a ae2d8a571e03ac9c9eb76fac45af8e51 30c81c46a35ce411e5fbc1191a0a52ef f69f2445df4f9b17ad2b417be66c3710"
	nistCipher = "874d6191b620e3261bef6864990db6ce 9806f66b7970fdff8617187bb9fffdff 5ae4df3edbd5d35e5b4f09020db03eab 1e031dda2fbe03d1792170a0f3009cee"
)

func keysWithAES(t testing.TB, key []byte) *Keys {
	t.Helper()
	block, err := aes.NewCipher(key)
	if err != nil {
		t.Fatal(err)
	}
	return &Keys{block: block}
}

func TestCTRVector(t *testing.T) {
	plain, want := unhex(t, nistPlain), unhex(t, nistCipher)
	k := keysWithAES(t, unhex(t, nistKey))
	for n := range len(plain) + 1 {
		got := make([]byte, n)
		k.xor([16]byte(unhex(t, nistIV)), got, plain[:n])
		if !bytes.Equal(got, want[:n]) {
			t.Errorf("SP 800-38A F.5.1, first %d bytes = %x, want %x", n, got, want[:n])
		}
	}
	inPlace := bytes.Clone(plain)
	if k.xor([16]byte(unhex(t, nistIV)), inPlace, inPlace); !bytes.Equal(inPlace, want) {
		t.Errorf("SP 800-38A F.5.1 in place = %x, want %x", inPlace, want)
	}
}

// openssl runs the command of that name, an implementation that shares nothing with Go's.
func openssl(t testing.TB, input []byte, args ...string) []byte {
	t.Helper()
	path, err := exec.LookPath("openssl")
	if err != nil {
		t.Fatalf("this test needs the openssl command: run `make setup` (%v)", err)
	}
	var complaint bytes.Buffer
	cmd := exec.Command(path, args...)
	cmd.Stdin, cmd.Stderr = bytes.NewReader(input), &complaint
	out, err := cmd.Output()
	if err != nil {
		t.Fatalf("openssl %s: %v: %s", strings.Join(args, " "), err, complaint.String())
	}
	return out
}

func opensslCTR(t testing.TB, key, iv, plain []byte) []byte {
	t.Helper()
	return openssl(t, plain, "enc", "-aes-128-ctr", "-K", hex.EncodeToString(key), "-iv", hex.EncodeToString(iv))
}

func opensslHMAC(t testing.TB, key, data []byte) []byte {
	t.Helper()
	return openssl(t, data, "dgst", "-sha256", "-mac", "HMAC", "-macopt", "hexkey:"+hex.EncodeToString(key), "-binary")
}

// opensslHKDF extracts and expands, or with no salt only expands.
func opensslHKDF(t testing.TB, key []byte, salt, info string, n string) []byte {
	t.Helper()
	args := []string{"kdf", "-binary", "-keylen", n, "-kdfopt", "digest:SHA256", "-kdfopt", "hexkey:" + hex.EncodeToString(key),
		"-kdfopt", "hexinfo:" + hex.EncodeToString([]byte(info))}
	if salt != "" {
		args = append(args, "-kdfopt", "hexsalt:"+hex.EncodeToString([]byte(salt)))
	} else {
		args = append(args, "-kdfopt", "mode:EXPAND_ONLY")
	}
	return openssl(t, nil, append(args, "HKDF")...)
}

func TestCTRAgainstOpenSSL(t *testing.T) {
	if got, want := opensslCTR(t, unhex(t, nistKey), unhex(t, nistIV), unhex(t, nistPlain)), unhex(t, nistCipher); !bytes.Equal(got, want) {
		t.Errorf("openssl says that SP 800-38A F.5.1 is %x, we remember %x", got, want)
	}
	r := newRand(t)
	for range 8 {
		key, iv, plain := randBytes(r, 16), randBytes(r, 16), randBytes(r, 1+r.IntN(60))
		got := make([]byte, len(plain))
		keysWithAES(t, key).xor([16]byte(iv), got, plain)
		if want := opensslCTR(t, key, iv, plain); !bytes.Equal(got, want) {
			t.Errorf("AES-128-CTR of %x, key %x, from %x = %x, openssl says %x", plain, key, iv, got, want)
		}
	}
}

func TestHMACAgainstOpenSSL(t *testing.T) {
	r := newRand(t)
	for range 8 {
		key, hopKey := randBytes(r, 32), randBytes(r, 32)
		k := &Keys{}
		k.mac.setKey(key)
		k.hop.setKey(hopKey)
		h, data := randHeader(r, TypeFault), randBytes(r, r.IntN(80))
		if got, want := k.tag(h, data), opensslHMAC(t, key, append(h.appendClear(nil, true), data...)); !bytes.Equal(got, want) {
			t.Errorf("MAC of %+v and %x under %x = %x, openssl says %x", h, data, key, got, want)
		}
		before, body := randBytes(r, 8), randBytes(r, hopBody)
		all := append(append([]byte{0xab, 0xcd}, before...), body...)
		if got, want := k.hopTag(0xabcd, before, body), opensslHMAC(t, hopKey, all)[:hopTag]; !bytes.Equal(got, want) {
			t.Errorf("hop MAC of %x under %x = %x, openssl says %x", all, hopKey, got, want)
		}
	}
}

// Whole frames, from the site secret to the last hop record, put together here as PROTOCOL.md says, with openssl for every
// cipher and only the bodies' bytes taken from the package.
func TestFramesAgainstOpenSSL(t *testing.T) {
	r := newRand(t)
	secret := randBytes(r, KeySize)
	for _, ft := range frameTypes {
		h, body := randHeader(r, ft.typ), ft.body(r)
		h.HopsLeft = max(h.HopsLeft, 1)
		site := string([]byte{byte(h.Site >> 8), byte(h.Site)})
		info := "node" + site + string([]byte{h.Node, h.Gen})
		if ft.typ >= 8 && ft.typ <= 10 {
			info = "group" + site + string([]byte{h.Gen})
		}
		key := opensslHKDF(t, secret, "longlane/1", info, "32")
		secretBody := opensslCTR(t, opensslHKDF(t, key, "", "encrypt", "16"), pageNonce(h), body.appendBody(nil))
		clear, wide := pageClear(h)
		tag := opensslHMAC(t, opensslHKDF(t, key, "", "authenticate", "32"), append(wide, secretBody...))[:8]
		if ft.typ == 8 || ft.typ == 9 {
			tag = tag[:4]
		}
		want := bytes.Join([][]byte{clear, secretBody, tag}, nil)
		k := workingKeys(t, key)
		got := mustSeal(t, k, h, body)
		if !bytes.Equal(got, want) {
			t.Errorf("Seal(%+v, %+v) = %x, by the page %x", h, body, got, want)
		}
		if ft.typ > 5 {
			continue
		}
		record := []byte{77, 3, 99, 0xe2, 0x21}
		over := append(append([]byte(site), tag...), record...)
		want = append(append(want, record...), opensslHMAC(t, opensslHKDF(t, key, "", "hop", "32"), over)[:4]...)
		want[1]--
		if got := mustHop(t, got, k, Hop{Relay: 77, Gen: 3, RSSI: 99, SNR: 0xe2, Held: 0x21}); !bytes.Equal(got, want) {
			t.Errorf("AppendHop on a %s = %x, by the page %x", ft.typ, got, want)
		}
	}
}

// pageClear is PROTOCOL.md section 2 once more: the clear part as it travels and in its wide form.
func pageClear(h Header) (clear, wide []byte) {
	first := []byte{1<<5 | byte(h.Type), h.HopsLeft, byte(h.Site >> 8), byte(h.Site), h.Node, h.Gen}
	counter := binary.BigEndian.AppendUint32(nil, h.Counter)
	travels := counter[2:]
	var middle, last []byte
	switch h.Type {
	case 1, 2:
		last = []byte{byte(h.Attempt)}
	case 3, 4:
		last = []byte{byte(h.Attempt >> 8), byte(h.Attempt)}
	case 8, 9, 10:
		travels = counter
	case 12, 13:
		first[1] |= h.Gateway << 4
		middle = append([]byte{byte(h.Epoch >> 8), byte(h.Epoch)}, binary.BigEndian.AppendUint32(nil, h.Number)...)
	}
	if h.Long {
		first[1] |= 0x10
		travels = counter
	}
	clear = bytes.Join([][]byte{first, middle, travels, last}, nil)
	wide = bytes.Join([][]byte{first, middle, counter, last}, nil)
	wide[1] &= 0xf0
	return clear, wide
}

// pageNonce is the initial counter block of PROTOCOL.md section 5.
func pageNonce(h Header) []byte {
	iv := []byte{1<<5 | byte(h.Type), byte(h.Site >> 8), byte(h.Site), h.Node, h.Gen}
	if h.Type == 12 || h.Type == 13 {
		iv = binary.BigEndian.AppendUint32(iv, h.Number)
		iv = append(iv, byte(h.Epoch>>8), byte(h.Epoch), h.Gateway)
	} else {
		iv = binary.BigEndian.AppendUint32(iv, h.Counter)
		iv = append(iv, byte(h.Attempt>>8), byte(h.Attempt), 0)
	}
	return append(iv, 0, 0, 0, 0)
}
