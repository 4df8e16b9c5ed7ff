package beam

import (
	"slices"
	"strings"
	"time"
)

// Confidence is how sure an answer is.
type Confidence uint8

// From less to more.
const (
	CannotTell Confidence = iota
	Likely
	Sure
)

func (c Confidence) String() string {
	return [...]string{"cannot tell", "likely", "sure"}[min(c, Sure)]
}

// Judgement is what something is taken for.
type Judgement struct {
	Class      Class // NoClass: it cannot be told
	Confidence Confidence
	Possible   []Class // all that it may be, ascending
}

// May reports whether it may be of that class.
func (j Judgement) May(c Class) bool { return slices.Contains(j.Possible, c) }

// Is reports whether that class is the judgement, for sure or likely.
func (j Judgement) Is(c Class) bool { return j.Confidence != CannotTell && j.Class == c }

// String is the judgement in words: "vehicle", "likely vehicle", "animal or person or vehicle" where it cannot be told, and
// "" where nothing that the settings know can have been it.
func (j Judgement) String() string {
	switch j.Confidence {
	case Sure:
		return j.Class.String()
	case Likely:
		return "likely " + j.Class.String()
	}
	var names []string
	for _, c := range j.Possible {
		names = append(names, c.String())
	}
	return strings.Join(names, " or ")
}

// Judge judges by how long a beam was broken, which lies within told: it is sure where only one class is possible, likely
// where only one is usual, and else it cannot be told.
func Judge(kinds []Kind, told Span) Judgement {
	return Judged(Classes(kinds, func(k Kind) bool { return k.Possible.Meets(told) }),
		Classes(kinds, func(k Kind) bool { return k.Usual.Most > 0 && k.Usual.Meets(told) }))
}

// Judged is what follows from what is possible and what is usual.
func Judged(possible, usual []Class) Judgement {
	switch {
	case len(possible) == 1:
		return Judgement{possible[0], Sure, possible}
	case len(usual) == 1:
		return Judgement{usual[0], Likely, possible}
	}
	return Judgement{NoClass, CannotTell, possible}
}

// Classes are those of the kinds that are so, each once, ascending.
func Classes(kinds []Kind, so func(Kind) bool) (c []Class) {
	for _, k := range kinds {
		if so(k) {
			c = append(c, k.Class)
		}
	}
	slices.Sort(c)
	return slices.Compact(c)
}

// Limit is a span of dwells, all of which are judged alike.
type Limit struct {
	Span
	Judgement
}

// Limits are all dwells, from none to Endless, by what each is taken for.
func Limits(kinds []Kind) (list []Limit) {
	turns := []time.Duration{0}
	for _, k := range kinds {
		for _, s := range []Span{k.Usual, k.Possible} {
			turns = append(turns, s.Least)
			if s.Most < Endless {
				turns = append(turns, s.Most+1)
			}
		}
	}
	slices.Sort(turns)
	turns = slices.Compact(turns)
	for i, from := range turns {
		to := Endless
		if i+1 < len(turns) {
			to = turns[i+1] - 1
		}
		j := Judge(kinds, Span{from, from})
		if n := len(list); n > 0 && list[n-1].Class == j.Class && list[n-1].Confidence == j.Confidence && slices.Equal(list[n-1].Possible, j.Possible) {
			list[n-1].Most = to
			continue
		}
		list = append(list, Limit{Span{from, to}, j})
	}
	return list
}
