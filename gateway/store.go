package gateway

import "longlane/queue"

// Store is what the core needs of the queue. The methods, and the errors that the core branches on, are those of
// queue.Queue. OnQueue gives the real one; the other there is keeps everything in memory and is what cmd/bench measures
// the cost of the disk against.
type Store interface {
	Append(r queue.Record, done func(queue.Seq, error))
	Broken() <-chan struct{}
	Stats() queue.Stats

	Sink(name string, o queue.SinkOptions) (Cursor, error)
	Sinks() []queue.SinkInfo
	RenameSink(from, to string) error
	RemoveSink(name string) error

	Marks(fn func(key, value []byte) error) (damaged [][]byte, err error)
	SetMark(key, value []byte) error
	ForgetMark(key []byte) error

	Get(name string) ([]byte, error)
	Put(name string, v []byte) error
	Aside() ([]queue.Item, error)
}

// Cursor is a sink's place in a Store; see queue.Cursor.
type Cursor interface {
	Next(p queue.Priority, after queue.Seq, max int) ([]queue.Item, error)
	Ack(s queue.Seq)
	Acked(s queue.Seq) bool
	Depth() (count int, oldest queue.Seq)
	Missed() uint64
	MaxLag() int
}

// OnQueue makes a Store of an open queue.
func OnQueue(q *queue.Queue) Store { return onQueue{q} }

type onQueue struct{ *queue.Queue }

func (s onQueue) Sink(name string, o queue.SinkOptions) (Cursor, error) {
	c, err := s.Queue.Sink(name, o)
	if err != nil {
		return nil, err // not a nil *queue.Cursor in an interface
	}
	return c, nil
}
