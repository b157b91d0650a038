package exchange_test

import (
	"encoding/json"
	"fmt"
	"maps"
	"slices"
	"strconv"
	"testing"

	"github.com/paulmach/orb"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"holdfast/survey"
	"holdfast/survey/exchange"
)

func valued(id string, x float64, value int) survey.LayerFeature {
	return survey.LayerFeature{ID: id, Geometry: orb.Point{x, 44}, Properties: json.RawMessage(fmt.Sprintf(`{"v":%d}`, value))}
}

// filed is a feature as the store gives it back.
func filed(f survey.LayerFeature, number int) survey.LayerFeature {
	if f.ID != "" {
		f.Properties = json.RawMessage(fmt.Sprintf(`{"source_id":%q,%s`, f.ID, f.Properties[1:]))
	}
	f.ID = strconv.Itoa(number)
	return f
}

// Two editions compared feature by feature give what comparing them as sets
// does, in any order.
func TestCompareLaw(t *testing.T) {
	editions := rapid.MapOf(rapid.StringMatching(`[a-f]`), rapid.IntRange(0, 2))
	rapid.Check(t, func(t *rapid.T) {
		was, now := editions.Draw(t, "was"), editions.Draw(t, "now")
		order := rapid.Permutation(slices.Sorted(maps.Keys(now))).Draw(t, "order")
		c := exchange.NewLayerComparer("")
		c.Replaces(1)
		names := slices.Sorted(maps.Keys(was))
		for i, id := range names {
			require.NoError(t, c.Had(filed(valued(id, 1, was[id]), i+1)))
		}
		var want exchange.Changes
		for i, id := range order {
			number, err := c.Has(valued(id, 1, now[id]), i+1)
			require.NoError(t, err)
			before, had := was[id]
			switch {
			case !had:
				want.Added++
			case before != now[id]:
				want.Changed++
				require.Equal(t, id, names[number-1], "it is told which one it replaces")
				require.NoError(t, c.Differs(valued(id, 1, now[id]), filed(valued(id, 1, before), int(number))))
			default:
				want.Unchanged++
			}
		}
		for id := range was {
			if _, has := now[id]; !has {
				want.Removed++
			}
		}
		got, err := c.Changes(func(number int64) (survey.LayerFeature, error) {
			return filed(valued(names[number-1], 1, was[names[number-1]]), int(number)), nil
		})
		require.NoError(t, err)
		assert.Equal(t, []int{want.Added, want.Changed, want.Removed, want.Unchanged}, []int{got.Added, got.Changed, got.Removed, got.Unchanged})
		for _, one := range got.Listed {
			if one.Kind == exchange.Changed {
				assert.Equal(t, []string{"v"}, one.Fields)
			}
		}
	})
}

func TestCompareSeesPastTheWriting(t *testing.T) {
	c := exchange.NewLayerComparer("k")
	c.Replaces(1)
	require.NoError(t, c.Had(survey.LayerFeature{ID: "1", Geometry: orb.Point{1, 2}, Properties: json.RawMessage(`{"k":"x","n":1.50,"z":null}`)}))
	_, err := c.Has(survey.LayerFeature{ID: "77", Geometry: orb.Point{1, 2}, Properties: json.RawMessage(`{"n":15e-1,"k":"x"}`)}, 1)
	require.NoError(t, err)
	got, err := c.Changes(nil)
	require.NoError(t, err)
	assert.Equal(t, 1, got.Unchanged)
	assert.Equal(t, "the column k", got.By)
}

func TestNothingOnFile(t *testing.T) {
	c := exchange.NewLayerComparer("")
	for i := range 3 {
		_, err := c.Has(valued(strconv.Itoa(i), float64(i/2), 7), i+1)
		require.NoError(t, err)
	}
	got, err := c.Changes(nil)
	require.NoError(t, err)
	assert.Nil(t, got)
	some, all := c.Twice()
	assert.Equal(t, 1, all)
	assert.Equal(t, []int{2, 1}, []int{some[0].Record, some[0].OfRecord})
}

// Features that are the same in every respect are found by comparing each with
// each, whatever records between them were refused, alone and against an
// edition.
func TestTwiceLaw(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		values := rapid.SliceOfN(rapid.IntRange(0, 4), 1, 30).Draw(t, "values") // 0: refused
		want := [][2]int{}
		for i, v := range values {
			for j := range i {
				if v != 0 && values[j] == v {
					want = append(want, [2]int{i + 1, j + 1})
					break
				}
			}
		}
		for _, against := range []bool{false, true} {
			c := exchange.NewLayerComparer("")
			if against {
				c.Replaces(0)
			}
			for i, v := range values {
				if v != 0 {
					_, err := c.Has(valued("", 1, v), i+1)
					require.NoError(t, err)
				}
			}
			some, all := c.Twice()
			got := [][2]int{}
			for _, d := range some {
				got = append(got, [2]int{d.Record, d.OfRecord})
			}
			assert.Equal(t, want, got)
			assert.Equal(t, len(want), all)
		}
	})
}
