package soil

import "math"

// skyline is a symmetric positive definite matrix kept by rows from the first
// column that is not zero to the diagonal.
type skyline struct {
	first []int // first column of each row
	at    []int // where each row's diagonal stands in a
	a     []float64
}

// newSkyline returns a zero matrix whose rows begin at the given columns.
func newSkyline(first []int) *skyline {
	s := &skyline{first: first, at: make([]int, len(first))}
	n := 0
	for i, f := range first {
		n += i - f + 1
		s.at[i] = n - 1
	}
	s.a = make([]float64, n)
	return s
}

// add adds v at row i, column j ≤ i.
func (s *skyline) add(i, j int, v float64) { s.a[s.at[i]-i+j] += v }

// fix makes row and column i those of the identity.
func (s *skyline) fix(i int) {
	for j := s.first[i]; j < i; j++ {
		s.a[s.at[i]-i+j] = 0
	}
	for k := i + 1; k < len(s.first); k++ {
		if s.first[k] <= i {
			s.a[s.at[k]-k+i] = 0
		}
	}
	s.a[s.at[i]] = 1
}

// column adds f times column i, without its diagonal, to b.
func (s *skyline) column(i int, f float64, b []float64) {
	for j := s.first[i]; j < i; j++ {
		b[j] += f * s.a[s.at[i]-i+j]
	}
	for k := i + 1; k < len(s.first); k++ {
		if s.first[k] <= i {
			b[k] += f * s.a[s.at[k]-k+i]
		}
	}
}

// solve replaces the matrix by its factors L D Lᵀ and b by the solution. It
// reports false when the matrix is not positive definite.
func (s *skyline) solve(b []float64) bool {
	n := len(s.first)
	for j := range n {
		fj := s.first[j]
		row := s.a[s.at[j]-(j-fj) : s.at[j]+1] // columns fj..j
		for k := fj + 1; k < j; k++ {
			m := max(fj, s.first[k])
			other := s.a[s.at[k]-k+m : s.at[k]] // columns m..k-1
			sum := row[k-fj]
			mine := row[m-fj:]
			for i, v := range other {
				sum -= mine[i] * v
			}
			row[k-fj] = sum
		}
		d, x := row[j-fj], b[j]
		for k := fj; k < j; k++ {
			g := row[k-fj]
			l := g / s.a[s.at[k]]
			d -= l * g
			x -= l * b[k]
			row[k-fj] = l
		}
		if !(d > 0) || math.IsInf(d, 1) {
			return false
		}
		row[j-fj], b[j] = d, x
	}
	for j := range n {
		b[j] /= s.a[s.at[j]]
	}
	for j := n - 1; j >= 0; j-- {
		fj := s.first[j]
		for k := fj; k < j; k++ {
			b[k] -= s.a[s.at[j]-j+k] * b[j]
		}
	}
	return true
}
