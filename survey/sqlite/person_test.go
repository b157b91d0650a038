package sqlite_test

import (
	"errors"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"holdfast/survey"
	"holdfast/survey/secret"
	"holdfast/survey/sqlite"
)

const hashed = "$argon2id$v=19$m=64,t=1,p=1$c2FsdHNhbHQ$c2FsdHNhbHRzYWx0c2FsdA"

func admin(t testing.TB, s *sqlite.Store) survey.Person {
	t.Helper()
	p, err := s.AddFirstPerson(t.Context(), survey.Person{Name: "A. Keeper", Roles: []survey.PersonRole{survey.Admin}}, hashed, officer)
	require.NoError(t, err)
	return p
}

func person(t testing.TB, s *sqlite.Store, name string, roles ...survey.PersonRole) survey.Person {
	t.Helper()
	p, err := s.AddPerson(t.Context(), survey.Person{Name: name, Roles: roles}, hashed, officer)
	require.NoError(t, err)
	return p
}

// TestOneIsFirst: of many that make the first account at once, over two
// programs with the same file, one gets it.
func TestOneIsFirst(t *testing.T) {
	path := filepath.Join(t.TempDir(), "atlas.db")
	stores := []*sqlite.Store{open(t, path, sqlite.Options{Create: true}), open(t, path, sqlite.Options{})}
	var made, refused atomic.Int32
	var wait sync.WaitGroup
	for i := range 16 {
		wait.Go(func() {
			name := "Keeper " + string(rune('A'+i))
			_, err := stores[i%2].AddFirstPerson(t.Context(), survey.Person{Name: name, Roles: []survey.PersonRole{survey.Admin}}, hashed, officer)
			switch {
			case err == nil:
				made.Add(1)
			case errors.Is(err, survey.ErrConflict):
				refused.Add(1)
			default:
				t.Error(err)
			}
		})
	}
	wait.Wait()
	assert.EqualValues(t, 1, made.Load())
	assert.EqualValues(t, 15, refused.Load())
	people, err := stores[0].People(t.Context())
	require.NoError(t, err)
	assert.Len(t, people, 1)
}

func TestPeople(t *testing.T) {
	s := newAtlas(t)
	ctx := t.Context()
	some, err := s.HasPeople(ctx)
	require.NoError(t, err)
	assert.False(t, some)

	_, err = s.AddPerson(ctx, survey.Person{Name: "L. Reed", Roles: []survey.PersonRole{survey.Lead}}, hashed, officer)
	assert.ErrorIs(t, err, survey.ErrConflict, "somebody must be able to keep accounts")
	_, err = s.AddPerson(ctx, survey.Person{Name: "L. Reed", Roles: []survey.PersonRole{survey.Admin}}, "", officer)
	assert.ErrorIs(t, err, survey.ErrConflict, "who cannot sign in cannot keep accounts")
	keeper := admin(t, s)
	reed := person(t, s, "Łucja Reed", survey.Surveyor, survey.GIS)
	some, err = s.HasPeople(ctx)
	require.NoError(t, err)
	assert.True(t, some)

	for _, name := range []string{"łucja reed", "ŁUCJA REED", reed.ID} {
		got, hash, err := s.Person(ctx, name)
		require.NoError(t, err, name)
		assert.Equal(t, reed, got)
		assert.Equal(t, hashed, hash)
	}
	_, err = s.AddPerson(ctx, survey.Person{Name: "ŁUCJA Reed", Roles: []survey.PersonRole{survey.Viewer}}, hashed, officer)
	assert.ErrorIs(t, err, survey.ErrConflict)
	_, err = s.AddPerson(ctx, survey.Person{Name: "X", Roles: []survey.PersonRole{"chief"}}, hashed, officer)
	assert.ErrorIs(t, err, survey.ErrInvalid)

	keeper.Roles = []survey.PersonRole{survey.Viewer}
	assert.ErrorIs(t, s.ChangePerson(ctx, keeper, officer), survey.ErrConflict, "the last admin stays one")
	keeper.Roles, keeper.Closed = []survey.PersonRole{survey.Admin}, survey.Known(noon)
	assert.ErrorIs(t, s.ChangePerson(ctx, keeper, officer), survey.ErrConflict, "and stays open")

	reed.Roles = []survey.PersonRole{survey.Admin}
	require.NoError(t, s.ChangePerson(ctx, reed, officer))
	require.NoError(t, s.ChangePerson(ctx, keeper, officer), "now there is another")
	people, err := s.People(ctx)
	require.NoError(t, err)
	assert.Equal(t, []survey.Person{keeper, reed}, people)
	assert.Zero(t, people[0].Leave())
	assert.ErrorIs(t, s.ChangePerson(ctx, survey.Person{ID: "x", Name: "X", Roles: []survey.PersonRole{survey.Viewer}}, officer), survey.ErrNotFound)
	assert.ErrorIs(t, s.SetPassword(ctx, "x", hashed, "", officer), survey.ErrNotFound)
}

