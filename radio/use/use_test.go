package use

import (
	"testing"

	"longlane/proto"
	"longlane/radio/lora"
)

// TestOf: every type of frame has its use, and what is none has the last.
func TestOf(t *testing.T) {
	keys, err := proto.NewKeys(make([]byte, proto.KeySize))
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		typ  proto.Type
		body proto.Body
		want lora.Use
	}{
		{proto.TypeTripOpened, &proto.TripOpened{}, lora.UseTrip},
		{proto.TypeTripClosed, &proto.TripClosed{}, lora.UseTrip},
		{proto.TypeTripHeld, &proto.TripHeld{}, lora.UseTrip},
		{proto.TypeFault, &proto.Fault{Kind: proto.FaultNumbers}, lora.UseTrip},
		{proto.TypeReceipt, &proto.Receipt{}, lora.UseTrip},
		{proto.TypeCheckIn, &proto.CheckIn{}, lora.UseHop},
		{proto.TypeCheckInReceipt, &proto.Receipt{}, lora.UseHop},
		{proto.TypeHopAck, &proto.HopAck{}, lora.UseHop},
		{proto.TypeSolicit, &proto.Solicit{}, lora.UseHop},
		{proto.TypeBeacon, &proto.Beacon{}, lora.UseBeacon},
	} {
		frame, err := proto.Seal(nil, keys, proto.Header{Type: c.typ, Node: 7, Gen: 1, Counter: 5}, c.body)
		if err != nil {
			t.Fatal(err)
		}
		if got := Of(frame); got != c.want {
			t.Errorf("a %v is for %v, want %v", c.typ, got, c.want)
		}
	}
	if got := Of([]byte("x")); got != lora.UseBeacon {
		t.Errorf("no frame at all is for %v", got)
	}
}
