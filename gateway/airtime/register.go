package airtime

import (
	"encoding/json"
	"fmt"
	"slices"
)

// Register knows, from one start to the next, which transmitters must have a ledger in the Store. Without it one whose ledger
// is not there would count as one that has never sent, when its file was lost and the start after that failed, or when the same
// modem stands at another device now.
type Register struct {
	store   Store
	devices []string
	listed  []string // at the start before
	known   bool     // there is such a list
	ran     bool
	damaged error
}

const registerName = "airtime"

// OpenRegister is for the devices that may send in this run. ran says that there have been runs before, as far as anything but
// the Store tells: if the Store then has no list, its ledgers are gone.
func OpenRegister(s Store, devices []string, ran bool) *Register {
	r := &Register{store: s, devices: devices, ran: ran}
	text, err := s.Get(registerName)
	if r.known = text != nil; r.known && err == nil {
		err = json.Unmarshal(text, &r.listed)
	}
	r.damaged = err
	return r
}

// gone are the transmitters of before that are none now.
func (r *Register) gone() []string {
	return slices.DeleteFunc(slices.Clone(r.listed), func(d string) bool { return slices.Contains(r.devices, d) })
}

// ledger is what the modem at a device is to go on from, nil if it has never sent; or why that is not known.
func (r *Register) ledger(device string) (saved []byte, lost error) {
	if r.damaged != nil {
		return nil, fmt.Errorf("the list of modems that have sent is damaged: %w", r.damaged)
	}
	from := device
	if gone := r.gone(); r.known && !slices.Contains(r.listed, device) && len(gone) > 0 {
		if len(gone) > 1 {
			return nil, fmt.Errorf("it may be any of the modems that were at %q, which are not configured any more", gone)
		}
		from = gone[0]
	}
	saved, err := r.store.Get(ledgerName(from))
	if err == nil && saved == nil && (slices.Contains(r.listed, from) || !r.known && r.ran) {
		err = fmt.Errorf("the ledger of %s is gone", from)
	}
	return saved, err
}

// Save is for when all ledgers of this run are in the Store. A transmitter that is none now stays on the list until another
// has gone on from its ledger.
func (r *Register) Save() error {
	list := slices.Clone(r.devices)
	if !slices.ContainsFunc(list, func(d string) bool { return !slices.Contains(r.listed, d) }) {
		list = append(list, r.gone()...)
	}
	slices.Sort(list)
	if r.known && r.damaged == nil && slices.Equal(list, r.listed) {
		return nil
	}
	text, err := json.Marshal(list)
	if err == nil {
		err = r.store.Put(registerName, text)
	}
	if err != nil {
		return fmt.Errorf("list of the modems that send: %w", err)
	}
	return nil
}
