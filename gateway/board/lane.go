package board

import (
	"cmp"
	"container/heap"
	"math"
	"slices"
)

// stop is a place of the lane with what stands there. Number is its place in the order down the lane; the gateway's is 0.
type stop struct {
	Number      int
	Name        string
	At          XY
	Distance    float64 // m from the gateway, along the lane if OnLane, else as the crow flies; negative: not known
	OnLane      bool
	Hops        int // to the gateway; -1: no way is known
	Gateway     bool
	Node        *Node
	Zones       []Zone
	Annunciator *Annunciator
}

// lane is a situation as it is drawn: every stop once, from the gateway to the farthest.
type lane struct {
	Stops   []stop
	Course  [][]XY
	ToScale bool
	byName  map[string]int // index of a stop, by its node, its place or the gateway's name
}

// layOut finds where everything stands. What the plan does not know stands at no place: then the whole lane is laid out by
// hops, since a picture that is to scale in one half only would deceive.
func layOut(s *Situation) lane {
	l := lane{byName: map[string]int{}}
	places := map[string]XY{}
	if s.Plan != nil {
		l.Course = s.Plan.Course
		for _, p := range s.Plan.Places {
			places[p.Name] = p.XY
		}
	}
	l.Stops = append(l.Stops, stop{Name: s.Gateway, Gateway: true})
	gate, known := places[s.Gateway]
	l.Stops[0].At, l.ToScale = gate, known
	l.byName[s.Gateway] = 0
	for i := range s.Nodes {
		n := &s.Nodes[i]
		at, ok := places[cmp.Or(n.Place, n.Name)]
		l.ToScale = l.ToScale && ok
		st := stop{Name: n.Name, At: at, Node: n, Hops: -1, Distance: -1}
		for _, z := range s.Zones {
			if z.Node == n.Name {
				st.Zones = append(st.Zones, z)
			}
		}
		l.add(st, cmp.Or(n.Place, n.Name))
	}
	l.addAnnunciators(s, places)
	l.countHops()
	if l.ToScale {
		l.measure()
	} else {
		l.Course = nil
		l.schematic()
	}
	l.order()
	return l
}

func (l *lane) add(st stop, place string) {
	l.byName[st.Name] = len(l.Stops)
	if _, taken := l.byName[place]; !taken {
		l.byName[place] = len(l.Stops)
	}
	l.Stops = append(l.Stops, st)
}

// addAnnunciators puts each where a stop has its name, or at its place. One that stands nowhere is told of at the gateway.
func (l *lane) addAnnunciators(s *Situation, places map[string]XY) {
	for i := range s.Annunciators {
		a := &s.Annunciators[i]
		if j, ok := l.byName[a.Name]; ok {
			l.Stops[j].Annunciator = a
		} else if at, ok := places[a.Name]; ok && l.ToScale {
			l.add(stop{Name: a.Name, At: at, Annunciator: a, Hops: -1, Distance: -1}, a.Name)
		}
	}
}

// countHops follows each node's first hop. Ways that lead in a ring, or nowhere, have no number.
func (l *lane) countHops() {
	for i := range l.Stops {
		at, n := i, 0
		for at != 0 && n <= len(l.Stops) {
			st := &l.Stops[at]
			if st.Node == nil || len(st.Node.Hops) == 0 {
				n = len(l.Stops) + 1
				break
			}
			next, ok := l.byName[st.Node.Hops[0].To]
			if !ok {
				n = len(l.Stops) + 1
				break
			}
			at, n = next, n+1
		}
		l.Stops[i].Hops = n
		if n > len(l.Stops) {
			l.Stops[i].Hops = -1
		}
	}
}

// order sorts the stops down the lane and numbers them.
func (l *lane) order() {
	far := func(st stop) float64 {
		switch {
		case st.Gateway:
			return -1
		case l.ToScale:
			return st.Distance
		case st.Hops < 0:
			return math.Inf(1)
		}
		return float64(st.Hops)
	}
	slices.SortStableFunc(l.Stops, func(a, b stop) int { return cmp.Compare(far(a), far(b)) })
	moved := map[string]int{}
	for i := range l.Stops {
		l.Stops[i].Number = i
		moved[l.Stops[i].Name] = i
	}
	for i := range l.Stops {
		if n := l.Stops[i].Node; n != nil && n.Place != "" {
			if _, taken := moved[n.Place]; !taken {
				moved[n.Place] = i
			}
		}
	}
	l.byName = moved
}

// schematic places the stops by hops from left to right, and those that are equally far below each other.
func (l *lane) schematic() {
	const step, row = 100.0, 85.0
	most := 0
	for _, st := range l.Stops {
		most = max(most, st.Hops)
	}
	column := map[int]int{}
	for i := range l.Stops {
		st := &l.Stops[i]
		if st.Hops < 0 {
			st.Hops = -1
		}
		x := st.Hops
		if x < 0 {
			x = most + 1
		}
		n := column[x]
		column[x]++
		st.Distance = -1
		// Above and below the middle in turns, each column a little lower than the last, so that no hop runs through a stop.
		y := float64((n+1)/2) * row
		if n%2 == 1 {
			y = -y
		}
		st.At = XY{X: float64(x) * step, Y: y - float64(x%2)*row/3}
	}
}

