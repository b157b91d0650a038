package server

import (
	"math"
	"net/http"
	"net/url"
	"reflect"
	"slices"
	"strings"
	"time"

	"holdfast/geo"
	"holdfast/survey"
)

// pullForm is what the form of a pull test offers.
type pullForm struct {
	Rigs     []string
	Anchors  []survey.Anchor
	Outcomes []survey.TestOutcome
	Today    string
}

func newPullForm(p survey.Point, policy survey.Policy, now time.Time) pullForm {
	f := pullForm{Anchors: p.Anchors, Outcomes: []survey.TestOutcome{survey.Held, survey.Moved, survey.Failed}, Today: now.UTC().Format(time.DateOnly)}
	for _, r := range policy.Ratings {
		f.Rigs = append(f.Rigs, r.Rig)
	}
	return f
}

// handleAddPullTest adds a pull test to a point.
//
// POST /points/{id}/pull-tests
func (s *Server) handleAddPullTest(w http.ResponseWriter, r *http.Request) {
	if err := r.ParseForm(); err != nil {
		s.fail(w, r, status(http.StatusBadRequest, sayFormUnread))
		return
	}
	test, err := readPullTest(r.PostForm, s.bearingAt(r))
	if err != nil {
		s.fail(w, r, err)
		return
	}
	if row, err := s.store.Point(r.Context(), pathID(r)); err == nil && holdsTest(row.Item, test) {
		http.Redirect(w, r, pointPath(row.Item.ID)+"#tests", http.StatusSeeOther) // sent twice, as by a double tap
		return
	}
	s.alterPoint(w, r, "tests", func(p *survey.Point) error {
		p.PullTests = append(slices.Clone(p.PullTests), test)
		return nil
	})
}

// holdsTest tells whether the very same test is on record.
func holdsTest(p survey.Point, t survey.PullTest) bool {
	return slices.ContainsFunc(p.PullTests, func(other survey.PullTest) bool { return reflect.DeepEqual(other, t) })
}

// bearingAt turns a compass bearing read at the point of the address on a day
// to true north.
func (s *Server) bearingAt(r *http.Request) func(deg float64, day time.Time) (geo.Bearing, error) {
	return func(deg float64, day time.Time) (geo.Bearing, error) {
		row, err := s.store.Point(r.Context(), pathID(r))
		if err != nil {
			return 0, err
		}
		f, err := s.magnetic.At(row.Item.Position, 0, day)
		if err != nil || !f.Valid {
			return 0, survey.Invalid("/bearing_deg", sayCompassNotTurned, f.Doubt)
		}
		return f.True(deg), nil
	}
}

// readPullTest reads the form of a pull test; what is left empty is not known.
func readPullTest(form url.Values, toTrue func(float64, time.Time) (geo.Bearing, error)) (survey.PullTest, error) {
	text := func(name string) string { return strings.TrimSpace(form.Get(name)) }
	t := survey.PullTest{
		Rig: text("rig"), Outcome: survey.TestOutcome(text("outcome")), Instrument: text("instrument"),
		Moisture: survey.Moisture(text("moisture")), Note: text("note"),
	}
	force, ok, err := formNumber(form, "force")
	if err != nil {
		return t, err
	}
	if !ok {
		return t, survey.Invalid("/force_kn", sayGiveForce)
	}
	switch text("force_unit") {
	case "lbf":
		t.ForceKN = (survey.Force(force) * survey.PoundForce).Kilonewtons()
	case "kN":
		t.ForceKN = (survey.Force(force) * survey.Kilonewton).Kilonewtons()
	default:
		return t, survey.Invalid("/force_kn", sayForceUnit)
	}
	t.ForceKN = math.Round(t.ForceKN*1e4) / 1e4
	moved, ok, err := formNumber(form, "movement")
	if err != nil {
		return t, err
	}
	if ok {
		unit, known := map[string]geo.Length{"in": geo.Inch, "mm": geo.Millimetre}[text("movement_unit")]
		if !known {
			return t, survey.Invalid("/movement_mm", sayMovementUnit)
		}
		t.MovementMM = survey.Known(math.Round((geo.Length(moved)*unit).Millimetres()*10) / 10)
	}
	day, err := time.Parse(time.DateOnly, text("at"))
	if err != nil {
		return t, survey.Invalid("/at", sayGiveTestDay)
	}
	t.At = survey.Known(day.Add(12 * time.Hour)) // noon, so that it is that day in every zone
	deg, ok, err := formNumber(form, "bearing")
	if err != nil {
		return t, err
	}
	switch {
	case !ok:
	case deg > 360:
		return t, survey.Invalid("/bearing_deg", sayBearingRange)
	case text("north") == "true":
		t.BearingDeg = survey.Known(geo.NewBearing(deg))
	default:
		b, err := toTrue(deg, day)
		if err != nil {
			return t, err
		}
		t.BearingDeg = survey.Known(geo.NewBearing(math.Round(b.Degrees()*10) / 10))
	}
	return t, nil
}

// formNumber reads a number that is not negative; ok is false when the field is
// empty.
func formNumber(form url.Values, name string) (v float64, ok bool, err error) {
	text := strings.TrimSpace(form.Get(name))
	if text == "" {
		return 0, false, nil
	}
	if v, err = survey.ParseTyped(text); err != nil {
		return 0, false, survey.Invalid("/"+name, "%v.", err)
	}
	if !(v >= 0 && v < 1e9) {
		return 0, false, survey.Invalid("/"+name, sayNotMeasurable, text)
	}
	return v, true, nil
}
