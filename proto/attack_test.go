package proto

import (
	"bytes"
	"encoding/binary"
	"testing"
)

// Attacks by name, each tried on random frames. Every one is refused for the MAC, not by luck for what the body then
// happens to say.

const attackRounds = 100

func TestAttackForgedMAC(t *testing.T) {
	r := newRand(t)
	for _, ft := range frameTypes {
		for range attackRounds {
			h := randHeader(r, ft.typ)
			k := keysFor(t, h)
			frame := mustSeal(t, k, h, ft.body(r))
			n := len(frame) - ft.typ.layout().tag
			for _, tag := range [][]byte{make([]byte, len(frame)-n), randBytes(r, len(frame)-n),
				keysFor(t, Header{Type: ft.typ, Site: h.Site + 1, Node: 1}).tag(h, frame[n:])[:len(frame)-n]} {
				_, _, err := openAs(append(bytes.Clone(frame[:n]), tag...), k, h.Counter)
				wantRefusal(t, ft.typ.String()+" with a made-up MAC", err, BadMAC)
			}
			// The whole MAC counts: its last bit, with all before it right.
			frame[len(frame)-1] ^= 1
			_, _, err := openAs(frame, k, h.Counter)
			wantRefusal(t, ft.typ.String()+" with the last bit of its MAC wrong", err, BadMAC)
		}
	}
}

// Counter candidate: a recorded frame is played when the low 16 bits of the counters have come round, so that the
// receiver completes them to a counter that it has not seen.
func TestAttackCounterCandidate(t *testing.T) {
	r := newRand(t)
	for _, ft := range []frameType{tripOpenedType, tripClosedType, tripHeldType, faultType, checkInType} {
		for range attackRounds {
			h := randHeader(r, ft.typ)
			h.Long, h.Counter = false, r.Uint32N(1<<31)
			k := keysFor(t, h)
			frame := mustSeal(t, k, h, ft.body(r))
			round := uint32(1+r.IntN(100)) << 16
			for _, highest := range []uint32{h.Counter + round, h.Counter + round - 1, h.Counter + round + 1023} {
				if got := Resolve(uint16(h.Counter), highest); got != h.Counter+round {
					t.Fatalf("Resolve(%d, %d) = %d, the attack is not what it says", uint16(h.Counter), highest, got)
				}
				_, _, err := openAs(frame, k, highest)
				wantRefusal(t, ft.typ.String()+" of 65536 counters ago", err, BadMAC)
			}
		}
	}
}

// A receipt that freed one event must not free another whose counter has the same low 16 bits.
func TestAttackReceiptComesRound(t *testing.T) {
	r := newRand(t)
	for _, ft := range []frameType{receiptType, checkInReceiptType} {
		for range attackRounds {
			h := randHeader(r, ft.typ)
			h.Counter = r.Uint32N(1 << 31)
			k := keysFor(t, h)
			frame := mustSeal(t, k, h, ft.body(r))
			for _, newest := range []uint32{h.Counter + 1<<16, h.Counter + 1<<16 + uint32(r.IntN(1<<16))} {
				_, _, err := openAs(frame, k, newest)
				wantRefusal(t, "receipt of 65536 counters ago", err, BadMAC)
			}
		}
	}
}

// A frame of another site, of another node, of another generation: with the identity as it travelled and the victim's
// keys, and with the identity rewritten.
func TestAttackOtherIdentity(t *testing.T) {
	r := newRand(t)
	for _, ft := range frameTypes {
		for range attackRounds / 4 {
			victim, thief := randHeader(r, ft.typ), randHeader(r, ft.typ)
			for what, change := range map[string]func(*Header){
				"site":       func(h *Header) { h.Site = thief.Site },
				"node":       func(h *Header) { h.Node = thief.Node },
				"generation": func(h *Header) { h.Gen = thief.Gen },
			} {
				other := victim
				if change(&other); other == victim {
					continue
				}
				frame := mustSeal(t, keysFor(t, other), other, ft.body(r))
				if what != "node" || !ft.typ.Group() { // group keys are shared by the nodes, and hints for that reason
					_, _, err := openAs(frame, keysFor(t, victim), victim.Counter)
					wantRefusal(t, "a "+ft.typ.String()+" of another "+what, err, BadMAC)
					theirs := mustSeal(t, keysFor(t, other), victim, ft.body(r))
					_, _, err = openAs(theirs, keysFor(t, victim), victim.Counter)
					wantRefusal(t, "a "+ft.typ.String()+" sealed with the key of another "+what, err, BadMAC)
				}
				binary.BigEndian.PutUint16(frame[2:], victim.Site)
				frame[4], frame[5] = victim.Node, victim.Gen
				for _, h := range []Header{victim, other} {
					_, _, err := openAs(frame, keysFor(t, h), victim.Counter)
					wantRefusal(t, "a "+ft.typ.String()+" with its "+what+" rewritten", err, BadMAC)
				}
			}
		}
	}
}

