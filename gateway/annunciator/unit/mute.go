package unit

import (
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"log/slog"
	"os"
	"path/filepath"
	"slices"
	"syscall"
	"time"

	"longlane/gateway/annunciator"
	"longlane/gateway/annunciator/output"
	"longlane/gateway/wholefile"
)

// MaxMute is the longest mute: who forgets one has a gate that is heard again tomorrow.
const MaxMute = 24 * time.Hour

// mute is an entry of the file. It ends by the clock since boot; after the machine was started anew, by the wall clock if that
// was set then and is now, and else at once.
type mute struct {
	Zone  string        `json:"zone,omitempty"` // empty: all
	Boot  string        `json:"boot"`
	Until time.Duration `json:"until_since_boot"`
	Wall  time.Time     `json:"until,omitzero"`
}

// over reports whether m has ended, and else until when it holds.
func (m mute) until(now time.Duration, boot string, wall time.Time) (time.Duration, bool) {
	left := m.Until - now
	if m.Boot != boot {
		if m.Wall.IsZero() || wall.IsZero() {
			return 0, false
		}
		left = m.Wall.Sub(wall)
	}
	return now + left, left > 0 && left <= MaxMute
}

// mutes reads the file when it has changed.
type mutes struct {
	path string
	log  *slog.Logger
	seen string
}

// look gives all mutes; changed tells whether they are to be heeded anew.
func (m *mutes) look(now time.Duration, boot string, wall time.Time) (list []annunciator.Mute, changed bool) {
	seen := "none"
	if info, err := os.Stat(m.path); err == nil {
		seen = fmt.Sprint(info.ModTime(), info.Size(), wall.IsZero())
		if s, ok := info.Sys().(*syscall.Stat_t); ok {
			seen += fmt.Sprint(s.Ino)
		}
	}
	if seen == m.seen {
		return nil, false
	}
	m.seen = seen
	all, err := readMutes(m.path)
	if err != nil {
		m.log.Error("the mutes cannot be read: nothing is muted", "err", err)
	}
	for _, e := range all {
		if until, holds := e.until(now, boot, wall); holds {
			list = append(list, annunciator.Mute{Zone: e.Zone, Until: until})
		}
	}
	if len(list) > 0 {
		m.log.Info("muted", "mutes", len(list))
	}
	return list, true
}

const maxMutes = 1 << 16 // bytes

func readMutes(path string) (list []mute, err error) {
	text, err := os.ReadFile(path)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, nil
	} else if err != nil {
		return nil, err
	}
	if len(text) > maxMutes {
		return nil, fmt.Errorf("%s has %d bytes, expected a small file", path, len(text))
	}
	if err := json.Unmarshal(text, &list); err != nil {
		return nil, fmt.Errorf("%s: %w", path, err)
	}
	return list, nil
}

// SetMute mutes a zone, or all if it is empty, for so long from now; 0 ends its mute, and that of all zones if it is empty. It is
// what a running unit heeds from its next look on. The state directory's owner keeps the file.
func SetMute(state, zone string, d time.Duration, boot string, wall time.Time) error {
	path := filepath.Join(state, mutesFile)
	info, err := os.Stat(state)
	if err != nil {
		return fmt.Errorf("find the annunciator's state directory: %w", err)
	}
	list, err := readMutes(path)
	if err != nil {
		list = nil // what cannot be read mutes nothing
	}
	now := output.Now()
	list = slices.DeleteFunc(list, func(m mute) bool {
		_, holds := m.until(now, boot, wall)
		return !holds || m.Zone == zone || zone == "" && d == 0
	})
	if d > 0 {
		m := mute{Zone: zone, Boot: boot, Until: now + d}
		if !wall.IsZero() {
			m.Wall = wall.Add(d)
		}
		list = append(list, m)
	}
	text, err := json.Marshal(list)
	if err != nil {
		panic(err) // plain fields
	}
	return wholefile.Write(path, append(text, '\n'), wholefile.Options{Prepare: func(f *os.File) error {
		s, ok := info.Sys().(*syscall.Stat_t)
		if !ok || os.Geteuid() != 0 {
			return nil
		}
		return f.Chown(int(s.Uid), int(s.Gid))
	}})
}
