package annunciator

import (
	"testing"
	"time"
)

// FuzzDamage: whatever stands in lasting memory, the unit starts, and what comes then sounds. A unit that dies of its memory is silent
// for good.
func FuzzDamage(f *testing.F) {
	s := newStage(f)
	s.perform("use passage road yard 20s 3s sound\n0s ticks\n1s open road 1.1.1\n2s open yard 1.2.1\n3s open barn 1.3.1\n3s fault began tamper node=barn\n" +
		"3s player fails\n4s open shed 1.4.1\n5s state barn unwatched\n70s silence\n90s until\n")
	for _, r := range append(s.written, s.core.Snapshot()...) {
		f.Add(r)
	}
	for _, r := range []string{"", "null", "{}", "[]", `{"event":{}}`, `{"event":{"source":"/longlane/hill-orchard","id":"1","kind":"arrival","passage":-1,"what":"sounded","at":{"gateway":"house","boot":"b1","mono":1090000000000},"owes":["sound"]}}`,
		`{"event":{"source":"/x","id":"1","owes":["verdict"],"at":{"gateway":"house","boot":"b1","mono":-9223372036854775808}}}`,
		`{"zone":"shed","acted":9223372036854775807,"boot":"unit-1"}`, `{"trouble":{"key":"","text":"x","standing":true}}`, `{"deaf":true}`, `{"episode":-1}`} {
		f.Add([]byte(r))
	}
	f.Fuzz(func(t *testing.T, line []byte) {
		s := newStage(t)
		s.use([]string{"passage", "road", "yard", "20s", "3s", "sound"})
		s.now.Mono = 90 * time.Second
		s.core, _ = New(s.cfg, [][]byte{line}, s.now)
		s.ticks, s.nextTick = true, s.now.Mono
		s.step(Session{Up: true})
		s.step(Speaks{})
		s.advance(s.now.Mono + time.Second)
		s.event([]string{"open", "mill-lane", "7.1.1"}, nil)
		s.advance(s.now.Mono + 5*time.Minute)
		s.core.View(s.now)
		if again, bad := New(s.cfg, s.core.Snapshot(), s.now); bad != 0 || again == nil {
			t.Errorf("its own snapshot cannot be read")
		}
		if s.plays["7.1.1"] != 1 {
			t.Errorf("the next opening sounded %d times: %q", s.plays["7.1.1"], s.out)
		}
	})
}
