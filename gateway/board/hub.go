package board

import (
	"crypto/rand"
	"encoding/json"
	"fmt"
	"strconv"
	"strings"
	"sync"
)

const (
	mostClients = 200 // streams at once
	replayed    = 256 // events kept for those who come back
	ahead       = 64  // events that may wait for a client; one for whom more wait does not read
)

// hub hands events to all who listen. It is safe for concurrent use, and nothing in it waits for a client.
type hub struct {
	run string // tells this run's ids from an earlier one's

	mu      sync.Mutex // guards what follows
	next    uint64     // number of the next event
	recent  []message  // the newest, replayed at most
	clients map[*client]struct{}
	closed  bool
	stats   Stats
}

// Stats count what became of the streams.
type Stats struct {
	Clients int    // that listen now
	Told    uint64 // events
	Slow    uint64 // clients cut off because they did not read
	Refused uint64 // clients turned away because there were too many
}

type message struct {
	number uint64
	bytes  []byte // as it goes to the client; shared by all, and never changed
}

// client is one stream. Its channel is closed when it is cut off.
type client struct {
	ch chan []byte
}

func newHub() *hub {
	return &hub{run: rand.Text()[:8], next: 1, clients: map[*client]struct{}{}}
}

// tell hands an event to all clients.
func (h *hub) tell(e Event) error {
	data, err := json.Marshal(e)
	if err != nil {
		return fmt.Errorf("write event %s: %w", e.Kind, err)
	}
	h.mu.Lock()
	defer h.mu.Unlock()
	m := message{h.next, frame(h.id(h.next), e.Kind, data)}
	h.next++
	h.stats.Told++
	if h.recent = append(h.recent, m); len(h.recent) > replayed {
		h.recent = append(h.recent[:0], h.recent[len(h.recent)-replayed:]...)
	}
	for c := range h.clients {
		select {
		case c.ch <- m.bytes:
		default:
			h.stats.Slow++
			h.drop(c)
		}
	}
	return nil
}

// frame is an event as the HTML standard has it on the wire. JSON has no line breaks in it.
func frame(id, kind string, data []byte) []byte {
	return fmt.Appendf(nil, "id: %s\nevent: %s\ndata: %s\n\n", id, kind, data)
}

func (h *hub) id(n uint64) string { return h.run + "-" + strconv.FormatUint(n, 10) }

// newest is the id of the newest event.
func (h *hub) newest() string {
	h.mu.Lock()
	defer h.mu.Unlock()
	return h.id(h.next - 1)
}

// join adds a client who has seen all up to the event of that id; empty: who wants only what is new. First is what it is to be
// sent before what comes by its channel. c is nil if there are too many, or the hub is closed.
func (h *hub) join(seen string) (c *client, first [][]byte) {
	h.mu.Lock()
	defer h.mu.Unlock()
	if h.closed || len(h.clients) >= mostClients {
		h.stats.Refused++
		return nil, nil
	}
	c = &client{ch: make(chan []byte, ahead)}
	h.clients[c] = struct{}{}
	id := h.id(h.next - 1)
	missed, known := h.since(seen)
	switch {
	case seen == "":
		first = append(first, frame(id, onWelcome, []byte("{}")))
	case !known:
		first = append(first, frame(id, onReset, []byte("{}")))
	default:
		for _, m := range missed {
			first = append(first, m.bytes)
		}
	}
	return c, first
}

// since gives what came after an id; known is false if that cannot be told any more.
func (h *hub) since(seen string) (missed []message, known bool) {
	number, ours := strings.CutPrefix(seen, h.run+"-")
	n, err := strconv.ParseUint(number, 10, 64)
	if !ours || err != nil || n >= h.next {
		return nil, false
	}
	back := h.next - 1 - n
	if back > uint64(len(h.recent)) {
		return nil, false
	}
	return h.recent[uint64(len(h.recent))-back:], true
}

func (h *hub) leave(c *client) {
	h.mu.Lock()
	defer h.mu.Unlock()
	h.drop(c)
}

// drop is called with the lock held, once or more for a client.
func (h *hub) drop(c *client) {
	if _, in := h.clients[c]; in {
		delete(h.clients, c)
		close(c.ch)
	}
}

func (h *hub) close() {
	h.mu.Lock()
	defer h.mu.Unlock()
	h.closed = true
	for c := range h.clients {
		h.drop(c)
	}
}

func (h *hub) statistics() Stats {
	h.mu.Lock()
	defer h.mu.Unlock()
	s := h.stats
	s.Clients = len(h.clients)
	return s
}
