package sqlite

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"strings"
	"time"

	"holdfast/survey"
)

// Undo is what taking an import back does.
type Undo struct {
	Import Import     `json:"import"`
	Items  []UndoItem `json:"items"`
	// Layer says what becomes of the layer, "" for sites and points.
	Layer string `json:"layer,omitempty"`
}

// UndoItem is what becomes of one site or point.
type UndoItem struct {
	ID    string `json:"id"`
	Name  string `json:"name"` // the label of a point, the code of a site
	Fate  Fate   `json:"fate"`
	Since string `json:"since,omitempty"` // of one that is kept: what happened to it since
}

// Fate is what taking an import back does with an item.
type Fate string

const (
	PutBack Fate = "put back" // to what it was before the import
	Deleted Fate = "deleted"  // the import had made it
	Kept    Fate = "kept"     // somebody changed it since, or needs it
)

// Kept returns the items that cannot be put back.
func (u Undo) Kept() []UndoItem {
	var out []UndoItem
	for _, i := range u.Items {
		if i.Fate == Kept {
			out = append(out, i)
		}
	}
	return out
}

// ErrChangedSince is wrapped by the refusal to undo an import whose items were
// changed since.
var ErrChangedSince = errors.New("changed since the import")

// errPlanned ends a transaction that was only to show what it would do.
var errPlanned = errors.New("planned")

// PlanUndo tells what UndoImport would do, and does nothing. It needs an atlas
// that may be written.
func (s *Store) PlanUndo(ctx context.Context, number int64) (Undo, error) {
	var u Undo
	err := s.change(ctx, "look at import", Author{Who: "nobody"}, func(t *tx) (err error) {
		if u, err = t.undo(ctx, number, true, true); err == nil {
			err = errPlanned
		}
		return err
	})
	if errors.Is(err, errPlanned) {
		err = nil
	}
	return u, err
}

// UndoImport takes an import back in one transaction; 0 is the latest that was
// not undone. Every site and point it wrote becomes what it was before, as a
// new revision: deleted when the import had made it. Items that somebody
// changed since, or sites that hold other points now, stay as they are if keep
// is true; else nothing happens, and the error wraps ErrChangedSince and
// survey.ErrConflict. Of a layer the former edition comes back, or the layer
// goes when there was none; a layer that was imported again since is refused.
func (s *Store) UndoImport(ctx context.Context, number int64, keep bool, a Author) (Undo, error) {
	var u Undo
	err := s.change(ctx, "undo import", a, func(t *tx) (err error) {
		if u, err = t.undo(ctx, number, keep, false); err != nil {
			return err
		}
		u.Import.UndoneAt, u.Import.UndoneBy = t.now, a.Who
		_, err = t.ExecContext(ctx, `UPDATE imports SET undone_at = ?, undone_by = ? WHERE number = ?`, t.stamp(), a.Who, u.Import.Number)
		return err
	})
	return u, err
}

// undo takes an import back. When it only looks, a layer, which may be large, is
// left alone; what it does to items is for the caller to take back.
func (t *tx) undo(ctx context.Context, number int64, keep, look bool) (Undo, error) {
	u := Undo{Items: []UndoItem{}}
	var err error
	if u.Import, err = readImport(ctx, t, number); err != nil {
		return u, err
	}
	if u.Import.Undone() {
		return u, refuse(survey.ErrConflict, nil, "import %d was undone by %s already", u.Import.Number, u.Import.UndoneBy)
	}
	if u.Import.Target != Sites && u.Import.Target != Points {
		u.Layer, err = t.undoLayer(ctx, u.Import, look)
		return u, err
	}
	written, err := t.writtenBy(ctx, u.Import)
	if err != nil {
		return u, err
	}
	for _, r := range written {
		one, err := t.undoItem(ctx, r)
		if err != nil {
			return u, err
		}
		u.Items = append(u.Items, one)
	}
	if kept := u.Kept(); len(kept) > 0 && !keep {
		return u, refuse(survey.ErrConflict, ErrChangedSince, "nothing was undone: since import %d, %s", u.Import.Number, sayKept(kept))
	}
	return u, nil
}

// sayKept names the first few of the items that were changed since.
func sayKept(kept []UndoItem) string {
	const named = 5
	var out []string
	for _, i := range kept[:min(named, len(kept))] {
		out = append(out, i.Name+" "+i.Since)
	}
	if more := len(kept) - named; more > 0 {
		out = append(out, fmt.Sprintf("and %d more", more))
	}
	return strings.Join(out, "; ")
}

