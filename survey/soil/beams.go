package soil

import (
	"errors"
	"fmt"
	"math"
	"slices"

	"holdfast/geo"
	"holdfast/survey"
)

// intervals is how finely a stake is divided: half an inch on the usual one.
const intervals = 96

// beams is a rig as elastic-plastic beams on springs, tied by lashings. Its
// energy is convex in the movements, so Newton's method with a line search
// finds the one equilibrium for each travel of the rope.
type beams struct {
	section
	law                        Law
	rows, nodes                int // nodes per row
	rope, lash                 int // the nodes they are tied at
	bars                       [MaxRows]float64
	inv                        []float64 // 1/length of each interval
	soil                       []spring  // all rows
	y                          []float64 // movements, all rows from the head down
	k                          *skyline
	grad, step, trial, settled []float64
	ropeFactor, lashFactor     float64
	stiffness, slack, strength float64
	force                      [MaxRows - 1]float64 // in the lashings at y
}

var errUnsettled = errors.New("springs do not settle: rig or ground outside what the method can follow")

func newBeams(r *Rig, s *Springs) (*beams, error) {
	if err := r.validate(); err != nil {
		return nil, err
	}
	if err := s.validate(&r.Ground); err != nil {
		return nil, err
	}
	if r.RopeFactor() < 0.1 {
		return nil, fmt.Errorf("rope angle %v above ground: almost along a stake leaning %v", r.RopeAngle, r.Lean)
	}
	b := &beams{section: r.Bar.section(), law: s.Law, rows: len(r.Rows), ropeFactor: r.RopeFactor()}
	if b.rows > 1 {
		l := r.Lashing
		if !within(l.Stiffness, 1, 1e9) || !within(float64(l.Slack), -0.5, 0.5) {
			return nil, fmt.Errorf("lashing of %g N/m with slack %v: want 1 N/m to 1 GN/m, 0.5 m at most", l.Stiffness, l.Slack)
		}
		b.lashFactor, b.stiffness, b.slack, b.strength = r.LashFactor(), l.Stiffness, float64(l.Slack), float64(l.Strength)
	}
	x := b.grid(r)
	b.nodes = len(x)
	b.inv = make([]float64, b.nodes-1)
	for i := range b.inv {
		b.inv[i] = 1 / (x[i+1] - x[i])
	}
	n := b.rows * b.nodes
	for _, v := range []*[]float64{&b.y, &b.grad, &b.step, &b.trial, &b.settled} {
		*v = make([]float64, n)
	}
	b.soil = make([]spring, 0, n)
	first := make([]int, 0, n)
	for row, bars := range r.Rows {
		b.bars[row] = float64(bars)
		b.plant(r, s, x, b.bars[row])
		for i := range b.nodes {
			f := row*b.nodes + max(0, i-2)
			if row > 0 && i == b.rope {
				f = (row-1)*b.nodes + b.lash
			}
			first = append(first, f)
		}
	}
	b.k = newSkyline(first)
	return b, nil
}

// plant adds the springs of a row of n bars with nodes at the depths x.
func (b *beams) plant(r *Rig, s *Springs, x []float64, n float64) {
	d := float64(r.Bar.Diameter)
	p := r.Ground.profile(n * d)
	live := p.dead - least(r)
	for i, at := range x {
		// Each node stands for half of the intervals beside it that lie in live soil.
		w := 0.0
		if i > 0 && x[i-1] >= live {
			w += (at - x[i-1]) / 2
		}
		if i < len(x)-1 && at >= live {
			w += (x[i+1] - at) / 2
		}
		soil := spring{0, 1}
		if w > 0 {
			soil = s.node(&r.Ground, &p, n, d, max(at, p.dead), w)
		}
		b.soil = append(b.soil, soil)
	}
}

// grid returns the depths of the nodes from the head (negative) to the toe.
// Rope, lashing, ground and dead top each fall on a node: unaligned, the
// strength is some per cent out.
func (b *beams) grid(r *Rig) []float64 {
	head, toe := -float64(r.Length-r.Embedment), float64(r.Embedment)
	rope := -float64(r.RopeHeight)
	keys := []float64{head, rope, 0, float64(r.Ground.DeadTop), toe}
	lash := rope
	if b.rows > 1 {
		lash = min(-float64(r.LashHeight()), rope)
		keys = append(keys, lash)
	}
	slices.Sort(keys)
	apart := least(r)
	x := []float64{head}
	for _, to := range keys {
		from := x[len(x)-1]
		if to-from < apart {
			continue
		}
		n := max(1, math.Round((to-from)/(toe-head)*intervals))
		for i := 1.0; i < n; i++ {
			x = append(x, from+(to-from)*i/n)
		}
		x = append(x, to)
	}
	nearest := func(to float64) int {
		best := 0
		for i, v := range x {
			if math.Abs(v-to) < math.Abs(x[best]-to) {
				best = i
			}
		}
		return best
	}
	b.rope, b.lash = nearest(rope), nearest(lash)
	x[nearest(0)] = 0
	return x
}

// least returns the distance below which two places share a node: short
// intervals cost digits.
func least(r *Rig) float64 { return float64(r.Length) / intervals / 10 }

