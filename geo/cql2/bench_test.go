package cql2_test

import (
	"testing"

	"github.com/stretchr/testify/require"

	"holdfast/geo/cql2"
)

func BenchmarkParseText(b *testing.B) {
	const src = `ground = 'sand' AND slope BETWEEN 5 AND 20 AND updated >= DATE('2026-01-01') AND S_INTERSECTS(geometry,BBOX(-80,40,-79,41))`
	for b.Loop() {
		_, err := cql2.ParseText(src)
		require.NoError(b, err)
	}
}

// BenchmarkMatch answers a filter for one feature.
func BenchmarkMatch(b *testing.B) {
	data := layers(b)
	for name, of := range map[string][2]string{
		"compare": {"ne_110m_populated_places_simple", `pop_other > 1000000 AND name LIKE 'B%'`},
		"casei":   {"ne_110m_populated_places_simple", `CASEI(name) LIKE CASEI('B%')`},
		"box":     {"ne_110m_admin_0_countries", `S_INTERSECTS(geom,BBOX(0,40,10,50))`},
		"touches": {"ne_110m_admin_0_countries", `S_TOUCHES(geom,LINESTRING(6.043073357781111 50.128051662794235,6.242751092156993 49.90222565367873))`},
	} {
		b.Run(name, func(b *testing.B) {
			l := data[of[0]]
			f := filter(b, of[1], l.queryables)
			for i := 0; b.Loop(); i++ {
				f.Match(l.features[i%len(l.features)])
			}
		})
	}
}
