package server

import (
	"encoding/json"
	"fmt"
	"html/template"
	"maps"
	"net"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"holdfast/survey"
	"holdfast/survey/drawing"
	"holdfast/survey/secret"
	"holdfast/survey/sqlite"
)

const logShown = 50 // entries on a page

// personRow is a person with how they are in.
type personRow struct {
	survey.Person
	Keys int
	Used survey.Opt[time.Time] // last
}

// keyLine is a key with the name of whose it is.
type keyLine struct {
	survey.Key
	Who string
}

// logLine is an entry of the log in words.
type logLine struct {
	sqlite.Entry
	Words string
}

type peoplePage struct {
	Open     bool // there are no accounts
	CanMake  bool
	CanWrite bool
	People   []personRow
	Keys     []keyLine // devices, wall screens, tokens, links
	Form     personForm
	Made     *madeKey
	Wrong    map[string]string // with a wall screen
	Log      []logLine
	Older    string // address of older entries
}

// madeKey is shown once.
type madeKey struct {
	Key   survey.Key
	Who   string
	Link  string
	Code  template.HTML // of the link, to be scanned
	Near  bool          // the link leads to this machine only
	Token string
}

// linkSide is the width of a code on a page, quiet zone included, in
// millimetres: a phone reads it from a forearm's length.
const linkSide = 50

// madeLink is a link that was made just now, with its code. Neither is kept or
// logged: this answer is the only place where they are.
func (s *Server) madeLink(r *http.Request, k survey.Key, who, token string) (*madeKey, error) {
	path := "/link/"
	if k.Kind == survey.Station {
		path = "/station/"
	}
	made := &madeKey{Key: k, Who: who, Link: strings.TrimSuffix(s.addressOf(r), "/") + path + token}
	if at, err := url.Parse(made.Link); err == nil {
		ip := net.ParseIP(at.Hostname())
		made.Near = at.Hostname() == "localhost" || ip != nil && ip.IsLoopback()
	}
	var b strings.Builder
	code := drawing.Drawing{
		Size: drawing.Size{W: linkSide, H: linkSide}, Title: sayCodeToScan, Desc: sayCodeLeads,
		Marks: drawing.CodeMarks(made.Link, drawing.Box{X1: linkSide, Y1: linkSide}),
	}
	if code.Marks == nil { // longer than a code holds: the link is there
		return made, nil
	}
	err := code.SVG(&b, "made-code")
	made.Code = template.HTML(b.String()) // escaped by SVG
	return made, err
}

// handlePeople is the room of accounts, devices and the log.
//
// GET /people?before=
func (s *Server) handlePeople(w http.ResponseWriter, r *http.Request) {
	q, err := query(r, "before")
	var before int64
	if err == nil && q.Has("before") {
		if before, err = strconv.ParseInt(q.Get("before"), 10, 64); err != nil || before < 1 {
			err = badParameter("before", sayNoEntry, q.Get("before"))
		}
	}
	if err != nil {
		s.fail(w, r, err)
		return
	}
	s.peoplePage(w, r, http.StatusOK, peoplePage{Form: newPersonForm()}, before)
}

func (s *Server) peoplePage(w http.ResponseWriter, r *http.Request, code int, p peoplePage, before int64) {
	ctx := r.Context()
	v := visitorOf(ctx)
	p.Open, p.CanMake, p.CanWrite = v.open, s.code != "", v.leave.Has(self) && !s.store.ReadOnly()
	people, err := s.store.People(ctx)
	var keys []survey.Key
	if err == nil {
		keys, err = s.store.Keys(ctx, "")
	}
	var log []sqlite.Entry
	if err == nil {
		log, err = s.store.Audit(ctx, before, logShown)
	}
	if err != nil {
		s.fail(w, r, err)
		return
	}
	names := map[string]string{}
	for _, one := range people {
		row := personRow{Person: one}
		names[one.ID] = one.Name
		for _, k := range keys {
			if k.Person != one.ID {
				continue
			}
			row.Keys++
			if at, known := k.UsedAt.Get(); known {
				if last, any := row.Used.Get(); !any || at.After(last) {
					row.Used = k.UsedAt
				}
			}
		}
		p.People = append(p.People, row)
	}
	for _, k := range keys {
		if k.Kind != survey.Session {
			p.Keys = append(p.Keys, keyLine{k, names[k.Person]})
		}
	}
	for _, e := range log {
		p.Log = append(p.Log, logLine{e, detailWords(e.Detail)})
	}
	if len(log) == logShown && log[logShown-1].Number > 1 {
		p.Older = fmt.Sprintf("/people?before=%d#log", log[logShown-1].Number)
	}
	w.Header().Set("Cache-Control", "no-store")
	s.render(w, r, code, "people", page{Title: "People", Room: "people", Body: p})
}

