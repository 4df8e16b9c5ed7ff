package ether

import (
	"time"

	"longlane/radio/node"
)

// scheduleContacts plans what happens at a gate.
func (e *Ether) scheduleContacts(st *station) {
	for _, t := range st.spec.Trips {
		e.at(time.Duration(t.At), func() { e.listed(st, t) })
	}
	for _, r := range st.spec.Restart {
		e.at(time.Duration(r), func() { st.start(false) })
	}
	if st.spec.Rate != nil {
		e.scheduleNext(st, st.spec.Rate)
	}
}

// listed is a listed closure, and what it is again.
func (e *Ether) listed(st *station, t Trip) {
	e.closure(st, t.Input, time.Duration(t.For))
	if t.Every != 0 && (e.s.Until == 0 || e.now+time.Duration(t.Every) <= time.Duration(e.s.Until)) {
		e.at(e.now+time.Duration(t.Every), func() { e.listed(st, t) })
	}
}

// scheduleNext plans the next closure at random, and after its end the one that follows.
func (e *Ether) scheduleNext(st *station, r *Rate) {
	gap := e.rand.ExpFloat64() * float64(time.Hour) / r.PerHour
	dwell := e.between(time.Duration(r.DwellMin), time.Duration(r.DwellMax))
	if gap > float64(longest) {
		return // no scenario lasts so long, and a time.Duration may not hold it
	}
	e.at(e.now+time.Duration(gap), func() {
		e.closure(st, r.Input, dwell)
		e.at(e.now+dwell, func() { e.scheduleNext(st, r) })
	})
}

// closure moves a contact into its tripped position for a while, unless that time is over or it is there already.
func (e *Ether) closure(st *station, input uint8, dwell time.Duration) {
	if e.s.Until != 0 && e.now > time.Duration(e.s.Until) || st.contacts[input] {
		return
	}
	e.move(st, input, true)
	e.at(e.now+dwell, func() { e.move(st, input, false) })
}

// move moves a contact, which then bounces a little.
func (e *Ether) move(st *station, input uint8, active bool) {
	st.contacts[input] = active
	e.record(Record{What: RecordContact, Node: st.spec.Name, Input: new(input), Active: new(active)})
	st.contact(input, active)
	t := e.now
	for range 2 * e.rand.IntN(3) {
		t += e.between(200*time.Microsecond, 3*time.Millisecond)
		active = !active
		e.at(t, func() { st.contact(input, active) })
	}
}

func (st *station) contact(input uint8, active bool) {
	for _, in := range st.spec.Contacts() {
		if in.Number == input {
			st.step(node.Edge{Input: input, Closed: active != in.NormallyClosed})
		}
	}
}
