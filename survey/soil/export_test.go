package soil

// LimitIntegrals returns the integrals S and Q of the limiting resistance over
// a face of width w metres from the ground to depth z, in N and N·m.
func LimitIntegrals(g Ground, w, z float64) (s, q float64) {
	p := g.profile(w)
	return p.integrals(z)
}
