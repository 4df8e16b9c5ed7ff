package gateway

import (
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"longlane/gateway/health"
	"longlane/proto"
	"longlane/radio"
)

// stage is a gateway that is stepped by hand, so that weeks pass at once, with all that its verdicts rest on under the test's control.
type stage struct {
	*world
	*Steps
	gate, ridge *testNode
	noise, snr  float64
	told        []Notice
}

func (g *stage) hears(frames ...[]byte) {
	for _, f := range frames {
		g.Packet(radio.Packet{Frame: f, At: time.Now(), Bearer: "lora", Measured: true, RSSI: -97.5, SNR: g.snr})
	}
}

// goes lets time go by, with a look each step.
func (g *stage) goes(d, step time.Duration) {
	for end := time.Now().Add(d); time.Now().Before(end); {
		elapse(step)
		g.Tick()
	}
}

// checks has the gate check in n times, at intervals.
func (g *stage) checks(n int, every time.Duration, edit func(i int, b *proto.CheckIn)) {
	for i := range n {
		g.hears(g.gate.checkIn(func(b *proto.CheckIn) {
			if edit != nil {
				edit(i, b)
			}
		}))
		g.goes(every, every)
	}
}

func (g *stage) both(n int) {
	for range n {
		g.hears(g.gate.checkIn(), g.ridge.checkIn())
		g.goes(15*time.Minute, time.Minute)
	}
}

// finds is a fault that the gate tells, and its end, which lasts so long.
func finds(kind proto.FaultKind, calm time.Duration) func(*stage, bool) {
	return func(g *stage, end bool) {
		if !end || kind != proto.FaultLost {
			g.hears(g.gate.fault(kind, end))
		}
		if g.goes(time.Second, time.Second); end {
			g.goes(calm, calm/4)
		}
	}
}

func deafened(noise float64) func(*stage, bool) {
	return func(g *stage, end bool) {
		if end {
			g.both(5)
			return
		}
		g.both(4)
		g.noise = noise
		g.goes(45*time.Minute, 10*time.Second)
	}
}

// codeCases bring a fault about, and its end, by what comes to the gateway from without.
var codeCases = map[health.Code]func(g *stage, end bool){
	health.Overdue: func(g *stage, end bool) {
		if !end {
			g.goes(31*time.Minute, time.Second*10)
			return
		}
		g.checks(1, time.Second, nil)
	},
	health.Restarts: func(g *stage, end bool) {
		if end {
			g.goes(8*24*time.Hour, 12*time.Hour)
			return
		}
		g.checks(6, time.Minute, func(i int, b *proto.CheckIn) { b.Restarts = uint8(i) })
	},
	health.ClockDrift: func(g *stage, end bool) {
		if end {
			g.checks(34, time.Hour, nil)
			return
		}
		g.checks(1, time.Minute, nil)
		g.checks(8, time.Minute, func(_ int, b *proto.CheckIn) {
			b.Sent = proto.Instant{Epoch: g.world.g.in.epochs.number, Since: g.clock.Mono() - g.world.g.in.epochs.base - 5*time.Second}.SendTime()
		})
	},
	health.MainsLost: func(g *stage, end bool) {
		if !end {
			g.checks(1, time.Minute, func(_ int, b *proto.CheckIn) { b.Mains = true })
		}
		g.checks(8, 10*time.Minute, func(_ int, b *proto.CheckIn) { b.Mains = end })
	},
	health.BatteryLow: func(g *stage, end bool) {
		volts, n, every := 3.1, 3, time.Minute
		if end {
			volts, n, every = 3.9, 26, time.Hour
		}
		g.checks(n, every, func(_ int, b *proto.CheckIn) { b.Battery = proto.EncodeBattery(volts) })
	},
	health.BatteryFades: func(g *stage, end bool) {
		days := 20
		if end {
			days = 31
		}
		g.checks(days*12, 2*time.Hour, func(i int, b *proto.CheckIn) {
			volts := 4.0
			if !end {
				volts = 4 - float64(i/12)/50
			}
			b.Battery = proto.EncodeBattery(volts)
		})
	},
	health.MarginFalls: func(g *stage, end bool) {
		days := 20
		if end {
			days = 31
		}
		for i := range days {
			if g.snr = 2; !end {
				g.snr = 2 - float64(i)/4
			}
			g.checks(12, 2*time.Hour, nil)
		}
	},
	health.MarginLow: func(g *stage, end bool) {
		days := 3
		if g.snr = -11; end {
			g.snr, days = 2, 9
		}
		g.checks(days*12, 2*time.Hour, nil)
	},
	health.Losses: func(g *stage, end bool) {
		if end {
			g.checks(350, 30*time.Minute, nil)
			return
		}
		g.checks(40, 15*time.Minute, func(int, *proto.CheckIn) { g.gate.checks++ })
	},
	health.Tamper:      finds(proto.FaultTamper, 11*time.Minute),
	health.InputWire:   finds(proto.FaultInput, 11*time.Minute),
	health.Blocked:     finds(proto.FaultBlocked, 2*time.Minute),
	health.Chatter:     finds(proto.FaultChatter, 31*time.Minute),
	health.NumberStore: finds(proto.FaultNumbers, 11*time.Minute),
	health.EventsLost:  finds(proto.FaultLost, 25*time.Hour),
	health.ModemAbsent: func(g *stage, end bool) {
		g.link.unplug(!end)
		g.goes(2*time.Minute, time.Second)
	},
	health.BearerDeaf: deafened(-117),
	health.Jammed:     deafened(-95),
	health.ChannelNoisy: func(g *stage, end bool) {
		if g.noise = -100; end {
			g.noise = -117
		}
		g.goes(20*time.Minute, 10*time.Second)
		if end {
			g.goes(7*time.Hour, time.Minute)
		}
	},
	health.ChannelBusy: func(g *stage, end bool) {
		if end {
			g.link.setPermit(nil)
			g.checks(25, time.Minute, nil)
			g.goes(7*time.Hour, time.Minute)
			return
		}
		g.link.setPermit(func([]byte) error { return radio.ErrBusy })
		g.hears(g.gate.open())
		for range 40 {
			elapse(30 * time.Millisecond)
			g.Send()
		}
		g.goes(11*time.Minute, time.Second)
	},
	health.Forged: func(g *stage, end bool) {
		if end {
			g.goes(25*time.Hour, time.Hour)
			return
		}
		for i := range 10 {
			f := slices.Clone(g.gate.checkIn())
			f[len(f)-1] ^= byte(i + 1)
			g.hears(f)
		}
		g.goes(time.Second, time.Second)
	},
	health.Replayed: func(g *stage, end bool) {
		if end {
			g.goes(25*time.Hour, time.Hour)
			return
		}
		var kept [][]byte
		for range 5 {
			kept = append(kept, g.gate.open())
		}
		g.hears(kept...)
		g.gate.next += proto.WindowSize + 10
		g.hears(g.gate.open())
		g.hears(kept...)
		g.goes(time.Second, time.Second)
	},
	health.ClockNotSet: func(g *stage, end bool) {
		g.clock.put(g.clock.Wall(), end)
		g.goes(6*time.Minute, time.Second)
	},
}

