package annunciator

import "time"

// contact is where a contact stands, and until when.
type contact struct {
	Contact
	active  bool
	since   time.Duration
	last    time.Duration   // the last opening
	holders map[string]bool // zones that have not closed, or what supervision stands for
	owed    []*event        // that have not heard yet that it was set
}

// trigger is an opening of a zone with this contact.
func (c *Core) trigger(name string, e *event) {
	k := c.contacts[name]
	if k == nil { // the config has changed since
		c.pay(e, oweContact+name)
		return
	}
	k.owed = append(k.owed, e)
	if k.Hold {
		k.holders[e.Zone] = true
	}
	c.activate(name, k)
}

func (c *Core) activate(name string, k *contact) {
	k.last = c.now.Mono
	if !k.active {
		k.active, k.since = true, c.now.Mono
		c.emit(Set{name, true})
		return
	}
	for _, e := range k.owed { // it stands there already
		c.pay(e, oweContact+name)
	}
	k.owed = nil
}

// stand has supervision hold a contact as long as something stands.
func (c *Core) stand(names []string, holder string, on bool) {
	for _, name := range names {
		switch k := c.contacts[name]; {
		case k == nil:
		case on && !k.holders[holder]:
			k.holders[holder] = true
			c.activate(name, k)
		case !on:
			delete(k.holders, holder)
		}
	}
}

// let ends what a zone holds: it has closed.
func (c *Core) let(zone string) {
	for _, k := range c.contacts {
		delete(k.holders, zone)
	}
}

// due is when the contact goes back; Never while that is not known.
func (k *contact) due() time.Duration {
	switch {
	case !k.active:
		return Never
	case k.held():
		return k.since + k.Max
	case k.Hold:
		return min(max(k.since, k.last)+k.Min, k.since+k.Max)
	}
	return min(k.last+k.Min, k.since+k.Max)
}

func (k *contact) held() bool { return len(k.holders) > 0 }

// moveContacts takes contacts back whose time is over.
func (c *Core) moveContacts() {
	for name, k := range c.contacts {
		if k.active && c.now.Mono >= k.due() {
			k.active = false
			clear(k.holders)
			c.emit(Set{name, false})
		}
	}
}

func (c *Core) contactSet(in ContactSet) {
	if in.Name == "" {
		c.fail("watched light", in.Err)
		return
	}
	k := c.contacts[in.Name]
	c.fail("contact "+in.Name, in.Err)
	if k == nil || in.Err != "" || !in.Active {
		return
	}
	for _, e := range k.owed {
		c.pay(e, oweContact+in.Name)
	}
	k.owed = nil
}
