package server

import (
	"cmp"
	"context"
	"errors"
	"maps"
	"runtime"
	"slices"
	"sync"
	"time"

	"github.com/paulmach/orb"

	"holdfast/geo"
	"holdfast/survey"
	"holdfast/survey/answer"
	"holdfast/survey/atlas"
	"holdfast/survey/sqlite"
)

// mark is what the map knows of a point: where it stands and the answer for
// the usual load, in short.
type mark struct {
	id, label string
	site      *markSite
	at        orb.Point
	tested    bool
	class     survey.GroundClass
	verdict   answer.Verdict // unknown until it is judged
	sentence  string         // "" when the atlas is too large to keep them
	pull      survey.Opt[geo.Bearing]
	sector    survey.Opt[[2]geo.Bearing]
	judged    bool
	since     int       // reading of the atlas from which on an answer counts
	until     time.Time // when the answer may change by itself; zero: not soon
}

type markSite struct{ id, name, code string }

const (
	promptly  = 1000             // points judged while a request waits; more are judged behind it
	sentences = 20_000           // marks that keep their sentence, some 4 MB
	fresh     = 10 * time.Minute // an answer is good for, in an atlas judged promptly
	freshLong = time.Hour        // and in a larger one: but for locates, answers change by the day
)

// marks holds every point of the atlas with its verdict, kept in step with the
// atlas: after a change only what it bears on is judged again.
type marks struct {
	turn sync.Mutex // one at a time brings the marks up to date

	mu       sync.RWMutex
	loaded   bool
	state    sqlite.State
	reading  int // how often the atlas was read: an answer counts when it was begun after the last that it bears on
	judgedAt time.Time
	all      []mark      // in the order of sites and ids
	at       []orb.Point // of each: close together, for looking through them all
	index    map[string]int
	sites    map[string]*markSite
	left     int       // not judged yet
	said     int       // sentences kept of a large atlas
	until    time.Time // the first of those of all; zero: none
	busy     bool
}

// refresh brings the marks to the state of the atlas. The points of a small
// atlas are judged before it returns, those of a large one afterwards: until
// then they are unknown.
func (s *Server) refresh(ctx context.Context) error {
	m := &s.marks
	m.turn.Lock()
	defer m.turn.Unlock()
	state, err := s.store.State(ctx)
	if err != nil {
		return err
	}
	if !m.loaded || state != m.state {
		if err := s.reload(ctx, state); err != nil {
			return err
		}
	}
	m.expire(s.now())
	m.mu.Lock()
	n, left, busy, age, reading := len(m.all), m.left, m.busy, s.now().Sub(m.judgedAt).Abs(), m.reading
	again := n > promptly && age > freshLong && !busy
	behind := n > promptly && (left > 0 || again) && !busy
	m.busy = busy || behind
	m.mu.Unlock()
	switch {
	case n <= promptly && left > 0:
		return s.judge(ctx, s.atlas, reading)
	case behind:
		go s.judgeBehind(reading)
	}
	return nil
}

// manyChanges is how many changes are worth reading every point again.
const manyChanges = 1000

// reload reads where the points stand, or only those that changed, and keeps
// the verdicts that no change since bears on: another policy, layer or pull
// test bears on all.
func (s *Server) reload(ctx context.Context, state sqlite.State) error {
	m := &s.marks
	changes, err := s.store.ChangedSince(ctx, m.state.Revision)
	if err != nil {
		return err
	}
	touched := make(map[sqlite.Changed]bool, len(changes))
	for _, c := range changes {
		touched[c] = true
	}
	places, sites, err := s.placesNow(ctx, touched)
	if err != nil {
		return err
	}
	m.mu.Lock()
	defer m.mu.Unlock()
	everything := !m.loaded || state.Edition != m.state.Edition
	m.reading++
	for c := range touched {
		everything = everything || c.Collection != sqlite.Sites && c.Collection != sqlite.Points
		if i, ok := m.index[c.ID]; ok && c.Collection == sqlite.Points && m.all[i].tested {
			everything = true
		}
	}
	for _, p := range places {
		everything = everything || p.Tested && touched[sqlite.Changed{Collection: sqlite.Points, ID: p.ID}]
	}
	all, at, index, left := make([]mark, len(places)), make([]orb.Point, len(places)), make(map[string]int, len(places)), 0
	for i, p := range places {
		site := sites[p.Site]
		if site == nil {
			site = &markSite{id: p.Site}
		}
		k, had := m.index[p.ID]
		if had {
			all[i] = m.all[k]
		}
		one := &all[i]
		one.id, one.label, one.site, one.at, one.tested = p.ID, p.Label, site, p.Position, p.Tested
		if !had || everything || touched[sqlite.Changed{Collection: sqlite.Points, ID: p.ID}] || touched[sqlite.Changed{Collection: sqlite.Sites, ID: p.Site}] {
			one.doubt(m.reading)
		}
		if !one.judged {
			left++
		}
		index[p.ID], at[i] = i, p.Position
	}
	m.all, m.at, m.index, m.sites, m.left, m.state, m.loaded = all, at, index, sites, left, state, true
	return nil
}