func key(p survey.Person, kind survey.KeyKind, name string) survey.Key {
	k := survey.Key{Kind: kind, Person: p.ID, Name: name, Expires: noon.Add(48 * time.Hour)}
	if kind != survey.Session {
		k.Role = survey.Viewer
	}
	k.ReadOnly = kind == survey.Station
	return k
}

func TestKeys(t *testing.T) {
	clock := noon
	path := filepath.Join(t.TempDir(), "atlas.db")
	s := open(t, path, sqlite.Options{Create: true, Now: func() time.Time { return clock }})
	ctx := t.Context()
	keeper := admin(t, s)
	reed := person(t, s, "L. Reed", survey.Surveyor)
	tokens := map[survey.KeyKind]string{}
	for _, kind := range []survey.KeyKind{survey.Session, survey.Device, survey.Station, survey.Token} {
		tokens[kind] = secret.NewToken("")
		made, err := s.AddKey(ctx, key(reed, kind, "my "+string(kind)), secret.Digest(tokens[kind]), officer)
		require.NoError(t, err)
		got, owner, err := s.Key(ctx, secret.Digest(tokens[kind]))
		require.NoError(t, err)
		assert.Equal(t, made, got, "not used before")
		assert.Equal(t, reed, owner)
	}
	list, err := s.Keys(ctx, reed.ID)
	require.NoError(t, err)
	require.Len(t, list, 4)
	assert.Equal(t, survey.Known(noon), list[0].UsedAt)
	none, err := s.Keys(ctx, keeper.ID)
	require.NoError(t, err)
	assert.Empty(t, none)

	clock = noon.Add(survey.SessionIdle)
	_, _, err = s.Key(ctx, secret.Digest(tokens[survey.Session]))
	assert.ErrorIs(t, err, survey.ErrNotFound, "a session ends when it has been idle")
	_, _, err = s.Key(ctx, secret.Digest(tokens[survey.Device]))
	assert.NoError(t, err, "a device may lie in its truck")
	clock = noon.Add(48 * time.Hour)
	for kind, token := range tokens {
		_, _, err = s.Key(ctx, secret.Digest(token))
		assert.ErrorIs(t, err, survey.ErrNotFound, "%s has run out", kind)
	}
	clock = noon

	assert.ErrorIs(t, s.RemoveKey(ctx, list[0].ID, keeper.ID, officer), survey.ErrNotFound, "it is not theirs")
	require.NoError(t, s.RemoveKey(ctx, list[0].ID, reed.ID, officer))
	require.NoError(t, s.SetPassword(ctx, reed.ID, hashed, "", officer))
	_, _, err = s.Key(ctx, secret.Digest(tokens[survey.Session]))
	assert.ErrorIs(t, err, survey.ErrNotFound, "a new password ends sessions")
	_, _, err = s.Key(ctx, secret.Digest(tokens[survey.Device]))
	require.NoError(t, err)
	require.NoError(t, s.RemoveKeys(ctx, reed.ID, officer))
	list, err = s.Keys(ctx, "")
	require.NoError(t, err)
	assert.Empty(t, list)

	_, err = s.AddKey(ctx, key(reed, survey.Device, "tablet"), secret.Digest("d"), officer)
	require.NoError(t, err)
	reed.Closed = survey.Known(noon)
	require.NoError(t, s.ChangePerson(ctx, reed, officer))
	_, _, err = s.Key(ctx, secret.Digest("d"))
	assert.ErrorIs(t, err, survey.ErrNotFound, "a closed account lets nothing in")

	// What was handed out is nowhere in the files, its log included.
	files, err := filepath.Glob(path + "*")
	require.NoError(t, err)
	for _, f := range files {
		b, err := os.ReadFile(f)
		require.NoError(t, err)
		for _, token := range tokens {
			assert.False(t, strings.Contains(string(b), token), f)
		}
	}
}

