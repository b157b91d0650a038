package survey_test

import (
	"errors"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"pgregory.net/rapid"

	"holdfast/survey"
)

// TestLeastPrivilege is the table of the README, every cell.
func TestLeastPrivilege(t *testing.T) {
	leaves := []survey.Leave{survey.Look, survey.Contacts, survey.Record, survey.Remove, survey.Load, survey.Rate, survey.SignOff, survey.Keep}
	for role, row := range map[survey.PersonRole]string{
		//                 look contacts record remove load rate sign keep
		survey.Viewer:   "x.......",
		survey.Surveyor: "xxx.....",
		survey.GIS:      "x...x...",
		survey.Lead:     "xxxx.xx.",
		survey.Admin:    "x......x",
		"":              "........",
		"nobody":        "........",
		"Admin":         "........",
	} {
		for i, l := range leaves {
			assert.Equal(t, row[i] == 'x', role.Leave().Has(l), "%s may %s", role, l)
		}
		assert.Zero(t, role.Leave()&^survey.EveryLeave)
	}
	assert.Len(t, survey.PersonRoles, 5)
	assert.Equal(t, []survey.PersonRole{survey.Lead}, survey.SignOff.Who())
	assert.Equal(t, []survey.PersonRole{survey.Surveyor, survey.Lead}, survey.Record.Who())
}

// TestWhoWritesSeesContacts: else what is hidden from them would be written
// back as hidden.
func TestWhoWritesSeesContacts(t *testing.T) {
	for _, r := range survey.PersonRoles {
		for _, writes := range []survey.Leave{survey.Record, survey.SignOff} {
			if r.Leave().Has(writes) {
				assert.True(t, r.Leave().Has(survey.Contacts), r)
			}
		}
	}
}

func TestLeaveInWords(t *testing.T) {
	assert.Equal(t, "nothing", survey.Leave(0).String())
	assert.Equal(t, "read the atlas, sign sites off", (survey.Look | survey.SignOff).String())
	assert.Equal(t, 7, strings.Count(survey.EveryLeave.String(), ", "), "every leave has its words")
	assert.Equal(t, survey.Look|survey.Contacts, survey.EveryLeave.ReadOnly())
}

func TestPersonIsValid(t *testing.T) {
	one := []survey.PersonRole{survey.Viewer}
	for _, c := range []struct {
		name  string
		roles []survey.PersonRole
		says  string
	}{
		{"J. Alder", one, ""},
		{"Łucja Żak-Müller", one, ""},
		{"Engine 4 tablet", one, ""},
		{"", one, "/name"},
		{"  ", one, "/name"},
		{" J. Alder", one, "/name"},
		{"J.  Alder", one, "/name"},
		{"J.\u0007Alder", one, "/name"},
		{"not signed in", one, "the atlas itself"},
		{"Holdfast", one, "the atlas itself"},
		{strings.Repeat("x", 81), one, "/name"},
		{"J. Alder", nil, "/roles"},
		{"J. Alder", []survey.PersonRole{"chief"}, "/roles/0"},
		{"J. Alder", []survey.PersonRole{survey.Lead, survey.Lead}, "/roles/1"},
	} {
		err := survey.Person{Name: c.name, Roles: c.roles}.Validate()
		if c.says == "" {
			assert.NoError(t, err, c.name)
		} else if assert.ErrorIs(t, err, survey.ErrInvalid, c.name) {
			assert.Contains(t, err.Error(), c.says, c.name)
		}
	}
}

func TestClosedAccountsMayNothing(t *testing.T) {
	p := survey.Person{Name: "J. Alder", Roles: survey.PersonRoles, Contacts: true}
	assert.Equal(t, survey.EveryLeave, p.Leave())
	p.Closed = survey.Known(time.Now())
	assert.Zero(t, p.Leave())
	assert.Zero(t, survey.Key{Kind: survey.Token, Role: survey.Viewer}.Leave(p))
	assert.Zero(t, survey.Person{Contacts: true}.Leave(), "the leave to see contacts is nothing without that to look")
	assert.Equal(t, survey.Look|survey.Contacts, survey.Person{Roles: []survey.PersonRole{survey.Viewer}, Contacts: true}.Leave())
}

