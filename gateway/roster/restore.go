package roster

import "longlane/proto"

// LeftOutName is what an id is called in the list that no node ever had: see Restored.
const LeftOutName = "left-out"

// idsLeftOut is how many ids are left out after a restore.
const idsLeftOut = 16

// Restored is the list of nodes as a site begins with it that is set up from a backup. The old gateway may have enrolled
// nodes since: were their ids given out again, two nodes would have one key, and seal with the same nonces. So 16 ids are
// left out (fewer where there are few), by a node that is shut out and was never there.
func (r *Roster) Restored() ([]byte, error) {
	after := &Roster{Format: r.Format, SiteName: r.SiteName, Site: r.Site, GroupGen: r.GroupGen}
	after.Nodes = append(after.Nodes, r.Nodes...)
	last, err := r.nextID()
	if err != nil { // no more nodes can be enrolled
		return after.marshal()
	}
	last--
	if n := min(idsLeftOut, (proto.MaxNode-last)/2); n > 0 {
		after.Nodes = append(after.Nodes, Node{ID: last + n, Name: LeftOutName, Gen: 1, Revoked: true})
	}
	return after.marshal()
}
