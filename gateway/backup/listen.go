package backup

import (
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"math/rand/v2"
	"time"

	"golang.org/x/sys/unix"

	"longlane/gateway/config"
	"longlane/gateway/mqtt"
)

const (
	// A gateway ticks every 5 s while it has a session, so two ticks fall into this.
	listenFor = 12 * time.Second
	// connectWithin is how long the broker may take to let us in.
	connectWithin = 15 * time.Second
)

// listen refuses while the old gateway is heard at its broker. Where that cannot be known, the owner's word decides.
func (b *Backup) listen(ctx context.Context, o RestoreOptions) error {
	unknown := func(why string) error {
		if o.OldIsOff {
			o.Progress("Whether the old gateway is off cannot be known here (" + why + "); you say that it is.")
			return nil
		}
		return fmt.Errorf("found no way to hear whether the old gateway still runs (%s), expected one. %s. Switch the old one off for "+
			"good, then add --old-is-off", why, whyNotTwo)
	}
	if b.config.Broker == nil {
		return unknown("its broker is built into it")
	}
	broker := b.config.Broker
	heard, err := b.hear(ctx, o, broker)
	switch {
	case ctx.Err() != nil:
		return ctx.Err()
	case err != nil:
		return unknown(err.Error())
	case heard != "":
		return fmt.Errorf("found a gateway at work at %s (%s ticks), expected silence for %v. %s. Stop the old one and switch it off for "+
			"good, then do the same again", broker.URL, heard, listenFor, whyNotTwo)
	}
	return nil
}

// hear gives the name of a gateway of this site that has ticked; none if it was silent throughout. An error says why
// that is not known.
func (b *Backup) hear(ctx context.Context, o RestoreOptions, broker *config.Broker) (heard string, err error) {
	ca, closeCA, err := b.memoryFile("broker/ca")
	if err != nil {
		return "", err
	}
	defer closeCA()
	password, closePassword, err := b.memoryFile("broker/password")
	if err != nil {
		return "", err
	}
	defer closePassword()
	o.Progress(fmt.Sprintf("Listening at %s for the old gateway, %v ...", broker.URL, listenFor))
	connected, ticks, lost, done := make(chan struct{}, 1), make(chan string, 1), make(chan error, 1), make(chan error, 1)
	inner, stop := context.WithCancel(ctx)
	go func() { // ends with inner
		done <- mqtt.Subscribe(inner, mqtt.SubscribeOptions{URL: broker.URL, ClientID: fmt.Sprintf("%s-restore-%08x", broker.ClientID, rand.Uint32()),
			User: broker.User, PasswordFile: password, CAFile: ca, Filters: []string{"longlane/" + b.config.Site + "/tick"}, CleanSession: true,
			Connected: func() { offer(connected, struct{}{}) }, Lost: func(err error) { offer(lost, err) }},
			func(_ string, payload []byte, retained bool) {
				if !retained {
					offer(ticks, nameIn(payload))
				}
			})
	}()
	ended := false
	defer func() {
		stop()
		if !ended {
			<-done
		}
	}()
	say := time.NewTicker(3 * time.Second)
	defer say.Stop()
	within := cmp.Or(o.connect, connectWithin)
	limit := time.NewTimer(within)
	defer limit.Stop()
	why := errors.New("no answer")
	var began time.Time
	for {
		select {
		case <-ctx.Done():
			return "", ctx.Err()
		case heard = <-ticks:
			return heard, nil
		case err := <-done:
			ended = true
			return "", err
		case <-connected:
			began = time.Now()
			limit.Reset(listenFor)
		case why = <-lost:
			if !began.IsZero() { // what was said meanwhile is not known
				return "", fmt.Errorf("the broker was lost while listening: %w", why)
			}
		case <-say.C:
			if !began.IsZero() {
				o.Progress(fmt.Sprintf("... nothing heard for %v", time.Since(began).Round(time.Second)))
			}
		case <-limit.C:
			if began.IsZero() {
				return "", fmt.Errorf("the broker %s was not reached within %v: %w", broker.URL, within, why)
			}
			return "", nil
		}
	}
}

// offer never blocks: one of each is enough.
func offer[T any](c chan T, v T) {
	select {
	case c <- v:
	default:
	}
}

func nameIn(tick []byte) string {
	var t struct{ Gateway string }
	if json.Unmarshal(tick, &t) != nil || t.Gateway == "" {
		return "one that does not say its name"
	}
	return fmt.Sprintf("%q", t.Gateway)
}

// memoryFile gives a path under which a part can be read before anything is written to a disk; "" if there is none.
func (b *Backup) memoryFile(name string) (path string, closeFile func(), err error) {
	data := b.data[name]
	if data == nil {
		return "", func() {}, nil
	}
	fd, err := unix.MemfdCreate("longlane", unix.MFD_CLOEXEC)
	if err != nil {
		return "", nil, fmt.Errorf("hold %s in memory: %w", name, err)
	}
	closeFile = func() { unix.Close(fd) }
	if err := unix.Fchmod(fd, 0o600); err != nil {
		closeFile()
		return "", nil, fmt.Errorf("hold %s in memory: %w", name, err)
	}
	for rest := data; len(rest) > 0; {
		n, err := unix.Write(fd, rest)
		if err != nil {
			closeFile()
			return "", nil, fmt.Errorf("hold %s in memory: %w", name, err)
		}
		rest = rest[n:]
	}
	return fmt.Sprintf("/proc/self/fd/%d", fd), closeFile, nil
}
