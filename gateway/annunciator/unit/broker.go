package unit

import (
	"context"
	"math/rand/v2"
	"time"

	"longlane/gateway/annunciator"
	"longlane/gateway/mqtt"
)

// spoken tells of a session by which reports can be sent; nil: none can.
type spoken struct{ session *mqtt.Session }

// listen listens to the broker, and keeps a session for reports while the subscriptions stand: whoever does not hear must not
// say that it serves.
func (u *Unit) listen(ctx context.Context) error {
	var stop context.CancelFunc = func() {}
	var speaking chan struct{}
	quiet := func() {
		stop()
		if speaking != nil {
			<-speaking
		}
	}
	defer func() { quiet() }()
	site := "longlane/" + u.o.Core.Site
	o := u.o.Broker
	o.Filters = []string{site + "/zone/+/trip", site + "/zone/+/test", site + "/zone/+/state", site + "/fault", site + "/tick"}
	o.QoS, o.CleanSession, o.Log = 1, false, u.o.Log
	o.Connected = func() {
		u.put(annunciator.Session{Up: true})
		var c context.Context
		c, stop = context.WithCancel(ctx)
		done := make(chan struct{})
		speaking = done
		go func() { // ends with stop, which listen calls and waits for
			defer close(done)
			u.speak(c)
		}()
	}
	o.Lost = func(err error) {
		quiet()
		stop, speaking = func() {}, nil
		u.put(annunciator.Session{Up: false, Why: err.Error()})
	}
	return mqtt.Receive(ctx, o, func(d mqtt.Delivery) { u.put(d) })
}

// speak keeps a session for reports until ctx ends. If ctx ended since nothing is heard any more, its end is as of a unit that is
// lost: with its last will.
func (u *Unit) speak(ctx context.Context) {
	longest := time.Minute
	if mqtt.Nearby(u.o.Broker.URL) {
		longest = time.Second
	}
	for pause := 100 * time.Millisecond; ctx.Err() == nil && !u.ends(); pause = min(2*pause, longest) {
		s, err := mqtt.Dial(ctx, mqtt.Options{URL: u.o.Broker.URL, ClientID: u.o.Broker.ClientID + "-reports", User: u.o.Broker.User,
			PasswordFile: u.o.Broker.PasswordFile, CAFile: u.o.Broker.CAFile, ServerName: u.o.Broker.ServerName,
			Will: &mqtt.Will{Topic: u.topic(), Payload: u.will()}, Log: u.o.Log})
		if err == nil {
			pause = 100 * time.Millisecond
			u.put(spoken{s})
			select {
			case <-s.Closed():
				if u.ends() {
					return
				}
				u.o.Log.Warn("reports cannot be sent: the session has ended", "err", s.Err())
				u.put(spoken{nil})
			case <-ctx.Done():
				u.leave(s)
				return
			}
		}
		wait := time.NewTimer(rand.N(pause) + pause/2)
		select {
		case <-wait.C:
		case <-ctx.Done():
		case <-u.ending:
		}
		wait.Stop()
	}
}

func (u *Unit) ends() bool {
	select {
	case <-u.ending:
		return true
	default:
		return false
	}
}

// leave ends the session when nothing is heard any more. At the end of the whole unit the one goroutine says goodbye itself, and that
// is the last word.
func (u *Unit) leave(s *mqtt.Session) {
	if u.ends() {
		<-u.stopped // until then it may be saying it
		s.Close()
		return
	}
	select {
	case u.inbox <- spoken{nil}:
		done := make(chan struct{})
		s.Publish(u.topic(), 1, true, u.will(), func(error) { close(done) })
		wait := time.NewTimer(goodbyeLimit)
		defer wait.Stop()
		select {
		case <-done:
		case <-wait.C:
		}
		s.Close()
	case <-u.ending:
		<-u.stopped
		s.Close()
	}
}

// will is what the broker publishes when the session for reports ends without a goodbye. It may be called from any goroutine.
func (u *Unit) will() []byte {
	v := Unit{o: u.o}
	return v.statusOf(stateLost)
}