var (
	anyPerson = rapid.Custom(func(t *rapid.T) survey.Person {
		return survey.Person{
			Name: "J. Alder", Contacts: rapid.Bool().Draw(t, "contacts"),
			Roles: rapid.SliceOfNDistinct(rapid.SampledFrom(survey.PersonRoles), 1, 5, rapid.ID[survey.PersonRole]).Draw(t, "roles"),
		}
	})
	anyKey = rapid.Custom(func(t *rapid.T) survey.Key {
		return survey.Key{
			Kind: rapid.SampledFrom(survey.KeyKinds).Draw(t, "kind"), Name: "tablet",
			Role: rapid.SampledFrom(append([]survey.PersonRole{""}, survey.PersonRoles...)).Draw(t, "role"), ReadOnly: rapid.Bool().Draw(t, "read only"),
		}
	})
)

// TestNoKeyIsMoreThanItsPerson, whatever either is.
func TestNoKeyIsMoreThanItsPerson(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		p, k := anyPerson.Draw(t, "person"), anyKey.Draw(t, "key")
		got := k.Leave(p)
		if !p.Leave().Has(got) {
			t.Fatalf("%v of %v may %s", k, p, got&^p.Leave())
		}
		if k.ReadOnly && got&^(survey.Look|survey.Contacts) != 0 {
			t.Fatalf("a key that only reads may %s", got)
		}
		now := time.Date(2026, 5, 4, 8, 0, 0, 0, time.UTC)
		k.Expires = now.Add(time.Hour)
		if k.Check(p, now) == nil && k.Role != "" && !k.ReadOnly && got != k.Role.Leave() {
			t.Fatalf("a %s key that could be made may %s only", k.Role, got)
		}
	})
}

func TestKeysRunOut(t *testing.T) {
	now := time.Date(2026, 5, 4, 8, 0, 0, 0, time.UTC)
	session := survey.Key{Kind: survey.Session, Name: "browser", MadeAt: now, Expires: now.Add(survey.SessionLast)}
	assert.True(t, session.Live(now.Add(survey.SessionIdle-time.Second)))
	assert.False(t, session.Live(now.Add(survey.SessionIdle)), "idle since it was made")
	session.UsedAt = survey.Known(now.Add(survey.SessionIdle))
	assert.True(t, session.Live(now.Add(2*survey.SessionIdle-time.Second)))
	session.UsedAt = survey.Known(now.Add(survey.SessionLast - time.Second))
	assert.False(t, session.Live(now.Add(survey.SessionLast)), "in use, yet over")
	device := survey.Key{Kind: survey.Device, MadeAt: now, Expires: now.AddDate(0, 0, 90)}
	assert.True(t, device.Live(now.AddDate(0, 0, 89)))
	assert.False(t, device.Live(now.AddDate(0, 0, 90)))
}

func TestWhichKeysMayBeMade(t *testing.T) {
	now := time.Date(2026, 5, 4, 8, 0, 0, 0, time.UTC)
	gis := survey.Person{Name: "M. Reed", Roles: []survey.PersonRole{survey.GIS}}
	good := survey.Key{Kind: survey.Token, Name: "county server", Role: survey.GIS, Expires: now.AddDate(0, 0, 90)}
	for name, c := range map[string]struct {
		change func(*survey.Key, *survey.Person)
		says   string
	}{
		"as it is":            {func(*survey.Key, *survey.Person) {}, ""},
		"the least":           {func(k *survey.Key, _ *survey.Person) { k.Role = survey.Viewer }, ""},
		"more than its owner": {func(k *survey.Key, _ *survey.Person) { k.Role = survey.Surveyor }, "record sites and points"},
		"no role":             {func(k *survey.Key, _ *survey.Person) { k.Role = "" }, "/role"},
		"no such role":        {func(k *survey.Key, _ *survey.Person) { k.Role = "chief" }, "/role"},
		"no name":             {func(k *survey.Key, _ *survey.Person) { k.Name = "" }, "/name"},
		"over already":        {func(k *survey.Key, _ *survey.Person) { k.Expires = now }, "/days"},
		"for ever":            {func(k *survey.Key, _ *survey.Person) { k.Expires = now.Add(survey.KeyLongest + 1) }, "/days"},
		"closed":              {func(_ *survey.Key, p *survey.Person) { p.Closed = survey.Known(now) }, "/person"},
	} {
		k, p := good, gis
		c.change(&k, &p)
		err := k.Check(p, now)
		if c.says == "" {
			assert.NoError(t, err, name)
		} else if assert.True(t, errors.Is(err, survey.ErrInvalid), name) {
			assert.Contains(t, err.Error(), c.says, name)
		}
	}
}
