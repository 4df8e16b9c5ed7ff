package ether

import (
	"encoding/hex"
	"time"

	"longlane/proto"
)

// reorderWait is how long a frame that shall be overtaken waits for another.
const reorderWait = 2 * time.Second

// delayed is a frame that waits to be overtaken.
type delayed struct{ deliver func() }

// history is the frames that have gone one way, for replays: the newest kept of them.
type history struct {
	frames [][]byte
	next   int
}

const kept = 256

func (h *history) add(frame []byte) {
	if len(h.frames) < kept {
		h.frames = append(h.frames, frame)
		return
	}
	h.frames[h.next] = frame
	h.next = (h.next + 1) % kept
}

func (e *Ether) chance(p float64) bool { return p > 0 && e.rand.Float64() < p }

// none reports whether nothing ever happens.
func (f *Faults) none() bool {
	return f.Lose == 0 && f.Repeat == 0 && f.Reorder == 0 && f.Delay == 0 && f.Corrupt == 0 && f.Forge == 0
}

func direction(way int) string { return [...]string{toGateway, fromGateway}[way] }

// distort delivers frame, or what faults make of it. r tells of it, as it is told of what is delivered.
func (e *Ether) distort(way int, frame []byte, r Record, deliver func([]byte, Record)) {
	f := e.s.Faults
	if f.none() || len(frame) == 0 {
		deliver(frame, r)
		return
	}
	if e.chance(f.Forge) {
		e.forge(way, frame, r, deliver)
	}
	e.old[way].add(frame)
	if e.chance(f.Lose) {
		e.lost(r, direction(way), "by chance")
		return
	}
	copies := 1
	if e.chance(f.Repeat) {
		copies = 2
	}
	for i := range copies {
		one, told := frame, r
		if e.chance(f.Corrupt) {
			one, told.Why = e.damage(way, frame, r), "damaged"
		}
		wait := e.between(10*time.Millisecond, 500*time.Millisecond) * time.Duration(i)
		if e.chance(f.Delay) {
			wait += e.between(0, time.Duration(f.DelayMax))
		}
		e.later(way, wait, func() { deliver(one, told) })
	}
}

// later delivers after a wait, and perhaps behind the frame that follows.
func (e *Ether) later(way int, wait time.Duration, deliver func()) {
	if e.chance(e.s.Faults.Reorder) && e.late[way] == nil {
		d := &delayed{deliver}
		e.late[way] = d
		e.at(e.now+wait+reorderWait, func() { e.overtaken(way, d) })
		return
	}
	pass := func() {
		deliver()
		if d := e.late[way]; d != nil {
			e.at(e.now, func() { e.overtaken(way, d) })
		}
	}
	if wait == 0 {
		pass()
		return
	}
	e.at(e.now+wait, pass)
}

// overtaken delivers d, once.
func (e *Ether) overtaken(way int, d *delayed) {
	if e.late[way] == d {
		e.late[way] = nil
		d.deliver()
	}
}

// damage flips 1 to 8 bits of a copy.
func (e *Ether) damage(way int, frame []byte, r Record) []byte {
	out := append([]byte(nil), frame...)
	for range 1 + e.rand.IntN(8) {
		out[e.rand.IntN(len(out))] ^= 1 << e.rand.IntN(8)
	}
	r.What, r.Direction, r.Frame = RecordDamaged, direction(way), hex.EncodeToString(out)
	e.record(r)
	return out
}

// forge puts a frame of an attacker's beside a genuine one: what somebody without keys can make of what was on the air.
func (e *Ether) forge(way int, frame []byte, r Record, deliver func([]byte, Record)) {
	out, why := e.forgery(way, frame)
	told := Record{RSSI: r.RSSI, SNR: r.SNR, Kind: kindOf(out), Why: "forged: " + why}
	forged := told
	forged.What, forged.Direction, forged.Frame = RecordForged, direction(way), hex.EncodeToString(out)
	e.record(forged)
	e.at(e.now+e.between(0, time.Second), func() { deliver(out, told) })
}

func (e *Ether) forgery(way int, frame []byte) (out []byte, why string) {
	out = append([]byte(nil), frame...)
	raw, err := proto.Parse(frame)
	kind := e.rand.IntN(4)
	if err != nil {
		kind = 0
	}
	switch old := e.old[way].frames; {
	case kind == 1 && len(old) > 0:
		return old[e.rand.IntN(len(old))], "replayed"
	case kind == 2:
		for i := 6; i < raw.Type.Size(); i++ {
			out[i] = byte(e.rand.Uint32())
		}
		return out, "made up behind a genuine start"
	case kind == 3 && way == up && raw.HopCount() < proto.MaxHops:
		for range proto.HopSize {
			out = append(out, byte(e.rand.Uint32()))
		}
		return out, "genuine with a hop record made up"
	}
	out[len(out)-1-e.rand.IntN(min(proto.HintSize, len(out)))] ^= byte(1 + e.rand.IntN(255))
	return out, "genuine with a wrong MAC"
}
