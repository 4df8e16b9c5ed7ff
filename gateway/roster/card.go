package roster

import (
	"longlane/proto"
	"longlane/radio/node"
)

// Card is what n, a node of this site, is given to be one: who it is, and its keys. It is a secret.
func (r *Roster) Card(n *Node) (node.Card, error) {
	card := node.Card{Site: r.Site, Node: n.ID, Gen: n.Gen, Name: n.Name, GroupGen: r.GroupGen}
	key, err := r.NodeKey(n)
	if err != nil {
		return card, err
	}
	group, err := r.GroupKey()
	if err != nil {
		return card, err
	}
	card.Key, card.GroupKey = [proto.KeySize]byte(key), [proto.KeySize]byte(group)
	return card, nil
}
