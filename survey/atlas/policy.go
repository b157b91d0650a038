package atlas

import (
	"cmp"
	"context"
	"fmt"
	"slices"

	"holdfast/survey"
	"holdfast/survey/answer"
	"holdfast/survey/sqlite"
)

// PolicyChange is what another policy would do to the verdicts on file.
type PolicyChange struct {
	From    string                 `json:"from"` // version of the policy in force
	To      string                 `json:"to"`
	Before  map[answer.Verdict]int `json:"before"` // points by verdict
	After   map[answer.Verdict]int `json:"after"`
	Changes []PointChange          `json:"changes"` // in the order of site and label
}

// PointChange is a change with the names people know the point by.
type PointChange struct {
	Site  string `json:"site"` // code
	Label string `json:"label"`
	answer.Change
	Was string `json:"was,omitempty"` // the answers as sentences, where they were asked for
	Now string `json:"now,omitempty"`
}

// WhatIf judges every point of the atlas under the policy in force and under
// another, each for its first load case. progress, when not nil, is told how
// many points of how many are taken up.
func (a Atlas) WhatIf(ctx context.Context, other survey.Policy, progress func(done, all int)) (PolicyChange, error) {
	set, err := a.setting(ctx)
	if err != nil {
		return PolicyChange{}, err
	}
	changed, err := a.engine(other)
	if err != nil {
		return PolicyChange{}, err
	}
	rows, byID, err := a.pointsBySite(ctx)
	if err != nil {
		return PolicyChange{}, err
	}
	inputs := func(yield func(func() (answer.Input, error)) bool) {
		for i, row := range rows {
			if !yield(func() (answer.Input, error) {
				around, err := a.Around(ctx, row.Item)
				return set.input(row.Item, byID[row.Item.Site], around, Ask{}), err
			}) {
				return
			}
			if progress != nil {
				progress(i+1, len(rows))
			}
		}
	}
	w, err := answer.Changes(set.engine, changed, inputs)
	if err != nil {
		return PolicyChange{}, err
	}
	names := make(map[string]PointChange, len(rows))
	for _, row := range rows {
		names[row.Item.ID] = PointChange{Site: byID[row.Item.Site].Code, Label: row.Item.Label}
	}
	out := PolicyChange{From: set.policy.Version, To: other.Version, Before: w.Before, After: w.After, Changes: make([]PointChange, len(w.Changes))}
	for i, c := range w.Changes {
		out.Changes[i] = names[c.Point]
		out.Changes[i].Change = c
	}
	return out, nil
}

// Explain adds the sentences of the answers under the policy in force and under
// the other to the first changes, most of them at the most.
func (a Atlas) Explain(ctx context.Context, other survey.Policy, c *PolicyChange, most int) error {
	set, err := a.setting(ctx)
	if err != nil {
		return err
	}
	changed, err := a.engine(other)
	if err != nil {
		return err
	}
	for i := range c.Changes[:min(len(c.Changes), most)] {
		one := &c.Changes[i]
		row, err := a.Store.Point(ctx, one.Point)
		if err != nil {
			return err
		}
		site, err := a.Store.Site(ctx, row.Item.Site)
		if err != nil {
			return err
		}
		around, err := a.Around(ctx, row.Item)
		if err != nil {
			return err
		}
		in := set.input(row.Item, site.Item, around, Ask{})
		was, err := set.engine.For(in)
		if err != nil {
			return fmt.Errorf("judge point %s: %w", row.Item.Label, err)
		}
		now, err := changed.For(in)
		if err != nil {
			return fmt.Errorf("judge point %s: %w", row.Item.Label, err)
		}
		one.Was, one.Now = was.Sentence, now.Sentence
	}
	return nil
}

// pointsBySite loads every point, in the order of site and label, and the
// sites by id.
func (a Atlas) pointsBySite(ctx context.Context) ([]sqlite.Row[survey.Point], map[string]survey.Site, error) {
	sites, err := a.Store.Sites(ctx, sqlite.Filter{})
	if err != nil {
		return nil, nil, fmt.Errorf("load sites: %w", err)
	}
	byID := make(map[string]survey.Site, len(sites))
	for _, s := range sites {
		byID[s.Item.ID] = s.Item
	}
	rows, err := a.Store.Points(ctx, sqlite.Filter{})
	if err != nil {
		return nil, nil, fmt.Errorf("load points: %w", err)
	}
	slices.SortStableFunc(rows, func(x, y sqlite.Row[survey.Point]) int {
		return cmp.Or(cmp.Compare(byID[x.Item.Site].Code, byID[y.Item.Site].Code), survey.CompareLabels(x.Item.Label, y.Item.Label))
	})
	return rows, byID, nil
}
