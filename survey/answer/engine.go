package answer

import (
	"sync"
	"time"

	"holdfast/geo"
	"holdfast/geo/magnetic"
	"holdfast/survey"
	"holdfast/survey/load"
	"holdfast/survey/rig"
)

// Engine answers for many points under one policy. What the policy alone
// decides is worked out once, and what the same rig, load or date gave before
// is remembered, which changes nothing but the time an answer takes. An Engine
// is safe for use by several goroutines.
type Engine struct {
	policy survey.Policy
	book   *rig.Book
	model  *magnetic.Model

	mu     sync.RWMutex
	loads  map[loadKey]load.Result
	epochs map[float64]*magnetic.Epoch // by decimal year
}

type loadKey struct {
	id    string
	slope survey.Opt[geo.Angle]
}

// mostRemembered bounds the engine's memory of loads and of dates.
const mostRemembered = 2000

// NewEngine returns the engine of a valid policy. It fails when the policy's
// stake is one the mechanics cannot work with.
func NewEngine(p survey.Policy) (*Engine, error) {
	book, err := rig.NewBook(p)
	if err != nil {
		return nil, err
	}
	return &Engine{policy: p, book: book, model: magnetic.Default(), loads: make(map[loadKey]load.Result), epochs: make(map[float64]*magnetic.Epoch)}, nil
}

// UseMagnetic takes another magnetic model than the one the program carries. It
// is called before the first answer.
func (e *Engine) UseMagnetic(m *magnetic.Model) { e.model = m }

// demand works a load case out on a slope. The result's slices are shared.
func (e *Engine) demand(c survey.LoadCase, slope survey.Opt[geo.Angle]) (load.Result, error) {
	k := loadKey{c.ID, slope}
	e.mu.RLock()
	r, ok := e.loads[k]
	e.mu.RUnlock()
	if ok {
		return r, nil
	}
	r, err := load.Work(c, slope, survey.Force(e.policy.HaulPerPersonN.Value), e.policy.PulleyEfficiency.Value, e.policy.Units)
	if err != nil {
		return r, err
	}
	e.mu.Lock()
	defer e.mu.Unlock()
	if len(e.loads) >= mostRemembered {
		clear(e.loads)
	}
	e.loads[k] = r
	return r, nil
}

// field is the magnetic model on a date.
func (e *Engine) field(on time.Time) *magnetic.Epoch {
	year := magnetic.DecimalYear(on.UTC())
	e.mu.RLock()
	epoch, ok := e.epochs[year]
	e.mu.RUnlock()
	if ok {
		return epoch
	}
	epoch = e.model.OnYear(year)
	e.mu.Lock()
	defer e.mu.Unlock()
	if len(e.epochs) >= mostRemembered {
		clear(e.epochs)
	}
	e.epochs[year] = epoch
	return epoch
}
