package server

import (
	"cmp"
	"context"
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

// brief is what the map and its ledger show of a point: the answer for the
// usual load, in short.
type brief struct {
	ID       string
	Site     string
	Label    string
	Position orb.Point
	Class    survey.GroundClass
	Verdict  answer.Verdict
	Sentence string
	Pull     survey.Opt[geo.Bearing]
	Sector   survey.Opt[[2]geo.Bearing]
	place    int // among the points of its site, by label
}

const (
	briefsKept = 50_000           // points, some 30 MB
	briefsLast = 10 * time.Minute // answers depend on the clock: locates run out, surveys grow stale
)

// briefs remembers answers for as long as the atlas stays as it is.
type briefs struct {
	mu       sync.Mutex
	revision int64
	since    time.Time
	kept     map[string]brief
}

// get returns the remembered brief of a point, after forgetting all of them
// when the atlas has changed or time has passed.
func (b *briefs) get(id string, revision int64, now time.Time) (brief, bool) {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.kept == nil || revision != b.revision || now.Sub(b.since).Abs() > briefsLast || len(b.kept) >= briefsKept {
		b.kept, b.revision, b.since = make(map[string]brief), revision, now
	}
	got, ok := b.kept[id]
	return got, ok
}

// put remembers a brief, unless the atlas has changed since it was made.
func (b *briefs) put(one brief, revision int64) {
	b.mu.Lock()
	defer b.mu.Unlock()
	if revision == b.revision {
		b.kept[one.ID] = one
	}
}

// briefsOf returns the briefs of the given points in their order. Sites are
// worked out whole, since their points share what has to be loaded, and as
// many at a time as there are processors.
func (s *Server) briefsOf(ctx context.Context, points []sqlite.Row[survey.Point]) ([]brief, error) {
	revision, err := s.store.Revision(ctx)
	if err != nil {
		return nil, err
	}
	var missing []survey.Point // the first of each site
	asked := make(map[string]bool)
	for _, row := range points {
		if _, ok := s.briefs.get(row.Item.ID, revision, s.now()); !ok && !asked[row.Item.Site] {
			asked[row.Item.Site] = true
			missing = append(missing, row.Item)
		}
	}
	var wait sync.WaitGroup
	free := make(chan struct{}, runtime.GOMAXPROCS(0))
	for _, p := range missing {
		free <- struct{}{}
		wait.Go(func() {
			defer func() { <-free }()
			if ctx.Err() == nil {
				s.workOutSite(ctx, p.Site, revision)
			}
		})
	}
	wait.Wait()
	out := make([]brief, 0, len(points))
	for _, row := range points {
		one, ok := s.briefs.get(row.Item.ID, revision, s.now())
		if !ok {
			if err := ctx.Err(); err != nil {
				return nil, err
			}
			one = s.workOutAlone(ctx, row.Item)
			s.briefs.put(one, revision)
		}
		out = append(out, one)
	}
	return out, nil
}

// workOutSite works out every point of a site and remembers them. What fails
// here is tried again point by point.
func (s *Server) workOutSite(ctx context.Context, site string, revision int64) {
	_, judged, err := s.atlas.Site(ctx, site, atlas.Ask{})
	if err != nil {
		return
	}
	for i, j := range judged {
		one := newBrief(j.Point.Item, j.Answer)
		one.place = i
		s.briefs.put(one, revision)
	}
}

// workOutAlone works out one point. One that cannot be worked out is shown as
// unknown; the log says why.
func (s *Server) workOutAlone(ctx context.Context, p survey.Point) brief {
	a, err := s.atlas.Calculate(ctx, p, atlas.Ask{})
	if err != nil {
		s.log.ErrorContext(ctx, "work out point", "point", p.ID, "error", err)
		a = answer.Answer{Verdict: answer.Unknown, Sentence: "This point could not be worked out; the log of the program says why."}
		a.Ground.Class = survey.ClassUnknown
	}
	return newBrief(p, a)
}

// bestFirst puts the points of a site in the order of their verdicts, then of
// their labels.
func bestFirst(bs []brief) {
	slices.SortStableFunc(bs, func(a, b brief) int {
		return cmp.Or(slices.Index(answer.Verdicts, a.Verdict)-slices.Index(answer.Verdicts, b.Verdict), a.place-b.place)
	})
}

func newBrief(p survey.Point, a answer.Answer) brief {
	one := brief{
		ID: p.ID, Site: p.Site, Label: p.Label, Position: p.Position,
		Class: a.Ground.Class, Verdict: a.Verdict, Sentence: a.Sentence, Pull: a.Pull.TrueDeg,
	}
	if best, ok := a.Best(); ok && best.Main.Layout != nil {
		one.Sector = survey.Known(best.Main.Layout.SectorDeg)
	}
	return one
}