// Each code is reached by what comes to the gateway from without, stands for whoever looks, and ends; the house is told of both once, and of
// what a node has told itself not at all. The two that are not here are of sinks and the disk, and need both: TestSinkAndDisk.
func TestEveryCodeByFrames(t *testing.T) {
	for _, code := range health.Codes {
		do := codeCases[code]
		if do == nil {
			if code != health.SinkAbsent && code != health.DiskFilling {
				t.Errorf("%s: nothing brings it about", code)
			}
			continue
		}
		t.Run(string(code), func(t *testing.T) {
			t.Parallel() // they wait for the disk most of the time
			synctest.Test(t, func(t *testing.T) {
				w := newWorldWithoutQueue(t)
				w.period = 15 * time.Minute
				g := &stage{world: w, noise: -117, snr: 2}
				w.opts = func(o *Options) {
					o.LowBattery = map[string]float64{"river-gate": 3.3}
					o.Air = map[string]Air{"lora": {Settings: sf9, Noise: func() float64 { return g.noise }}}
				}
				w.stepped(func(s *Steps) {
					g.Steps, g.gate, g.ridge = s, w.node("river-gate"), w.node("ridge-gate")
					s.Noticed = func(n Notice) { g.told = append(g.told, n) }
					g.hears(g.gate.checkIn())
					g.goes(time.Second, time.Second)
					do(g, false)
					f := w.fault1(code)
					for _, x := range w.g.Faults() { // of what several nodes have, the gate's
						if x.Code == code && x.Subject.Name == "river-gate" {
							f = &x
						}
					}
					if f == nil {
						t.Errorf("it does not begin; %v stand; frames: %v", w.g.Faults(), w.meter.verdicts())
						return
					}
					subject, told := f.Subject, f.Told
					do(g, true)
					for _, f := range w.g.Faults() {
						if f.Code == code && f.Subject == subject {
							t.Errorf("it does not end: %+v", f)
						}
					}
					word := string(code)
					if other := elsewhere[code]; other != "" {
						word = other
					}
					var got []bool
					for _, n := range g.told {
						if n.Code != word || n.about != "" && n.about != about(subject) && n.about != subject.Name {
							continue
						}
						got = append(got, n.Ended)
						if n.Detail == "" || strings.Contains(n.Detail, "..") || strings.HasSuffix(n.Detail, " ") {
							t.Errorf("told as %q", n.Detail)
						}
					}
					want := []bool{false, true}
					if told {
						want = nil
					}
					if !slices.Equal(got, want) {
						t.Errorf("the house was told (of its end: true) %v, want %v", got, want)
					}
				})
			})
		})
	}
}

// A sink whose receiver is away, and a disk that fills up meanwhile, stand for whoever looks, and end.
func TestSinkAndDisk(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := newWorld(t)
		w.maxBytes = 256 << 10
		w.start()
		n := w.node("river-gate")
		w.pass(time.Second)
		w.broker.down(true)
		w.pass(35 * time.Second)
		if w.fault1(health.SinkAbsent) == nil {
			t.Error("that the broker is away does not stand")
		}
		for range 5000 {
			w.hear(n.open())
			if st := w.queue.Stats(); st.BytesUsed*100 > st.Capacity*82 {
				break
			}
		}
		w.pass(62 * time.Second)
		if w.fault1(health.DiskFilling) == nil {
			t.Errorf("that the disk fills up does not stand: %+v", w.queue.Stats())
		}
		w.broker.down(false)
		w.pass(70 * time.Minute)
		if f := w.g.Faults(); len(f) != 0 {
			t.Errorf("%+v stand, want none", f)
		}
	})
}
