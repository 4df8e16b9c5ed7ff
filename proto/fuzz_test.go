package proto

import (
	"bytes"
	"math/rand/v2"
	"testing"
)

// seedFrames are frames from the encoder: each type, short and long, with and without hop records.
func seedFrames(f *testing.F) (frames [][]byte) {
	r := rand.New(rand.NewPCG(1, 2)) // the same seeds in every run
	for _, ft := range frameTypes {
		for range 3 {
			h := randHeader(r, ft.typ)
			frames = append(frames, mustSeal(f, keysFor(f, h), h, ft.body(r)))
		}
	}
	for n := 1; n <= MaxHops; n++ {
		frames = append(frames, newRelayed(f, r, n).frame)
	}
	return frames
}

// FuzzParse: bytes are refused, for a reason from the closed list that needs no key, or written again as they were.
func FuzzParse(f *testing.F) {
	for _, frame := range seedFrames(f) {
		f.Add(frame)
		f.Add(frame[:len(frame)-1])
	}
	k := nodeKeys(f, 1, 2, 3)
	f.Fuzz(func(t *testing.T, b []byte) {
		given := bytes.Clone(b)
		raw, err := Parse(b)
		if err != nil {
			wantRefusal(t, "Parse", err, BadLength, BadVersion, BadType, BadReserved)
			_, err := AppendHop(b, k, Hop{Relay: 2})
			wantRefusal(t, "AppendHop", err)
			return
		}
		if again := raw.Append(nil); !bytes.Equal(again, given) || !bytes.Equal(b, given) {
			t.Fatalf("Parse(%x).Append = %x", given, again)
		}
		if err := raw.Header.check(); err != nil {
			t.Fatalf("Parse gave a header that cannot be written: %v", err)
		}
		if clear := raw.Header.appendClear(nil, false); !bytes.Equal(clear, given[:len(clear)]) || len(clear) != len(raw.clear) {
			t.Fatalf("header of %x writes as %x", given, clear)
		}
		if _, err := raw.Open(k, raw.Counter); err == nil {
			t.Fatalf("%x has a good MAC", given)
		}
		for i := range raw.HopCount() {
			if raw.VerifyHop(i, k) {
				t.Fatalf("record %d of %x has a good MAC: %+v", i, given, raw.Hop(i))
			}
		}
		checkRelays(t, raw, given, k)
	})
}

// checkRelays sends a parsed frame on: a record more, and nothing else changed.
func checkRelays(t *testing.T, raw Raw, frame []byte, k *Keys) {
	out, err := AppendHop(frame, k, Hop{Relay: 2, Held: 1})
	if may := carriesHops(raw.Type) && raw.HopsLeft > 0 && raw.HopCount() < MaxHops; may != (err == nil) {
		t.Fatalf("AppendHop(%x): %v", frame, err)
	} else if !may {
		wantRefusal(t, "AppendHop", err, BadType, BadReserved, BadLength)
		return
	}
	sent := mustParse(t, out)
	if !sent.VerifyHop(raw.HopCount(), k) || sent.HopsLeft != raw.HopsLeft-1 || !bytes.Equal(out[2:len(frame)], frame[2:]) {
		t.Fatalf("AppendHop(%x) = %x", frame, out)
	}
}

// FuzzOpen: a sealed body, whatever it says, is refused or encodes again to the same bytes, and seals to the same frame.
// Its authors are nodes whose keys are known, so this is what a stolen or faulty node can do.
func FuzzOpen(f *testing.F) {
	r := rand.New(rand.NewPCG(3, 4))
	for _, ft := range frameTypes {
		f.Add(uint8(ft.typ), false, ft.example.appendBody(nil))
		for range 3 {
			f.Add(uint8(ft.typ), coin(r), ft.body(r).appendBody(nil))
		}
	}
	k := nodeKeys(f, 1, 2, 3)
	f.Fuzz(func(t *testing.T, typ uint8, long bool, plain []byte) {
		h := Header{Type: Type(typ % 32), Long: long, HopsLeft: 3, Site: 1, Node: 2, Gen: 3, Counter: 0x12345}
		if h.check() != nil {
			return // no such frame; FuzzParse is about those
		}
		frame := sealPlain(k, h, plain)
		_, body, err := openAs(frame, k, h.Counter)
		if err != nil {
			want := []Reason{BadReserved}
			if len(plain) != h.Type.layout().body {
				want = []Reason{BadLength, BadMAC}
			}
			wantRefusal(t, "open", err, want...)
			return
		}
		if again := body.appendBody(nil); !bytes.Equal(again, plain) {
			t.Fatalf("body %x of a %s encodes again as %x", plain, h.Type, again)
		}
		if again := mustSeal(t, k, h, body); !bytes.Equal(again, frame) {
			t.Fatalf("frame %x seals again as %x", frame, again)
		}
	})
}

// FuzzWindowUnmarshal: bytes are refused or written again as they were, and what was read then behaves as a window.
func FuzzWindowUnmarshal(f *testing.F) {
	var w Window
	for _, c := range []uint32{0, 5, 1023, 1024, 70000, 69000, 1<<32 - 1} {
		b, err := w.MarshalBinary()
		if err != nil {
			f.Fatal(err)
		}
		f.Add(b, c)
		w.Mark(c)
	}
	f.Fuzz(func(t *testing.T, b []byte, c uint32) {
		var w Window
		if err := w.UnmarshalBinary(b); err != nil {
			wantRefusal(t, "UnmarshalBinary", err, BadLength)
			return
		}
		if again, err := w.MarshalBinary(); err != nil || !bytes.Equal(again, b) {
			t.Fatalf("UnmarshalBinary(%x) marshals as %x, %v", b, again, err)
		}
		before, verdict := w, w.Check(c)
		w.Mark(c)
		switch {
		case verdict == New && w.Check(c) != Seen:
			t.Fatalf("Check(%d) = %d after Mark, want Seen", c, w.Check(c))
		case verdict != New && w != before:
			t.Fatalf("Mark(%d), which was not new, changed the window", c)
		}
	})
}