// A stolen node knows its own key and the group key. With neither can it make a receipt for another node.
func TestAttackForgedReceipt(t *testing.T) {
	r := newRand(t)
	for _, ft := range []frameType{receiptType, checkInReceiptType} {
		for range attackRounds {
			h := randHeader(r, ft.typ)
			stolen := nodeKeys(t, h.Site, 1+h.Node%MaxNode, h.Gen)
			for what, k := range map[string]*Keys{"another node's key": stolen, "the group key": groupKeys(t, h.Site, h.Gen)} {
				_, _, err := openAs(mustSeal(t, k, h, ft.body(r)), keysFor(t, h), h.Counter)
				wantRefusal(t, "a receipt made with "+what, err, BadMAC)
			}
		}
	}
}

// Changing the type byte must not turn one kind of frame into another of the same length: not a check-in into an event,
// not a receipt for a check-in, which promises nothing, into one for an event, and not one direction into the other.
// With zeros where the lay-outs differ, the MAC of some of them would fit but for the type under it.
func TestAttackTypeChanged(t *testing.T) {
	r := newRand(t)
	tried := 0
	for _, from := range frameTypes {
		for _, to := range frameTypes {
			if from.typ == to.typ || from.typ.Size() != to.typ.Size() {
				continue
			}
			for range attackRounds {
				h := randHeader(r, from.typ)
				h.Long = false
				if coin(r) {
					h.Counter, h.Attempt, h.Gateway, h.Epoch, h.Number = uint32(randByte(r)), 0, 0, 0, 0
				}
				k := keysFor(t, h)
				frame := mustSeal(t, k, h, from.body(r))
				frame[0] = Version<<versionBits | byte(to.typ)
				raw, err := Parse(frame)
				if err != nil {
					continue // a gateway number that the other type reads as flags
				}
				tried++
				for _, counter := range []uint32{raw.Counter, h.Counter, 0} {
					_, err := raw.Open(k, counter)
					wantRefusal(t, from.typ.String()+" as "+to.typ.String(), err, BadMAC)
				}
			}
		}
	}
	if tried < 10*attackRounds {
		t.Errorf("only %d frames were tried", tried)
	}
}

// A frame opened with the wrong kind of key: hints are never taken for frames with authority, nor the reverse.
func TestAttackKeyKindsMixed(t *testing.T) {
	r := newRand(t)
	for _, ft := range frameTypes {
		h := randHeader(r, ft.typ)
		if ft.typ.Group() {
			h.Node = uint8(MinNode + r.IntN(MaxNode))
		}
		node, group := nodeKeys(t, h.Site, h.Node, h.Gen), groupKeys(t, h.Site, h.Gen)
		right, wrong := node, group
		if ft.typ.Group() {
			right, wrong = group, node
		}
		_, _, err := openAs(mustSeal(t, wrong, h, ft.body(r)), right, h.Counter)
		wantRefusal(t, ft.typ.String()+" under the wrong kind of key", err, BadMAC)
	}
}

// The attempt names a sealing; a receipt answers it, and a node takes time and settings only from that answer.
func TestAttackAttemptChanged(t *testing.T) {
	r := newRand(t)
	for _, ft := range []frameType{tripOpenedType, tripClosedType, tripHeldType, faultType} {
		for range attackRounds {
			h := randHeader(r, ft.typ)
			k := keysFor(t, h)
			frame := mustSeal(t, k, h, ft.body(r))
			at := 8
			if h.Long {
				at = 10
			}
			frame[at+r.IntN(ft.typ.layout().attempt)] ^= 1 + byte(r.IntN(255))
			_, _, err := openAs(frame, k, h.Counter)
			wantRefusal(t, ft.typ.String()+" with another attempt", err, BadMAC)
		}
	}
}

// A short frame made long with the counter's own high bits, and a long one made short.
func TestAttackLongFlagToggled(t *testing.T) {
	r := newRand(t)
	for _, ft := range hopCarriers {
		for range attackRounds {
			h := randHeader(r, ft.typ)
			k := keysFor(t, h)
			frame := mustSeal(t, k, h, ft.body(r))
			toggled := bytes.Clone(frame[:6])
			toggled[1] ^= flagLong
			if h.Long {
				toggled = append(toggled, frame[8:]...)
			} else {
				toggled = append(binary.BigEndian.AppendUint32(toggled, h.Counter), frame[8:]...)
			}
			_, _, err := openAs(toggled, k, h.Counter)
			wantRefusal(t, ft.typ.String()+" with its counter's form changed", err, BadMAC)
		}
	}
}

// A receipt from one gateway, epoch or number relabelled as another: the node takes the time by these.
func TestAttackReceiptRelabelled(t *testing.T) {
	r := newRand(t)
	for _, ft := range []frameType{receiptType, checkInReceiptType} {
		for range attackRounds {
			h := randHeader(r, ft.typ)
			k := keysFor(t, h)
			frame := mustSeal(t, k, h, ft.body(r))
			for _, at := range []int{6, 7, 8, 9, 10, 11} {
				bent := bytes.Clone(frame)
				bent[at] ^= 1 + byte(r.IntN(255))
				_, _, err := openAs(bent, k, h.Counter)
				wantRefusal(t, "receipt of another epoch or number", err, BadMAC)
			}
			frame[1] ^= byte(1+r.IntN(15)) << 4
			_, _, err := openAs(frame, k, h.Counter)
			wantRefusal(t, "receipt of another gateway", err, BadMAC)
		}
	}
}
