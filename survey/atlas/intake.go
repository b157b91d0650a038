package atlas

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"iter"
	"path/filepath"
	"time"

	"holdfast/geo"
	"holdfast/survey"
	"holdfast/survey/exchange"
	"holdfast/survey/sqlite"
)

// Intake says what a file is brought in as, and how it is read.
type Intake struct {
	Path string
	Name string // of the file, to show; "" is that of the path
	// Of is sqlite.Sites or sqlite.Points, or "" for a layer.
	Of    string
	Layer survey.Layer // without what the file and the import tell

	CRS   string            // of a file that names none
	Table string            // of a file with several
	Map   *exchange.Mapping // of foreign sites or points; nil is none
	Unit  geo.Length        // of an elevation grid's heights, 0 when the file says
	// Key is the column by which features of two editions of a layer are told
	// apart; "" is their own id.
	Key string
	// Within is how far apart two sites or points of about the same name may lie
	// to be called duplicates.
	Within geo.Length
	// Partial takes what is right even when some records are refused.
	Partial bool
	// Remove deletes the sites or points that the file does not have: all other
	// sites, or the other points at the sites it names.
	Remove bool
	// KeepReviews leaves the reviews of sites as they are on file, whatever the
	// file says: whoever brings it in may not sign.
	KeepReviews bool
	// Each, when not nil, is called for every record read with how many there
	// were; its error ends the import.
	Each func(done int) error
}

// DefaultWithin is how far apart duplicates may lie unless told otherwise: the
// error of a handheld receiver under open sky (common practice, no source).
const DefaultWithin = 3 * geo.Metre

// RefusedError says that an import is not made since records of the file are
// refused.
type RefusedError struct {
	Taken, Refused int
}

func (e *RefusedError) Error() string {
	switch {
	case e.Refused == 1 && e.Taken == 0:
		return "the one record is refused, so nothing is written"
	case e.Refused == 1:
		return "1 record is refused, so nothing is written"
	case e.Taken == 0:
		return fmt.Sprintf("all %d records are refused, so nothing is written", e.Refused)
	}
	return fmt.Sprintf("%d records are refused, so nothing is written", e.Refused)
}

func (e *RefusedError) Unwrap() error { return survey.ErrInvalid }

// judge refuses a file with refused records unless told otherwise.
func (in Intake) judge(r *exchange.Report) error {
	if r.Refused > 0 && (!in.Partial || r.Taken() == 0) {
		return &RefusedError{Taken: r.Taken(), Refused: r.Refused}
	}
	return nil
}

// options are those of the reading.
func (in Intake) options(ctx context.Context, a Atlas) (exchange.Options, error) {
	o := exchange.Options{File: in.name(), CRS: in.CRS, Table: in.Table, Map: in.Map}
	o.Each = func(done int) error {
		if err := ctx.Err(); err != nil || in.Each == nil {
			return err
		}
		return in.Each(done)
	}
	if a.Store == nil {
		return o, nil
	}
	b, ok, err := a.Store.Bounds(ctx)
	if err == nil && ok {
		o.Extent = &b
	}
	return o, err
}

func (in Intake) name() string {
	if in.Name != "" {
		return in.Name
	}
	return filepath.Base(in.Path)
}

// Look reads a file and reports what Take would do; nothing is written. The
// atlas may have no store yet. The report is there even with an error.
func (a Atlas) Look(ctx context.Context, in Intake) (*exchange.Report, error) {
	if in.Layer.Role == survey.RoleElevation {
		g, r, err := a.lookGrid(in)
		if err == nil {
			err = g.Close()
		}
		return r, err
	}
	if in.Of != "" {
		return a.lookItems(ctx, in)
	}
	l, err := a.openLayer(ctx, in)
	if err != nil {
		return nil, err
	}
	defer l.input.Close() // it was only read
	for _, err := range l.features(ctx) {
		if err != nil {
			break // it is in l.err
		}
	}
	return l.report, l.err
}

// Take brings a file in, all of it in one transaction, or nothing and an
// error; RefusedError when it is for records that are refused.
func (a Atlas) Take(ctx context.Context, in Intake, who sqlite.Author) (*exchange.Report, sqlite.Import, error) {
	print, err := exchange.TakeFingerprint(ctx, in.Path)
	if err != nil {
		return nil, sqlite.Import{}, err
	}
	o := sqlite.Origin{File: in.name(), Size: print.Size, SHA256: print.SHA256}
	if in.Map != nil {
		if o.Mapping, err = json.Marshal(in.Map); err != nil {
			return nil, sqlite.Import{}, err
		}
	}
	switch {
	case in.Layer.Role == survey.RoleElevation:
		return a.takeGrid(ctx, in, o, who)
	case in.Of != "":
		return a.takeItems(ctx, in, o, who)
	}
	return a.takeLayer(ctx, in, o, who)
}

