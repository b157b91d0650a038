package answer

import (
	"cmp"
	"fmt"
	"iter"
	"runtime"
	"slices"
	"sync"
)

// Change is a point whose verdict differs under another policy.
type Change struct {
	Point  string `json:"point"`
	Before Brief  `json:"before"`
	After  Brief  `json:"after"`

	at int // place among the points asked about
}

// WhatIf is what a change of policy does to the verdicts of many points.
type WhatIf struct {
	Before  map[Verdict]int `json:"before"` // points by verdict
	After   map[Verdict]int `json:"after"`
	Changes []Change        `json:"changes"` // in the order of the points
}

// Changes judges points by two engines, that of the policy as it is and that of
// the changed one, on all processors, and tells which verdicts change. The
// points' own policies are left out. Each point is loaded by the processor that
// judges it; the first that cannot be ends the work.
func Changes(was, is *Engine, points iter.Seq[func() (Input, error)]) (WhatIf, error) {
	c := comparison{was: was, is: is, out: WhatIf{Before: map[Verdict]int{}, After: map[Verdict]int{}, Changes: []Change{}}}
	var stop func()
	c.next, stop = iter.Pull(points)
	defer stop()
	var wg sync.WaitGroup
	for range runtime.GOMAXPROCS(0) {
		wg.Go(c.work)
	}
	wg.Wait()
	if c.err != nil {
		return WhatIf{}, c.err
	}
	slices.SortFunc(c.out.Changes, func(a, b Change) int { return cmp.Compare(a.at, b.at) })
	return c.out, nil
}

// comparison is a what-if under way.
type comparison struct {
	was, is *Engine

	mu    sync.Mutex // guards the rest
	next  func() (func() (Input, error), bool)
	taken int
	out   WhatIf
	err   error // of the first point that could not be judged
	errAt int
}

// work judges points until there are none left.
func (c *comparison) work() {
	for {
		c.mu.Lock()
		load, ok := c.next()
		at := c.taken
		c.taken++
		failed := c.err != nil
		c.mu.Unlock()
		if !ok || failed {
			return
		}
		one, err := c.judge(load)
		one.at = at
		c.mu.Lock()
		if err != nil && (c.err == nil || at < c.errAt) {
			c.err, c.errAt = err, at
		}
		c.out.Before[one.Before.Verdict]++
		c.out.After[one.After.Verdict]++
		if one.Before.Verdict != one.After.Verdict {
			c.out.Changes = append(c.out.Changes, one)
		}
		c.mu.Unlock()
	}
}

func (c *comparison) judge(load func() (Input, error)) (Change, error) {
	in, err := load()
	if err != nil {
		return Change{}, err
	}
	one := Change{Point: in.Point.ID}
	if one.Before, err = c.was.Brief(in); err == nil {
		one.After, err = c.is.Brief(in)
	}
	if err != nil {
		err = fmt.Errorf("judge point %s: %w", in.Point.ID, err)
	}
	return one, err
}
