package gateway

import (
	"fmt"

	"longlane/queue"
)

// room is what the house was told of the queue's room.
type room struct {
	told    bool
	refused uint64 // trips and faults refused for want of room, when last looked at
}

// The fault begins while it can still be stored itself: the queue refuses faults from 90 % on. It ends well below, so that it
// does not come and go with each event.
const (
	roomShort = 80 // percent of the queue's room in use
	roomAgain = 70
)

// watchRoom tells the house that the queue is filling up, and that there is room again.
func (in *ingest) watchRoom() {
	st := in.g.o.Queue.Stats()
	refused := st.Refused[queue.RefusedFullAlarm] + st.Refused[queue.RefusedFullNotice]
	more := refused > in.room.refused
	in.room.refused = refused
	percent := int64(0)
	if st.BytesUsed > 0 {
		percent = min(100, 100*st.BytesUsed/max(st.Capacity, 1))
	}
	switch {
	case !in.room.told && (more || percent >= roomShort):
		in.room.told = true
		where := "of what the queue may hold"
		if st.ByDisk {
			where = "of what the disk has room for: make room on it"
		}
		in.notice(Notice{Code: NoticeQueueFull, Detail: fmt.Sprintf("%d %% is in use %s; %d events wait to be taken away. Trips are stored "+
			"up to 100 %%; then nodes keep theirs and get no receipt", percent, where, st.Waiting[queue.Alarm]+st.Waiting[queue.Notice])})
	case in.room.told && !more && percent < roomAgain:
		in.room.told = false
		in.notice(Notice{Code: NoticeQueueFull, Ended: true, Detail: fmt.Sprintf("%d %% of the queue's room is in use; refused for want of it "+
			"since the gateway was started: %d trips, %d faults", percent, st.Refused[queue.RefusedFullAlarm], st.Refused[queue.RefusedFullNotice])})
	}
}