// measure finds how far each stop is from the gateway along the course: the shortest way over all its lines.
func (l *lane) measure() {
	g := newWays(l.Course)
	start := g.foot(l.Stops[0].At)
	var ends []int
	for i := range l.Stops {
		ends = append(ends, g.foot(l.Stops[i].At))
	}
	d := g.shortest(start)
	for i := range l.Stops {
		st := &l.Stops[i]
		st.Distance, st.OnLane = distance(st.At, l.Stops[0].At), false
		if i == 0 || start < 0 || ends[i] < 0 || math.IsInf(d[ends[i]], 1) {
			continue
		}
		// Who stands beside the lane is as far as the foot of the way to it.
		st.Distance, st.OnLane = d[ends[i]], true
	}
}

func distance(a, b XY) float64 { return math.Hypot(a.X-b.X, a.Y-b.Y) }

const (
	joins  = 25.0  // m: lines that end so near another are one lane
	beside = 150.0 // m: who is farther from the lane does not stand at it
)

// ways is the course as a graph: points on its lines, in order.
type ways struct {
	lines  [][]XY
	points []XY
	on     [][]mark        // for each line, the points on it
	also   map[[2]int]bool // points that are the same place on two lines
}

type mark struct {
	along float64
	point int
}

func newWays(course [][]XY) *ways {
	g := &ways{also: map[[2]int]bool{}}
	for _, line := range course {
		if len(line) >= 2 {
			g.lines = append(g.lines, line)
		}
	}
	g.on = make([][]mark, len(g.lines))
	for i, line := range g.lines {
		for _, end := range []XY{line[0], line[len(line)-1]} {
			mine := g.put(i, end)
			for j := range g.lines {
				if off, along, at := nearest(g.lines[j], end); j != i && off <= joins {
					g.points = append(g.points, at)
					g.on[j] = append(g.on[j], mark{along, len(g.points) - 1})
					g.also[[2]int{mine, len(g.points) - 1}] = true
				}
			}
		}
	}
	return g
}

func (g *ways) put(line int, at XY) int {
	_, along, at := nearest(g.lines[line], at)
	g.points = append(g.points, at)
	g.on[line] = append(g.on[line], mark{along, len(g.points) - 1})
	return len(g.points) - 1
}

// foot is the point of the course nearest to a place; -1 if there is none near.
func (g *ways) foot(at XY) int {
	best, off := -1, beside
	for i, line := range g.lines {
		if o, _, _ := nearest(line, at); o <= off {
			best, off = i, o
		}
	}
	if best < 0 {
		return -1
	}
	return g.put(best, at)
}

// nearest is the point of a line that is nearest to a place: how far off, how far along, and where.
func nearest(line []XY, p XY) (off, along float64, at XY) {
	off = math.Inf(1)
	before := 0.0
	for i := 1; i < len(line); i++ {
		a, b := line[i-1], line[i]
		length := distance(a, b)
		t := 0.0
		if length > 0 {
			t = ((p.X-a.X)*(b.X-a.X) + (p.Y-a.Y)*(b.Y-a.Y)) / (length * length)
			t = min(1, max(0, t))
		}
		q := XY{a.X + t*(b.X-a.X), a.Y + t*(b.Y-a.Y)}
		if o := distance(p, q); o < off {
			off, along, at = o, before+t*length, q
		}
		before += length
	}
	return off, along, at
}

// shortest gives the way from a point to every other, by Dijkstra's algorithm.
func (g *ways) shortest(from int) []float64 {
	d := make([]float64, len(g.points))
	for i := range d {
		d[i] = math.Inf(1)
	}
	if from < 0 {
		return d
	}
	type edge struct {
		to     int
		length float64
	}
	edges := map[int][]edge{}
	join := func(a, b int, length float64) {
		edges[a] = append(edges[a], edge{b, length})
		edges[b] = append(edges[b], edge{a, length})
	}
	for _, marks := range g.on {
		slices.SortFunc(marks, func(a, b mark) int { return cmp.Compare(a.along, b.along) })
		for i := 1; i < len(marks); i++ {
			join(marks[i-1].point, marks[i].point, marks[i].along-marks[i-1].along)
		}
	}
	for pair := range g.also {
		join(pair[0], pair[1], distance(g.points[pair[0]], g.points[pair[1]]))
	}
	d[from] = 0
	todo := &frontier{{0, from}}
	for todo.Len() > 0 {
		m := heap.Pop(todo).(mark)
		if m.along > d[m.point] {
			continue
		}
		for _, e := range edges[m.point] {
			if n := m.along + e.length; n < d[e.to] {
				d[e.to] = n
				heap.Push(todo, mark{n, e.to})
			}
		}
	}
	return d
}

// frontier implements heap.Interface.
type frontier []mark

func (f frontier) Len() int           { return len(f) }
func (f frontier) Less(i, j int) bool { return f[i].along < f[j].along }
func (f frontier) Swap(i, j int)      { f[i], f[j] = f[j], f[i] }

// Push is for package heap.
func (f *frontier) Push(x any) { *f = append(*f, x.(mark)) }

// Pop is for package heap.
func (f *frontier) Pop() any {
	last := (*f)[len(*f)-1]
	*f = (*f)[:len(*f)-1]
	return last
}