// placesNow is where every point stands now, and the sites. What is known from
// before is read again only where it was touched.
func (s *Server) placesNow(ctx context.Context, touched map[sqlite.Changed]bool) ([]sqlite.Place, map[string]*markSite, error) {
	m := &s.marks
	if !m.loaded || len(touched) > manyChanges {
		places, err := s.store.Places(ctx)
		if err != nil {
			return nil, nil, err
		}
		rows, err := s.store.Sites(ctx, sqlite.Filter{})
		sites := make(map[string]*markSite, len(rows))
		for _, r := range rows {
			sites[r.Item.ID] = &markSite{r.Item.ID, r.Item.Name, r.Item.Code}
		}
		return places, sites, err
	}
	sites := maps.Clone(m.sites) // what is shown meanwhile is not changed
	var ids []string
	for c := range touched {
		switch c.Collection {
		case sqlite.Points:
			ids = append(ids, c.ID)
		case sqlite.Sites:
			row, err := s.store.Site(ctx, c.ID)
			switch {
			case err == nil && row.Item.ID == c.ID:
				sites[c.ID] = &markSite{c.ID, row.Item.Name, row.Item.Code}
			case err == nil, errors.Is(err, survey.ErrNotFound), errors.Is(err, survey.ErrConflict):
				delete(sites, c.ID) // it is gone; others may have its id for their code
			default:
				return nil, nil, err
			}
		}
	}
	places, err := s.store.PlacesOf(ctx, ids)
	if err != nil {
		return nil, nil, err
	}
	for i := range m.all { // only whoever has the turn changes it
		if one := &m.all[i]; !touched[sqlite.Changed{Collection: sqlite.Points, ID: one.id}] {
			places = append(places, sqlite.Place{ID: one.id, Site: one.site.id, Label: one.label, Position: one.at, Tested: one.tested})
		}
	}
	slices.SortFunc(places, func(a, b sqlite.Place) int {
		return cmp.Or(cmp.Compare(a.Site, b.Site), cmp.Compare(a.ID, b.ID))
	})
	return places, sites, nil
}

// doubt forgets a verdict that may no longer be true.
func (m *mark) doubt(reading int) {
	m.judged, m.since, m.until = false, reading, time.Time{}
	m.verdict, m.class, m.sentence = answer.Unknown, survey.ClassUnknown, ""
	m.pull, m.sector = survey.Opt[geo.Bearing]{}, survey.Opt[[2]geo.Bearing]{}
}

// expire doubts the answers that time has changed.
func (m *marks) expire(now time.Time) {
	m.mu.Lock()
	defer m.mu.Unlock()
	stale := len(m.all) <= promptly && now.Sub(m.judgedAt).Abs() > fresh
	if !stale && (m.until.IsZero() || !now.After(m.until)) {
		return
	}
	m.until = time.Time{}
	for i := range m.all {
		one := &m.all[i]
		if one.judged && (stale || !one.until.IsZero() && now.After(one.until)) {
			one.doubt(m.reading)
			m.left++
		}
		m.until = earlier(m.until, one.until)
	}
}

// earlier is the first of two times, of which zero is none.
func earlier(a, b time.Time) time.Time {
	if a.IsZero() || !b.IsZero() && b.Before(a) {
		return b
	}
	return a
}

