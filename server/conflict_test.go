package server_test

import (
	"net/http"
	"net/url"
	"strconv"
	"testing"
	"time"

	"github.com/paulmach/orb"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"holdfast/survey"
	"holdfast/survey/sqlite"
)

// TestSettleTakesLeave: choosing between versions does no more for anybody than
// they could write, take out or sign themselves.
func TestSettleTakesLeave(t *testing.T) {
	draft := survey.Review{State: survey.Draft, By: "R. Vale", At: survey.Known(now)}
	edit := func(change func(*survey.Site)) func(*sqlite.Store) {
		return func(s *sqlite.Store) {
			row, err := s.Site(t.Context(), "s-alder")
			require.NoError(t, err)
			change(&row.Item)
			_, err = s.PutSite(t.Context(), row.Item, author, survey.Known(row.Revision))
			require.NoError(t, err)
		}
	}
	signed := draft
	signed.State, signed.Due = survey.Signed, survey.Known(now.Add(24*time.Hour))
	for _, c := range []struct {
		name, at    string
		here, there func(*sqlite.Store)
		surveyor    bool
		needs       string // leave that the page names
		says        string // to a surveyor who sends it nevertheless
	}{
		{
			"a field", "/sites/s-alder", edit(func(s *survey.Site) { s.Access = "By the lane." }), edit(func(s *survey.Site) { s.Access = "By the towpath." }),
			true, "", "",
		},
		{
			"a review", "/sites/s-alder", edit(func(s *survey.Site) { s.Review = signed }), edit(func(s *survey.Site) { s.Review = draft }),
			false, "sign sites off", "sign sites off",
		},
		{
			"a point taken out", "/points/p-weak", func(s *sqlite.Store) {
				require.NoError(t, s.DeletePoint(t.Context(), "p-weak", author, survey.Opt[int64]{}))
			},
			func(s *sqlite.Store) {
				row, err := s.Point(t.Context(), "p-weak")
				require.NoError(t, err)
				row.Item.SurveyedBy = "river crew"
				_, err = s.PutPoint(t.Context(), row.Item, author, survey.Known(row.Revision))
				require.NoError(t, err)
			},
			false, "take sites and points out", "take sites and points out",
		},
	} {
		t.Run(c.name, func(t *testing.T) {
			d := newDepartment(t)
			apart(t, d.store, c.here, c.there)
			collection, id := sqlite.Sites, "s-alder"
			if c.at == "/points/p-weak" {
				collection, id = sqlite.Points, "p-weak"
			}
			open, err := d.store.ConflictsOf(t.Context(), collection, id)
			require.NoError(t, err)
			require.Len(t, open, 1)
			form := url.Values{"seen": {strconv.FormatInt(open[0].Revision, 10)}}
			none := send(t, d, c.at+"/conflicts", form, d.key(t, "surveyor"))
			assert.Equal(t, http.StatusBadRequest, none.StatusCode, "choosing nothing settles nothing")
			assert.Contains(t, bodyOf(t, none), "nothing is chosen for")
			form.Set("choose:"+open[0].Path, open[0].Sides[1].Of)

			page := bodyOf(t, call(t, d, http.MethodGet, c.at, "", d.key(t, "surveyor"), "Accept: text/html"))
			assert.Contains(t, page, "Two stations recorded this differently")
			if c.surveyor {
				assert.Contains(t, page, `name="choose:`)
			} else {
				assert.NotContains(t, page, `name="choose:`)
				assert.Contains(t, page, c.needs)
				assert.Contains(t, page, "which the role lead has")
				res := send(t, d, c.at+"/conflicts", form, d.key(t, "surveyor"))
				assert.Equal(t, http.StatusForbidden, res.StatusCode)
				assert.Contains(t, bodyOf(t, res), c.says)
			}
			left, err := d.store.ConflictsOf(t.Context(), collection, id)
			require.NoError(t, err)
			assert.Equal(t, open, left, "nothing is settled yet")

			who := "lead"
			if c.surveyor {
				who = "surveyor"
			}
			assert.Contains(t, bodyOf(t, call(t, d, http.MethodGet, c.at, "", d.key(t, who), "Accept: text/html")), `name="choose:`)
			res := send(t, d, c.at+"/conflicts", form, d.key(t, who))
			assert.Equal(t, http.StatusSeeOther, res.StatusCode, bodyOf(t, res))
			left, err = d.store.ConflictsOf(t.Context(), collection, id)
			require.NoError(t, err)
			assert.Empty(t, left)
		})
	}
}