func summary(r *exchange.Report) func() (json.RawMessage, error) {
	return func() (json.RawMessage, error) { return json.Marshal(r.Summary()) }
}

// incoming is a layer on its way in.
type incoming struct {
	in      Intake
	atlas   Atlas
	input   *exchange.Input
	report  *exchange.Report
	compare *exchange.LayerComparer
	err     error // why its features must not be kept, once they have ended
}

func (a Atlas) openLayer(ctx context.Context, in Intake) (*incoming, error) {
	o, err := in.options(ctx, a)
	if err != nil {
		return nil, err
	}
	l := &incoming{in: in, atlas: a, compare: exchange.NewLayerComparer(in.Key)}
	if l.input, err = exchange.Open(in.Path, o); err != nil {
		return nil, err
	}
	if err := l.had(ctx); err != nil {
		return nil, errors.Join(err, l.input.Close())
	}
	return l, nil
}

// had reads the edition on file, if there is one.
func (l *incoming) had(ctx context.Context) error {
	if l.atlas.Store == nil {
		return nil
	}
	id := l.in.Layer.ID
	was, err := l.atlas.Store.Layer(ctx, id)
	if errors.Is(err, survey.ErrNotFound) {
		return nil
	}
	if err != nil {
		return err
	}
	l.compare.Replaces(was.Features)
	get := func(f sqlite.Filter) ([]survey.LayerFeature, error) { return l.atlas.Store.Features(ctx, id, f) }
	for f, err := range pages(sqlite.Filter{}, get, func(f survey.LayerFeature) string { return f.ID }) {
		if err == nil {
			err = l.compare.Had(f)
		}
		if err != nil {
			return err
		}
	}
	return nil
}

// features are those of the file that are taken. At their end the report is
// complete, and an error says why they must not be kept.
func (l *incoming) features(ctx context.Context) iter.Seq2[survey.LayerFeature, error] {
	features, report := l.input.Layer(l.in.Layer.Role)
	l.report = report
	return func(yield func(survey.LayerFeature, error) bool) {
		for f, err := range features {
			if err == nil {
				err = l.meet(ctx, f)
			}
			if l.err = err; !yield(f, err) {
				return
			}
		}
		if l.err == nil {
			l.err = l.finish(ctx)
		}
		if l.err != nil {
			yield(survey.LayerFeature{}, l.err)
		}
	}
}

// meet compares a feature with what is on file.
func (l *incoming) meet(ctx context.Context, f survey.LayerFeature) error {
	number, err := l.compare.Has(f, l.report.Last())
	if err != nil || number == 0 {
		return err
	}
	was, err := l.atlas.Store.LayerFeature(ctx, l.in.Layer.ID, number)
	if err != nil {
		return err
	}
	return l.compare.Differs(f, was)
}

func (l *incoming) finish(ctx context.Context) error {
	if err := l.in.judge(l.report); err != nil {
		return err
	}
	var err error
	l.report.Changes, err = l.compare.Changes(func(number int64) (survey.LayerFeature, error) {
		return l.atlas.Store.LayerFeature(ctx, l.in.Layer.ID, number)
	})
	if err != nil {
		return err
	}
	some, all := l.compare.Twice()
	l.report.Duplicates = some
	if more := all - len(some); more > 0 {
		l.report.Notes = append(l.report.Notes, fmt.Sprintf("%d more features of the file are the same as another in every respect", more))
	}
	return nil
}

func (a Atlas) takeLayer(ctx context.Context, in Intake, o sqlite.Origin, who sqlite.Author) (*exchange.Report, sqlite.Import, error) {
	var made sqlite.Import
	l, err := a.openLayer(ctx, in)
	if err != nil {
		return nil, made, err
	}
	defer l.input.Close() // it was only read
	in.Layer.SourceFile, in.Layer.SourceCRS = in.name(), l.input.System()
	features := l.features(ctx)
	if err := a.sameContent(ctx, o, l.report); err != nil {
		return l.report, made, err
	}
	o.Report = summary(l.report)
	o.Refused = func() int { return l.report.Refused }
	_, made, err = a.Store.ImportLayer(ctx, in.Layer, features, o, who)
	if l.err != nil {
		err = l.err
	}
	return l.report, made, err
}

// sameContent notes imports of the same file that stand.
func (a Atlas) sameContent(ctx context.Context, o sqlite.Origin, r *exchange.Report) error {
	before, err := a.Store.ImportsOf(ctx, o.SHA256)
	for _, i := range before {
		r.Notes = append(r.Notes, fmt.Sprintf("a file of just this content came in as %s before: import %d, %s by %s", i.Target, i.Number, i.At.Format(time.DateOnly), i.Who))
	}
	return err
}
