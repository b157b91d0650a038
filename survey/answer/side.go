package answer

import (
	"math"

	"holdfast/geo"
	"holdfast/survey"
	"holdfast/survey/surround"
)

// readLayer takes a bearing off the layers. On a levee, or between two waters, the
// nearest toe or water may lie behind the point: then what is compared with a
// bearing surveyed is what lies on its own side, and what lies on the other is
// named.
func (w *working) readLayer(b *surround.Bearing) {
	pull := &w.a.Pull
	if b.Low == nil {
		w.reading(b.Deg, w.how(b))
		return
	}
	if len(pull.Readings) == 0 || w.sides {
		w.bothSides(b)
		w.reading(b.Deg, w.how(b))
		return
	}
	used := pull.Readings[0].TrueDeg
	ahead, behind := w.in.Around.Toward(used, b.Low.Role)
	square := b.Layer != b.Low.Layer // to the crest, which runs the same way for both sides
	switch {
	case math.Abs(used.Off(b.Deg).Degrees()) <= 90:
		w.reading(b.Deg, w.how(b))
		if behind != nil && !square {
			w.note(ahead, behind)
		}
	case ahead != nil && square:
		w.reading(b.Deg.Back(), w.how(b)+", turned to the side of "+w.placed(ahead))
	case ahead != nil:
		at, _ := ahead.Bearing.Get()
		w.reading(at, "towards the nearest point of "+w.placed(ahead)+", on the side of the pull")
		w.note(ahead, behind)
	case w.falls(used):
		w.note(nil, b.Low)
	default:
		w.reading(b.Deg, w.how(b)+", behind the pull: is this a levee, or was the bearing written the wrong way round")
	}
}

// bothSides doubts a bearing that rests on the layers alone where low ground of
// the same kind lies on the other side too.
func (w *working) bothSides(b *surround.Bearing) {
	ahead, behind := w.in.Around.Toward(b.Deg, b.Low.Role)
	if w.sides || ahead == nil || behind == nil {
		return
	}
	w.sides = true
	w.doubtPull(w.t.s("the ground may fall to either side: ").s(w.placed(ahead)).s(", and ").s(w.placed(behind)).s("; which is meant is not surveyed").end())
}

// falls tells whether the survey, or a toe on file, says that the ground falls to
// the side of a bearing.
func (w *working) falls(to geo.Bearing) bool {
	if fall, ok := w.in.Point.Terrain.FallLineDeg.Get(); ok && math.Abs(to.Off(fall).Degrees()) <= 90 {
		return true
	}
	toe, _ := w.in.Around.Toward(to, survey.RoleToe)
	return toe != nil
}

// note says what lies behind the pull, and what of the same kind lies ahead.
func (w *working) note(ahead, behind *surround.Near) {
	if w.t.mute || behind == nil {
		return
	}
	t := w.t.s("")
	if ahead != nil {
		t.s(string(behind.Role)).s(" on both sides: compared with ").s(w.placed(ahead)).s("; ")
	} else {
		t.s("not compared with ")
	}
	w.a.Pull.Notes = append(w.a.Pull.Notes, t.s(w.placed(behind)).s(" lies behind the pull").end())
}

// placed names a feature, how far it is and on which bearing.
func (w *working) placed(n *surround.Near) string {
	if w.t.mute {
		return ""
	}
	at, _ := n.Bearing.Get()
	name := string(n.Role)
	if n.Name != "" {
		name += " " + n.Name
	}
	u := text{units: w.t.units}
	return u.s(name).s(" (").length(n.Distance).s(" on ").bearing(at.Degrees()).s(")").end()
}
