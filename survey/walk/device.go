package walk

import (
	"encoding/json"
	"errors"
	"fmt"
	"time"

	"github.com/paulmach/orb"

	"holdfast/geo"
	"holdfast/geo/convert"
	"holdfast/geo/geojson"
	"holdfast/geo/grid"
	"holdfast/geo/magnetic"
	"holdfast/geo/position"
	"holdfast/survey"
	"holdfast/survey/answer"
)

// Device answers questions from the area it has taken along. It is for one
// caller at a time.
type Device struct {
	area   Area
	engine *answer.Engine
	tests  []answer.DepartmentTest
	sites  map[string]survey.Site
}

// reply is what every question gets: the answer or what is wrong with the
// question.
type reply struct {
	OK      any      `json:"ok,omitempty"`
	Problem *problem `json:"problem,omitempty"`
}

type problem struct {
	Message string           `json:"message"`
	Errors  []survey.Problem `json:"errors,omitempty"`
	Could   []string         `json:"could_be,omitempty"` // what an ambiguous position could mean
}

// Ask answers one question: "area" takes an Area along; "answer" judges a
// point; "points" judges every stored one in short; "position" reads a position
// in any notation; "fixes" averages positions and "headings" compass readings;
// "bearing" turns a bearing between true and magnetic; "grid" draws the national
// grid.
func (d *Device) Ask(verb string, question []byte) []byte {
	ok, err := d.ask(verb, question)
	r := reply{OK: ok}
	if err != nil {
		r = reply{Problem: problemOf(err)}
	}
	b, err := json.Marshal(r)
	if err != nil {
		b, _ = json.Marshal(reply{Problem: &problem{Message: fmt.Sprintf("the answer cannot be written: %s", err)}}) // two strings can always be written
	}
	return b
}

func (d *Device) ask(verb string, question []byte) (any, error) {
	switch verb {
	case "area":
		return d.take(question)
	case "answer":
		return asked(question, d.answer)
	case "points":
		return asked(question, d.points)
	case "position":
		return asked(question, readPosition)
	case "fixes":
		return asked(question, average)
	case "headings":
		return asked(question, headings)
	case "bearing":
		return asked(question, turnBearing)
	case "grid":
		return asked(question, drawGrid)
	}
	return nil, survey.Invalid("", "%q is no question", verb)
}

func asked[Q, A any](question []byte, answer func(Q) (A, error)) (any, error) {
	var q Q
	if err := json.Unmarshal(question, &q); err != nil {
		return nil, fmt.Errorf("read question: %w", err)
	}
	return answer(q)
}

func problemOf(err error) *problem {
	p := &problem{Message: err.Error()}
	if invalid, ok := errors.AsType[*survey.InvalidError](err); ok {
		p.Errors = invalid.Problems
	}
	if ambiguous, ok := errors.AsType[*position.AmbiguousError](err); ok {
		for _, one := range ambiguous.Readings {
			p.Could = append(p.Could, position.Decimal(one.Point, 6))
		}
	}
	return p
}

// Taken is what came along.
type Taken struct {
	Sites    int `json:"sites"`
	Points   int `json:"points"`
	Features int `json:"features"`
}

// take reads an area and makes the engine of its policy.
func (d *Device) take(question []byte) (Taken, error) {
	var area Area
	if err := json.Unmarshal(question, &area); err != nil {
		return Taken{}, fmt.Errorf("read area: %w", err)
	}
	if err := area.Policy.Validate(); err != nil {
		return Taken{}, fmt.Errorf("use policy of the area: %w", err)
	}
	engine, err := answer.NewEngine(area.Policy)
	if err != nil {
		return Taken{}, fmt.Errorf("use policy of the area: %w", err)
	}
	sites := make(map[string]survey.Site, len(area.Sites))
	for _, one := range area.Sites {
		s, err := survey.ParseSite(one.Feature)
		if err != nil {
			return Taken{}, fmt.Errorf("read site %s: %w", one.Feature.ID, err)
		}
		sites[s.ID] = s
	}
	area.prepare()
	tests := make([]answer.DepartmentTest, len(area.Tests))
	for i, t := range area.Tests {
		tests[i] = t.department()
	}
	d.area, d.engine, d.tests, d.sites = area, engine, tests, sites
	taken := Taken{Sites: len(sites), Points: len(area.Points)}
	for _, l := range area.Layers {
		taken.Features += len(l.Features)
	}
	return taken, nil
}