// TestALinkIsUsedOnce, whoever is quickest.
func TestALinkIsUsedOnce(t *testing.T) {
	s := newAtlas(t)
	ctx := t.Context()
	reed := func() survey.Person { admin(t, s); return person(t, s, "L. Reed", survey.Surveyor) }()
	k := key(reed, survey.Link, "tablet 3")
	k.Role, k.Days = survey.Surveyor, 30
	_, err := s.AddKey(ctx, k, secret.Digest("link"), officer)
	require.NoError(t, err)
	var used atomic.Int32
	var wait sync.WaitGroup
	for i := range 8 {
		wait.Go(func() {
			got, err := s.TradeLink(ctx, secret.Digest("link"), secret.Digest("device"+string(rune('0'+i))), officer)
			if err == nil {
				used.Add(1)
				assert.Equal(t, survey.Device, got.Kind)
				assert.Equal(t, noon.AddDate(0, 0, 30), got.Expires)
				assert.Equal(t, "tablet 3", got.Name)
				return
			}
			assert.ErrorIs(t, err, survey.ErrNotFound)
		})
	}
	wait.Wait()
	assert.EqualValues(t, 1, used.Load())
	_, err = s.TradeLink(ctx, secret.Digest("device0"), secret.Digest("another"), officer)
	assert.ErrorIs(t, err, survey.ErrNotFound, "a device is no link")
}

// TestTheLogTellsOfAccounts without what they are proved with.
func TestTheLogTellsOfAccounts(t *testing.T) {
	s := newAtlas(t)
	ctx := t.Context()
	admin(t, s)
	reed := person(t, s, "L. Reed", survey.Surveyor)
	revision, err := s.Revision(ctx)
	require.NoError(t, err)
	require.NoError(t, s.SetPassword(ctx, reed.ID, hashed, "", officer))
	k, err := s.AddKey(ctx, key(reed, survey.Token, "county GIS"), secret.Digest("t"), officer)
	require.NoError(t, err)
	require.NoError(t, s.RemoveKey(ctx, k.ID, "", officer))
	reed.Closed = survey.Known(noon)
	require.NoError(t, s.ChangePerson(ctx, reed, officer))
	log, err := s.Audit(ctx, 0, 6)
	require.NoError(t, err)
	var told []string
	for _, e := range log {
		told = append(told, e.Event)
		assert.Equal(t, officer.Who, e.Who)
		assert.NotContains(t, string(e.Detail), "argon2id")
	}
	assert.Equal(t, []string{"change account", "end key", "make token", "set password", "make account", "make first account"}, told)
	assert.JSONEq(t, `{"kind": "token", "name": "county GIS", "person": "L. Reed", "role": "viewer"}`, string(log[2].Detail))
	now, err := s.Revision(ctx)
	require.NoError(t, err)
	assert.Equal(t, revision, now, "accounts are no revisions of the survey")
}
