package mqtt

import (
	"io"
	"net"
	"sync"
	"testing"
	"time"
)

// TestBrokerClosesAmongDepartures: the broker's end comes to an end though its clients leave in the same moment. The library reads its list
// of clients under a lock that it takes twice, and stands still for ever if one leaves between.
func TestBrokerClosesAmongDepartures(t *testing.T) {
	connect := []byte{0x10, 13, 0, 4, 'M', 'Q', 'T', 'T', 4, 2, 0, 30, 0, 1, 'a'} // the last byte is the name
	for range 200 {
		b := startBroker(t, BrokerOptions{})
		var clients []net.Conn
		for i := range byte(20) {
			c, err := net.Dial("tcp", b.Addr().String())
			if err != nil {
				t.Fatal(err)
			}
			p := append([]byte{}, connect...)
			p[len(p)-1] = 'A' + i
			if _, err := c.Write(p); err != nil {
				t.Fatal(err)
			}
			if _, err := io.ReadFull(c, make([]byte, 4)); err != nil {
				t.Fatal(err)
			}
			clients = append(clients, c)
		}
		var leaving sync.WaitGroup
		for _, c := range clients {
			leaving.Go(func() { c.Close() })
		}
		closed := make(chan struct{})
		go func() {
			defer close(closed)
			b.Close()
		}()
		leaving.Wait()
		select {
		case <-closed:
		case <-time.After(20 * time.Second):
			t.Fatal("the broker has not ended within 20 s")
		}
	}
}