// writtenBy returns the revisions of an import, the last first, so that points
// go before their site.
func (t *tx) writtenBy(ctx context.Context, i Import) ([]Revision, error) {
	rows, err := t.QueryContext(ctx, `
		SELECT
			number,
			collection,
			id,
			before,
			after
		FROM revisions
		WHERE number BETWEEN ? AND ?
		ORDER BY number DESC`, i.First, i.Last)
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	var out []Revision
	for rows.Next() {
		var r Revision
		var before, after *string
		if err := rows.Scan(&r.Number, &r.Collection, &r.ID, &before, &after); err != nil {
			return nil, err
		}
		if before != nil {
			r.Before = json.RawMessage(*before)
		}
		if after != nil {
			r.After = json.RawMessage(*after)
		}
		out = append(out, r)
	}
	return out, rows.Err()
}

// undoItem puts one item back, unless it was changed since.
func (t *tx) undoItem(ctx context.Context, r Revision) (UndoItem, error) {
	k := siteKind
	if r.Collection == Points {
		k = pointKind
	}
	one := UndoItem{ID: r.ID, Name: nameIn(r)}
	st, err := t.state(ctx, k, r.ID)
	if err != nil {
		return one, err
	}
	if st.revision != r.Number {
		one.Fate = Kept
		one.Since, err = t.changedBy(ctx, st.revision)
		return one, err
	}
	if r.Before == nil {
		one.Fate, err = Deleted, t.remove(ctx, k, r.ID, survey.Opt[int64]{})
	} else {
		one.Fate, err = PutBack, t.putBody(ctx, k, r.Before)
	}
	if r, ok := errors.AsType[*refusal](err); ok && (errors.Is(r.kind, survey.ErrConflict) || errors.Is(r.kind, survey.ErrInvalid)) {
		one.Fate, one.Since, err = Kept, "cannot be put back: "+r.words, nil
	} else if invalid, ok := errors.AsType[*survey.InvalidError](err); ok {
		one.Fate, one.Since, err = Kept, "cannot be put back: "+invalid.Error(), nil
	}
	return one, err
}

// putBody writes a stored item as it was.
func (t *tx) putBody(ctx context.Context, k kind, body []byte) error {
	var unseen survey.Opt[int64]
	if k.table == Sites {
		site, err := readStored(body, readSite)
		if err == nil {
			_, err = putSite(ctx, t, site, unseen)
		}
		return err
	}
	p, err := readStored(body, readPoint)
	if err != nil {
		return err
	}
	if _, err := t.siteID(ctx, p.Site); err != nil {
		return err
	}
	_, err = putPoint(ctx, t, p, unseen)
	return err
}

// nameIn is what people call the item of a revision.
func nameIn(r Revision) string {
	body := r.After
	if body == nil {
		body = r.Before
	}
	var f struct {
		Properties struct{ Code, Label string }
	}
	if err := json.Unmarshal(body, &f); err != nil || f.Properties.Code+f.Properties.Label == "" {
		return r.ID
	}
	return f.Properties.Code + f.Properties.Label
}

// changedBy says who made a revision.
func (t *tx) changedBy(ctx context.Context, number int64) (string, error) {
	var who string
	var verb Verb
	var at moment
	err := t.QueryRowContext(ctx, `SELECT who, verb, at FROM revisions WHERE number = ?`, number).Scan(&who, &verb, &at)
	did := "changed"
	if verb == Delete {
		did = "deleted"
	}
	return fmt.Sprintf("was %s by %s at %s", did, who, at.UTC().Format(time.DateTime+" UTC")), err
}

// undoLayer brings the former edition of a layer back, or takes the layer out.
func (t *tx) undoLayer(ctx context.Context, i Import, look bool) (string, error) {
	now, err := t.layer(ctx, i.Target)
	if err != nil {
		return "", err
	}
	var by *int64
	if now.live {
		if err := t.QueryRowContext(ctx, `SELECT import FROM layers WHERE n = ?`, now.n).Scan(&by); err != nil {
			return "", err
		}
	}
	if by == nil || *by != i.Number {
		return "", refuse(survey.ErrConflict, ErrChangedSince, "the layer %s was replaced or taken out since import %d: undo that first", i.Target, i.Number)
	}
	former, err := t.former(ctx, i.Target)
	if err != nil {
		return "", err
	}
	if former.found {
		if look {
			return layerBack, nil
		}
		return layerBack, t.putBack(ctx, i.Target, now, former)
	}
	var verb Verb
	if err := t.QueryRowContext(ctx, `SELECT verb FROM revisions WHERE number = ?`, i.First).Scan(&verb); err != nil {
		return "", err
	}
	if verb == Replace {
		return "", refuse(survey.ErrConflict, nil, "the edition of %s before import %d is not kept any more: import its file again", i.Target, i.Number)
	}
	if look {
		return layerGoes, nil
	}
	if err := t.drop(ctx, now.n); err != nil {
		return "", err
	}
	_, err = t.record(ctx, Layers, i.Target, Delete, now.body, nil)
	return layerGoes, err
}

const (
	layerBack = "the edition before it comes back"
	layerGoes = "the layer goes: there was none before"
)