// Question asks about a point, stored or not.
type Question struct {
	Point    geojson.Feature     `json:"point"`
	Load     string              `json:"load"`
	Required survey.Opt[float64] `json:"required"`
	Tonight  survey.Moisture     `json:"tonight"`
	AsOf     time.Time           `json:"as_of"`
}

// Judged is the answer for a point. Covered tells whether the layers round it
// were taken along; where they were not, nothing is known of them.
type Judged struct {
	Covered bool          `json:"covered"`
	Answer  answer.Answer `json:"answer"`
}

func (d *Device) answer(q Question) (Judged, error) {
	p, err := survey.ParseLoosePoint(q.Point)
	if err != nil {
		return Judged{}, err
	}
	return d.judge(p, q)
}

func (d *Device) judge(p survey.Point, q Question) (Judged, error) {
	if d.engine == nil {
		return Judged{}, survey.Invalid("", "no area was taken along yet, and with it no policy")
	}
	a, err := d.engine.For(answer.Input{
		Point: p, Site: d.sites[p.Site], Around: d.area.around(p), Policy: d.area.Policy,
		LoadID: q.Load, Required: q.Required, AsOf: q.AsOf.UTC(), Tonight: q.Tonight, Tests: d.tests,
	})
	return Judged{Covered: d.area.covers(p.Position), Answer: a}, err
}

// Short is what a map shows of a point.
type Short struct {
	ID       string                  `json:"id"`
	Class    survey.GroundClass      `json:"class"`
	Verdict  answer.Verdict          `json:"verdict"`
	Sentence string                  `json:"sentence"`
	Bearing  survey.Opt[geo.Bearing] `json:"bearing,omitzero"`
	Sector   *[2]geo.Bearing         `json:"sector,omitempty"`
}

// points judges every point of the area for the usual load. A point that
// cannot be judged is unknown.
func (d *Device) points(q Question) ([]Short, error) {
	out := make([]Short, 0, len(d.area.Points))
	for _, one := range d.area.Points {
		s := Short{ID: one.Feature.ID, Class: survey.ClassUnknown, Verdict: answer.Unknown}
		p, err := survey.ParsePoint(one.Feature)
		if err == nil {
			var j Judged
			j, err = d.judge(p, q)
			s.fill(j.Answer)
		}
		if err != nil {
			s = Short{ID: one.Feature.ID, Class: survey.ClassUnknown, Verdict: answer.Unknown, Sentence: err.Error()}
		}
		out = append(out, s)
	}
	return out, nil
}

func (s *Short) fill(a answer.Answer) {
	s.Class, s.Verdict, s.Sentence, s.Bearing = a.Ground.Class, a.Verdict, a.Sentence, a.Pull.TrueDeg
	if best, ok := a.Best(); ok && best.Main.Layout != nil {
		s.Sector = &best.Main.Layout.SectorDeg
	}
}

// Written is a position to be read.
type Written struct {
	Position string    `json:"position"`
	At       time.Time `json:"at"`
}

func readPosition(q Written) (convert.Result, error) {
	return convert.On(q.At, magnetic.Default()).Line(q.Position)
}

// View is a part of the map.
type View struct {
	BBox [4]float64 `json:"bbox"` // west, south, east, north
}

// Line is a line of the national grid.
type Line struct {
	Shape orb.LineString `json:"shape"`
	Label string         `json:"label"`
	Major bool           `json:"major"`
}

func drawGrid(q View) ([]Line, error) {
	lines, err := grid.Lines(orb.Bound{Min: orb.Point{q.BBox[0], q.BBox[1]}, Max: orb.Point{q.BBox[2], q.BBox[3]}})
	out := make([]Line, len(lines))
	for i, l := range lines {
		out[i] = Line(l)
	}
	return out, err
}