// slope fills grad with the forces that hold the movements y, and with
// tangent also the stiffness. The largest moments go to st if it is not nil.
func (b *beams) slope(y []float64, tangent bool, st *State) {
	g := b.grad
	if tangent {
		clear(b.k.a)
	}
	for i, s := range b.soil {
		p, dp := b.law.force(s, y[i])
		g[i] = p
		if tangent {
			b.k.a[b.k.at[i]] += dp
		}
	}
	for row := range b.rows {
		at, n := row*b.nodes, b.bars[row]
		for i := 1; i < b.nodes-1; i++ {
			j := at + i
			u, v := b.inv[i-1], b.inv[i]
			w := 2 * u * v / (u + v) // 1 / mean interval
			m, dm := b.moment(w * (u*(y[j-1]-y[j]) + v*(y[j+1]-y[j])))
			if st != nil {
				st.Most[row] = max(st.Most[row], Moment(m))
				st.Least[row] = min(st.Least[row], Moment(m))
			}
			m *= n
			g[j-1] += u * m
			g[j] -= (u + v) * m
			g[j+1] += v * m
			if tangent {
				b.bend(j, u, v, dm*n*w)
			}
		}
	}
	b.tie(y, tangent)
}

// bend adds the stiffness f of the curvature at node j.
func (b *beams) bend(j int, u, v, f float64) {
	a, at := b.k.a, b.k.at
	c := u + v
	a[at[j-1]] += f * u * u
	a[at[j]] += f * c * c
	a[at[j+1]] += f * v * v
	a[at[j]-1] -= f * u * c
	a[at[j+1]-1] -= f * v * c
	a[at[j+1]-2] += f * u * v
}

// tie adds the lashings.
func (b *beams) tie(y []float64, tangent bool) {
	c := b.lashFactor
	for gap := range b.rows - 1 {
		front, rear := gap*b.nodes+b.lash, (gap+1)*b.nodes+b.rope
		t := b.stiffness * (c*(y[front]-y[rear]) - b.slack)
		k := b.stiffness * c * c
		if t <= 0 {
			t, k = 0, 0
		} else if t > b.strength {
			t, k = b.strength, 0
		}
		b.force[gap] = t
		b.grad[front] += c * t
		b.grad[rear] -= c * t
		if tangent && k > 0 {
			b.k.add(front, front, k)
			b.k.add(rear, rear, k)
			b.k.add(rear, front, -k)
		}
	}
}

// move draws the rope out to u, along the rope, and settles the rig there. A
// long way is gone in steps that at most double the travel, shorter ones where
// the rig does not settle.
func (b *beams) move(u float64) error {
	to := u / b.ropeFactor
	copy(b.settled, b.y)
	for part := 1.0; part > 1e-3; {
		from := b.y[b.rope]
		longest := part * max(from, b.r/5)
		next := from + max(-longest, min(longest, to-from))
		if b.settle(next) {
			if next == to {
				return nil
			}
			copy(b.settled, b.y)
			continue
		}
		copy(b.y, b.settled)
		part /= 4
	}
	return errUnsettled
}

// settle finds the equilibrium with the rope's knot at the given movement
// across the stake; false when it does not come to rest.
func (b *beams) settle(across float64) bool {
	du := across - b.y[b.rope]
	for range 60 {
		b.slope(b.y, true, nil)
		pull := b.grad[b.rope]
		b.grad[b.rope] = 0
		if du == 0 && most(b.grad) <= 1e-8*math.Abs(pull)+b.rounding() {
			return true
		}
		d := b.step
		for i, g := range b.grad {
			d[i] = -g
		}
		b.k.column(b.rope, -du, d)
		d[b.rope] = du
		b.k.fix(b.rope)
		if !b.k.solve(d) {
			return false
		}
		if du == 0 {
			b.search()
			if most(b.y) > 100*(math.Abs(across)+b.r) {
				return false // run away
			}
			continue
		}
		// The tangent predicts where the new travel leads.
		for i := range d {
			b.y[i] += d[i]
		}
		b.y[b.rope], du = across, 0
	}
	return false
}

// rounding returns the force below which the residual is only rounding.
func (b *beams) rounding() float64 {
	stiff := 0.0
	for _, i := range b.k.at {
		stiff = max(stiff, b.k.a[i])
	}
	return 4e-16 * stiff * most(b.y)
}

// search goes along step to where the energy no longer falls steeply.
func (b *beams) search() {
	d := b.step
	start := dot(b.grad, d) // negative: the energy falls
	for a := 1.0; a > 1e-6; {
		for i := range d {
			b.trial[i] = b.y[i] + a*d[i]
		}
		b.slope(b.trial, false, nil)
		b.grad[b.rope] = 0
		f := dot(b.grad, d)
		if f <= -0.3*start {
			break
		}
		a *= max(0.1, start/(start-f)) // where the chord of the slope is zero
	}
	b.y, b.trial = b.trial, b.y
}

func (b *beams) state() State {
	st := State{Travel: geo.Length(b.y[b.rope] * b.ropeFactor), Rows: b.rows}
	b.slope(b.y, false, &st)
	st.Pull = survey.Force(b.grad[b.rope] / b.ropeFactor)
	taken := st.Pull
	for row := range b.rows {
		st.Heads[row] = geo.Length(b.y[row*b.nodes])
		var passed survey.Force
		if row < b.rows-1 {
			st.Ties[row] = survey.Force(b.force[row])
			passed = st.Ties[row]
		}
		if st.Pull > 0 {
			st.Shares[row] = float64((taken - passed) / st.Pull)
		}
		taken = passed
	}
	return st
}

func dot(a, b []float64) (s float64) {
	for i, v := range a {
		s += v * b[i]
	}
	return s
}

func most(a []float64) (m float64) {
	for _, v := range a {
		m = max(m, math.Abs(v))
	}
	return m
}