// detailWords writes the detail of an entry as people read it.
func detailWords(detail json.RawMessage) string {
	var members map[string]any
	if json.Unmarshal(detail, &members) != nil {
		return ""
	}
	var out []string
	for _, name := range slices.Sorted(maps.Keys(members)) {
		if members[name] == false {
			continue
		}
		text := fmt.Sprint(members[name])
		if list, ok := members[name].([]any); ok {
			words := make([]string, len(list))
			for i, one := range list {
				words[i] = fmt.Sprint(one)
			}
			text = strings.Join(words, ", ")
		}
		if words := strings.ReplaceAll(name, "_", " "); members[name] == true {
			out = append(out, words)
		} else {
			out = append(out, words+" "+text)
		}
	}
	return strings.Join(out, "; ")
}

// handleAddPerson makes an account.
//
// POST /people
func (s *Server) handleAddPerson(w http.ResponseWriter, r *http.Request) {
	if err := form(w, r); err != nil {
		s.fail(w, r, err)
		return
	}
	f := readPersonForm(r)
	p, err := s.make(r, f, s.store.AddPerson, author(r))
	if f.wrong(err) {
		s.peoplePage(w, r, http.StatusBadRequest, peoplePage{Form: f}, 0)
		return
	}
	if err != nil {
		s.fail(w, r, err)
		return
	}
	http.Redirect(w, r, "/people/"+p.ID, http.StatusSeeOther)
}

// handleAddStation makes a link for a wall screen.
//
// POST /people/stations
func (s *Server) handleAddStation(w http.ResponseWriter, r *http.Request) {
	k, token, err := s.makeKey(w, r, visitorOf(r.Context()).person, survey.Key{Kind: survey.Station, Role: survey.Viewer, ReadOnly: true})
	if wrong := wrongFields(err); wrong != nil {
		s.peoplePage(w, r, http.StatusBadRequest, peoplePage{Form: newPersonForm(), Wrong: wrong}, 0)
		return
	}
	var made *madeKey
	if err == nil {
		made, err = s.madeLink(r, k, "", token)
	}
	if err != nil {
		s.fail(w, r, err)
		return
	}
	s.peoplePage(w, r, http.StatusOK, peoplePage{Form: newPersonForm(), Made: made}, 0)
}

// handleEndKey ends anybody's key.
//
// POST /people/keys/{key}/end
func (s *Server) handleEndKey(w http.ResponseWriter, r *http.Request) {
	s.endKey(w, r, "", "/people")
}

func (s *Server) endKey(w http.ResponseWriter, r *http.Request, person, back string) {
	if err := s.store.RemoveKey(r.Context(), pathPart(r, "key"), person, author(r)); err != nil {
		s.fail(w, r, err)
		return
	}
	http.Redirect(w, r, back, http.StatusSeeOther)
}

const daysUsual = 90

// makeKey makes a key of the kind with the name and the days that a form
// gives, and returns what proves it, which is shown once and stored nowhere.
func (s *Server) makeKey(w http.ResponseWriter, r *http.Request, p survey.Person, k survey.Key) (survey.Key, string, error) {
	if r.PostForm == nil {
		if err := form(w, r); err != nil {
			return k, "", err
		}
	}
	now := s.now().UTC()
	days := daysUsual
	if text := strings.TrimSpace(r.PostFormValue("days")); text != "" {
		n, err := strconv.ParseUint(text, 10, 16)
		if err != nil {
			return k, "", survey.Invalid("/days", sayNoDays, text)
		}
		days = int(n)
	}
	k.Person, k.Name, k.Expires = p.ID, strings.Join(strings.Fields(r.PostFormValue("name")), " "), now.AddDate(0, 0, days)
	if err := k.Check(p, now); err != nil {
		return k, "", err
	}
	if k.Kind == survey.Link {
		k.Days, k.Expires = days, now.Add(survey.LinkLast)
	}
	token := secret.NewToken(tokenPrefix[k.Kind])
	k, err := s.store.AddKey(r.Context(), k, secret.Digest(token), author(r))
	return k, token, err
}

// tokenPrefix is what a token begins with, so that one in the wrong place is
// seen to be one.
var tokenPrefix = map[survey.KeyKind]string{survey.Token: "holdfast_"}