// TestImportSignsNothing: whoever brings sites in without leave to sign leaves
// signatures as they are, also where somebody with leave looked at the file.
func TestImportSignsNothing(t *testing.T) {
	for _, looker := range []string{"importer", "head"} {
		t.Run(looker, func(t *testing.T) {
			d := newDepartment(t)
			t.Cleanup(func() { require.NoError(t, d.Close()) })
			for name, roles := range map[string][]survey.PersonRole{"importer": {survey.GIS, survey.Surveyor}, "head": {survey.GIS, survey.Lead}} {
				p, err := d.store.AddPerson(t.Context(), survey.Person{Name: "An " + name, Roles: roles}, "", author)
				require.NoError(t, err)
				d.people[name] = p
			}
			is := func(who string) http.Handler {
				key := d.key(t, who)
				return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
					r.Header.Set("Cookie", key[len("Cookie: "):])
					d.ServeHTTP(w, r)
				})
			}
			file := bring(t, is(looker), "sites.geojson", `{"type":"FeatureCollection","features":[
				{"type":"Feature","id":"s-cutting","geometry":{"type":"Point","coordinates":[-91.1985,44.6547]},"properties":{"name":"Quarry Road","code":"QR-2","review":{"state":"signed","by":"R. Vale","at":"2026-05-01T08:00:00Z","due":"2027-05-01T00:00:00Z"}}},
				{"type":"Feature","id":"s-new","geometry":{"type":"Point","coordinates":[-91.19,44.65]},"properties":{"name":"Weir","code":"WR-1","review":{"state":"signed","by":"R. Vale","at":"2026-05-01T08:00:00Z","due":"2027-05-01T00:00:00Z"}}}]}`)
			form := []string{"as", "sites"}
			for i := range 10 { // columns, called as ours are
				form = append(form, "col"+strconv.Itoa(i), "=")
			}
			require.Equal(t, http.StatusSeeOther, fillIn(t, is(looker), file+"/look", form...).StatusCode)
			ended(t, is(looker), file)
			require.Equal(t, http.StatusSeeOther, fillIn(t, is("importer"), file+"/take").StatusCode)
			assert.Contains(t, ended(t, is("importer"), file), "the reviews of 2 sites were left out")
			for _, id := range []string{"s-cutting", "s-new"} {
				row, err := d.store.Site(t.Context(), id)
				require.NoError(t, err)
				assert.Zero(t, row.Item.Review, id)
			}
			row, err := d.store.Site(t.Context(), "s-cutting")
			require.NoError(t, err)
			assert.Equal(t, "Quarry Road", row.Item.Name, "the rest came in")
		})
	}
}

// TestSharedCode: two stations gave two sites one code, which is said wherever
// it misleads, with a way to both.
func TestSharedCode(t *testing.T) {
	h, store := fixture(t)
	page := func(path string) string {
		res := call(t, h, http.MethodGet, path, "", "Accept: text/html")
		require.Equal(t, http.StatusOK, res.StatusCode, path)
		return bodyOf(t, res)
	}
	assert.NotContains(t, page("/upkeep"), "shared")
	weir := func(id, name string) func(*sqlite.Store) {
		return func(s *sqlite.Store) {
			_, err := s.PutSite(t.Context(), survey.Site{ID: id, Name: name, Code: "WR-1", Geometry: orb.Point{-91.19, 44.65}}, author, survey.Opt[int64]{})
			require.NoError(t, err)
		}
	}
	apart(t, store, weir("s-north", "North weir"), weir("s-south", "South weir"))
	upkeep := page("/upkeep")
	assert.Contains(t, section(t, upkeep, "shared"), `<span class="code">WR-1</span> is the code of <a href="/sites/s-north">North weir</a> and <a href="/sites/s-south">South weir</a>.`)
	assert.NotContains(t, upkeep, "recorded differently")
	assert.Contains(t, page("/sites/s-north"), "<li>South weir (s-south) has the code WR-1 too")
	assert.Contains(t, page("/sites/s-south"), "<li>North weir (s-north) has the code WR-1 too")
	assert.NotContains(t, page("/sites/s-alder"), "WR-1")
	assert.Contains(t, page("/sites/s-north/sheet"), "CODE NOT UNIQUE: WR-1 is also the code of South weir.")
}
