package passage

import "strings"

// String is the judgement in words: "vehicle", "likely vehicle", "walker or vehicle" where it cannot be told, and "" where nothing that the settings
// know can have been it.
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

// Is reports whether that class is the judgement, for sure or likely.
func (j Judgement) Is(c Class) bool { return j.Confidence != CannotTell && j.Class == c }