// judge judges the sites that have points left to judge, or every point.
func (s *Server) judge(ctx context.Context, by atlas.Atlas, reading int) error {
	m := &s.marks
	started := s.now()
	m.mu.RLock()
	var sites []string
	if m.left < len(m.all) {
		asked := map[string]bool{}
		for i := range m.all {
			if one := &m.all[i]; !one.judged && !asked[one.site.id] {
				asked[one.site.id] = true
				sites = append(sites, one.site.id)
			}
		}
	}
	m.mu.RUnlock()
	err := by.Each(ctx, sites, func(j atlas.Judged, err error) {
		if err != nil {
			if ctx.Err() != nil {
				return
			}
			s.log.ErrorContext(ctx, "work out point", "point", j.Point.Item.ID, "error", err)
			j.Answer = answer.Answer{Verdict: answer.Unknown, Sentence: sayNotWorkedOut}
			j.Answer.Ground.Class = survey.ClassUnknown
		}
		m.take(j, reading)
	})
	if err == nil {
		m.mu.Lock()
		m.judgedAt = started
		m.mu.Unlock()
	}
	return err
}

// judgeBehind judges a large atlas after the request that found it changed.
func (s *Server) judgeBehind(reading int) {
	m := &s.marks
	beside := s.atlas
	beside.Hands = max(1, runtime.GOMAXPROCS(0)/2) // the others answer
	err := s.judge(context.Background(), beside, reading)
	m.mu.Lock()
	m.busy = false
	m.mu.Unlock()
	if err != nil && !errors.Is(err, context.Canceled) {
		s.log.Info("judge the atlas for the map", "error", err)
	}
}

// take notes the answer of a point, unless the atlas has changed under it.
func (m *marks) take(j atlas.Judged, reading int) {
	p, a := j.Point.Item, j.Answer
	m.mu.Lock()
	defer m.mu.Unlock()
	i, ok := m.index[p.ID]
	if !ok || m.all[i].since > reading {
		return
	}
	one := &m.all[i]
	if !one.judged {
		one.judged = true
		m.left--
	}
	one.class, one.verdict, one.pull = a.Ground.Class, a.Verdict, a.Pull.TrueDeg
	if one.sentence = ""; len(m.all) <= sentences {
		one.sentence = a.Sentence
	}
	one.sector = survey.Opt[[2]geo.Bearing]{}
	if best, ok := a.Best(); ok && best.Main.Layout != nil {
		one.sector = survey.Known(best.Main.Layout.SectorDeg)
	}
	if until, ok := p.BuriedUtilities.Until.Get(); ok && until.After(a.AsOf) {
		one.until, m.until = until, earlier(m.until, until)
	}
}

// keep keeps the sentence of a point of a large atlas that was worked out for
// a list, since who looks at a place looks again. It is let go when the verdict
// is, and all are when there are too many.
func (m *marks) keep(of mark, sentence string) {
	m.mu.Lock()
	defer m.mu.Unlock()
	if m.said++; m.said > sentences {
		for i := range m.all {
			m.all[i].sentence = ""
		}
		m.said = 1
	}
	if i, ok := m.index[of.id]; ok && m.all[i].judged && m.all[i].since == of.since {
		m.all[i].sentence = sentence
	}
}

// within visits the marks in a bound, in the order of their sites and ids; nil
// is everywhere. Nothing of a mark may be kept after the visit but a copy.
func (m *marks) within(b *orb.Bound, visit func(*mark)) (left int) {
	m.mu.RLock()
	defer m.mu.RUnlock()
	for i, at := range m.at {
		if b == nil || inside(b, at) {
			visit(&m.all[i])
		}
	}
	return m.left
}

// of returns copies of the marks of a site.
func (m *marks) of(site string) []mark {
	m.mu.RLock()
	defer m.mu.RUnlock()
	from, _ := slices.BinarySearchFunc(m.all, site, func(one mark, site string) int { return cmp.Compare(one.site.id, site) })
	to := from
	for to < len(m.all) && m.all[to].site.id == site {
		to++
	}
	return slices.Clone(m.all[from:to])
}

// count is how many marks there are, and how many are not judged yet.
func (m *marks) count() (all, left int) {
	m.mu.RLock()
	defer m.mu.RUnlock()
	return len(m.all), m.left
}

// inside tells whether a place lies in a bound, which may cross the 180°
// meridian.
func inside(b *orb.Bound, p orb.Point) bool {
	if p.Lat() < b.Bottom() || p.Lat() > b.Top() {
		return false
	}
	if b.Left() > b.Right() {
		return p.Lon() >= b.Left() || p.Lon() <= b.Right()
	}
	return p.Lon() >= b.Left() && p.Lon() <= b.Right()
}
