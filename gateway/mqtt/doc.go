// Package mqtt speaks MQTT 3.1.1 for the gateway: it publishes events to the house's broker, runs a small broker of its
// own where the house has none, and listens for those who are told. It is the only importer of a client library and
// of a broker library, and knows nothing of what the payloads mean.
//
// Three things stand here:
//
//	Session    one connection to a broker, for publishing. It lives from CONNECT to the first thing that goes wrong,
//	           and says what that was. It never reconnects: whoever holds the events dials again and sends what has
//	           had no acknowledgement.
//	Broker     an embedded broker, in memory.
//	Subscribe  a listener that reconnects for ever; Receive is one that acknowledges when it pleases.
//
// # What an acknowledgement is worth
//
// Session.Publish calls done(nil) for QoS 1 only if the broker's PUBACK for that message arrived on this very
// connection. A queue may advance on it. Everything else is an error, also where the message may well have arrived:
// the sender must send again, so a receiver can see a message twice. The promise ends at the PUBACK. Brokers commonly
// send it before they have written anything to disk, and none sends it after a subscriber has heard.
//
// # Why one client per connection
//
// The client library can reconnect by itself, and then reports messages as delivered that no broker ever
// acknowledged: on reconnecting it completes the waiting tokens without an error, and sends the messages again under
// new tokens that nobody holds. With reconnecting off but a durable session, tokens never complete at all. The one
// honest setting is a clean session without reconnecting, so that is the only one used for publishing, and one client
// is used for one TCP connection. A test runs the delivery property with reconnecting on and requires that it fails.
//
// # Between the client library and the socket
//
// Every connection is wrapped. The wrapper gives each write its own deadline, because the library writes pings and
// subscriptions without one and then hangs for good on a peer that has stopped reading. It also checks every packet's
// type and length before the library sees it: the library would allocate 256 MiB on a four-byte length, index past
// the end of a slice on a long SUBACK, take an UNSUBACK for a PUBACK, and a refusal with an unknown code for success.
//
// # Ownership
//
// A Session has two goroutines, a publisher and an acknowledger, both first in, first out. The publisher may hang
// inside the library for as long as WriteTimeout, and nobody waits for it. The acknowledger alone decides outcomes:
// it waits for the oldest message, and when that makes no progress for AckDeadline it ends the session. MQTT has no
// such timer, so a broker that answers pings and acknowledges nothing would otherwise hold the window for ever.
package mqtt
