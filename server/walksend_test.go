package server_test

import (
	"fmt"
	"path/filepath"
	"testing"

	"github.com/chromedp/cdproto/browser"
	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"holdfast/geo"
	"holdfast/survey"
	"holdfast/survey/sqlite"
)

// queue puts the survey on screen into the outbox.
func (b *tab) queue(t *testing.T) {
	t.Helper()
	eval[string](t, b, `location.hash = location.hash.replace(/^#(\w+)\/([^/]+).*/, '#end/$2')`)
	b.press(t, "Put it in the outbox")
}

// TestWalkSendsOnce: an answer that is lost, a page that is reloaded while it
// sends over a slow network, and a double tap leave one point with one revision.
func TestWalkSendsOnce(t *testing.T) {
	b, l, store := onFoot(t)
	b.open(t, "/walk")
	b.until(t, walkReady)
	b.settled(t, "F2")
	id := b.inHand(t)
	l.lose.Store(100) // a browser may try again by itself where a connection breaks
	b.queue(t)
	b.until(t, `document.querySelector('#state-net').textContent.startsWith('No network') && document.querySelector('[data-state="waiting"]')`)
	require.GreaterOrEqual(t, l.puts.Load(), int64(1))
	_, err := store.Point(t.Context(), id)
	require.NoError(t, err, "it arrived; only its answer was lost")
	l.slow.Store(700)
	l.lose.Store(0)
	eval[bool](t, b, `document.querySelector('#send').click(), document.querySelector('#send').click(), true`)
	b.open(t, "/walk#outbox")
	b.do(t, chromedp.Reload())
	b.until(t, `document.querySelector('[data-state="sent"]')`)
	l.slow.Store(0)
	past, err := store.History(t.Context(), sqlite.Points, id)
	require.NoError(t, err)
	assert.Len(t, past, 1)
	assert.GreaterOrEqual(t, l.puts.Load(), int64(2))
	assert.Equal(t, "0", eval[string](t, b, `document.querySelector('#state-outbox').dataset.unsent`))
}

// TestWalkTwoDevices edits one point on two devices: the second to send is
// shown both versions, chooses, and nothing is lost.
func TestWalkTwoDevices(t *testing.T) {
	first, l, store := onFoot(t)
	second := newTab(t, first.origin)
	second.do(t, chromedp.EmulateViewport(360, 740))
	for _, d := range []*tab{first, second} {
		d.open(t, "/walk")
		d.until(t, walkReady)
		d.press(t, "Survey a point again")
		d.press(t, "Alder Bend, A2")
		d.until(t, `location.hash === '#list/p-weak'`)
	}
	for i, d := range []*tab{first, second} {
		d.question(t, "slope")
		d.write(t, "#number", fmt.Sprint(40+i))
		if i == 0 {
			d.question(t, "height")
			d.write(t, "#number", "30")
			d.says(t, "30 ft = 9.14 m")
		} else {
			d.question(t, "overhead")
			d.choose(t, "Don’t know")
		}
		d.queue(t)
		if i == 0 {
			d.until(t, `document.querySelector('[data-id="p-weak"]')?.dataset.state === 'sent'`)
		}
	}
	second.until(t, `document.querySelector('[data-id="p-weak"]')?.dataset.state === 'conflict'`)
	second.press(t, "Choose")
	second.says(t, "Two versions of A2")
	second.shoot(t, "walk-settle")
	second.press(t, "Send what I chose")
	second.says(t, "Choose for terrain, slope.")
	second.until(t, `(() => { const f = [...document.querySelectorAll('.versions')].find((f) => f.querySelector('legend').textContent.includes('slope')); const e = f?.querySelector('input[value=yours]'); e?.click(); return e })()`)
	second.press(t, "Send what I chose")
	second.until(t, `document.querySelector('[data-id="p-weak"]')?.dataset.state === 'sent'`)

	p := storedPoint(t, store, "p-weak").Item
	slope, _ := p.Terrain.SlopeDeg.Get()
	height, _ := p.Terrain.HeightM.Get()
	assert.InDelta(t, 41, slope, 1e-9, "the one chosen")
	assert.InDelta(t, 30*geo.Foot.Metres(), height.Metres(), 1e-3, "what only the other changed")
	assert.Equal(t, survey.OverheadUnknown, p.Overhead.State, "what only this one changed")
	past, err := store.History(t.Context(), sqlite.Points, "p-weak")
	require.NoError(t, err)
	assert.Len(t, past, 3, "as it was, the first and the joined one")
	assert.EqualValues(t, 3, l.puts.Load())
}

// TestWalkByKeys makes the whole journey with the keyboard alone.
func TestWalkByKeys(t *testing.T) {
	b, _, store := onFoot(t)
	b.open(t, "/walk")
	b.until(t, walkReady)
	press := func(selector string, keys string) {
		b.tabTo(t, selector)
		b.do(t, chromedp.KeyEvent(keys))
	}
	at := func(question string) { b.until(t, fmt.Sprintf(`location.hash.endsWith('/%s')`, question)) }
	press("#begin", kb.Enter)
	at("position")
	press("#typed", "44.6513, -91.2046"+kb.Enter)
	b.says(t, "15T XK")
	press("#next", kb.Enter)
	at("site")
	press(".choice input", " ")
	press("#next", kb.Enter)
	at("label")
	press("#label", "K1")
	press("#next", kb.Enter)
	at("who")
	press(`a[href^="#list/"]`, kb.Enter)
	b.until(t, `document.querySelector('.asked')`)
	press(`a[href$="/moisture"]`, kb.Enter)
	at("moisture")
	press(".choice input", " ")
	b.do(t, chromedp.KeyEvent(kb.ArrowDown)) // from dry to moist
	press(`a[href^="#list/"]`, kb.Enter)
	press(`a[href^="#end/"]`, kb.Enter)
	press("#queue", kb.Enter)
	b.until(t, `document.querySelector('[data-state="sent"]')`)
	rows, err := store.Points(t.Context(), sqlite.Filter{Text: "K1"})
	require.NoError(t, err)
	require.Len(t, rows, 1)
	assert.Equal(t, survey.Moist, rows[0].Item.Ground.Moisture)
	b.clean(t)
}

// TestWalkSensors takes the position from the receiver, the bearing from the
// compass and a photo from the camera, and sends them.
func TestWalkSensors(t *testing.T) {
	b, l, store := onFoot(t)
	_, err := chromedp.CallBrowser(b, browser.SetPermission, browser.SetPermissionParams{
		Permission: &browser.PermissionDescriptor{Name: "geolocation"}, Setting: browser.PermissionSettingGranted, Origin: b.origin,
	})
	require.NoError(t, err)
	b.open(t, "/walk")
	b.until(t, walkReady)
	lat, lon, accuracy := 44.65131, -91.20449, 4.5
	_, err = chromedp.Call(b, emulation.SetGeolocationOverride, emulation.SetGeolocationOverrideParams{Latitude: &lat, Longitude: &lon, Accuracy: &accuracy})
	require.NoError(t, err)
	b.press(t, "Survey a new point")
	b.press(t, "Use this device")
	b.says(t, "Accuracy 14 ft 9 in (4.50 m)")
	b.shoot(t, "walk-fixes")
	b.press(t, "Take this position")
	b.says(t, "by satellite · within 14 ft 9 in (4.50 m)")
	b.question(t, "site")
	b.choose(t, "Alder Bend")
	b.question(t, "label")
	b.write(t, "#label", "S1")

	// A device flat on the hand turned 90° to the left of north points west:
	// W3C Device Orientation and Motion, alpha counts anticlockwise.
	b.question(t, "pull")
	b.press(t, "Read the compass")
	eval[bool](t, b, `(() => { for (let i = 0; i < 20; i++) window.dispatchEvent(new DeviceOrientationEvent('deviceorientationabsolute', {alpha: 88 + i % 5, beta: 0, gamma: 0, absolute: true})); return true })()`)
	b.says(t, "Mean of 20 readings, none further than 2° from it")
	b.says(t, "270.0° by compass")
	b.shoot(t, "walk-compass")

	l.cut.Store(true)
	b.question(t, "photos")
	file, err := filepath.Abs("../survey/photo/testdata/placed.jpg")
	require.NoError(t, err)
	b.do(t, chromedp.SetUploadFiles("#photo", []string{file}))
	b.says(t, "waits to be sent")
	b.shoot(t, "walk-photo")
	b.queue(t)
	b.until(t, `document.querySelector('#state-net').textContent.startsWith('No network')`)
	assert.Equal(t, "2", eval[string](t, b, `document.querySelector('#state-outbox').dataset.unsent`), "the point and its photo")
	l.cut.Store(false)
	b.press(t, "Send now")
	b.until(t, `document.querySelectorAll('[data-state="sent"]').length === 2`)

	rows, err := store.Points(t.Context(), sqlite.Filter{Text: "S1"})
	require.NoError(t, err)
	require.Len(t, rows, 1)
	p := rows[0].Item
	assert.InDelta(t, lon, p.Position.Lon(), 1e-7)
	got, _ := p.Fix.AccuracyM.Get()
	assert.InDelta(t, accuracy, got.Metres(), 1e-9)
	deg, _ := p.Pull.BearingDeg.Get()
	assert.InDelta(t, 270, deg, 1e-9)
	assert.Equal(t, survey.MagneticNorth, p.Pull.North)
	require.Len(t, p.Photos, 1)
	kept, err := store.Photo(t.Context(), p.Photos[0])
	require.NoError(t, err)
	assert.Equal(t, p.ID, kept.Point)

	b.open(t, "/points/"+p.ID+"#photos")
	b.until(t, `document.querySelector('.pictures img')?.complete`)
	eval[bool](t, b, `document.querySelectorAll('details').forEach((d) => d.open = true), document.querySelector('#tests').scrollIntoView(), true`)
	b.shoot(t, "walk-point")
}

// TestWalkNewSite names a new site on foot, with what is dangerous there: it is
// sent before its point.
func TestWalkNewSite(t *testing.T) {
	b, _, store := onFoot(t)
	b.open(t, "/walk")
	b.until(t, walkReady)
	b.press(t, "Survey a new point")
	b.write(t, "#typed", "44.66, -91.21")
	b.press(t, "Read it")
	b.says(t, "15T XK")
	b.question(t, "site")
	b.press(t, "It is a new site")
	b.write(t, "#new-name", "Heron Weir")
	b.write(t, "#new-code", "HW-1")
	b.press(t, "Add this site")
	b.until(t, `document.querySelector('.choice:has(:checked)')?.textContent.includes('Heron Weir')`)
	b.question(t, "label")
	b.write(t, "#label", "P1")
	b.question(t, "hazards")
	b.write(t, "#dangers", "Weir pool\nBroken glass")
	b.queue(t)
	b.until(t, `document.querySelectorAll('[data-state="sent"]').length === 2`)
	row, err := store.Site(t.Context(), "HW-1")
	require.NoError(t, err)
	assert.Equal(t, []string{"Weir pool", "Broken glass"}, row.Item.Hazards)
	rows, err := store.Points(t.Context(), sqlite.Filter{Site: row.Item.ID})
	require.NoError(t, err)
	assert.Len(t, rows, 1)
}

// TestWalkJoins holds the joining of two versions to its laws.
func TestWalkJoins(t *testing.T) {
	b, _, _ := onFoot(t)
	b.open(t, "/walk")
	b.until(t, walkReady)
	wrong := eval[[]string](t, b, `(async () => {
		const base = document.querySelector('#walk').dataset.base + 'js/walk/';
		const { differences, merged, union } = await import(base + 'settle.js');
		const { same, canonical } = await import(base + 'feature.js');
		const f = (properties, at = [-91.2, 44.65]) => ({ type: 'Feature', geometry: { type: 'Point', coordinates: at }, properties });
		const was = f({ label: 'P1', pull: { bearing_deg: 200, north: 'true' }, anchors: [{ id: 'N1', kind: 'tree' }], terrain: { slope_deg: 30, height_m: 5 } });
		const yours = f({ label: 'P1', pull: { bearing_deg: 210, north: 'magnetic' }, anchors: [{ id: 'N1', kind: 'tree' }, { id: 'N2', kind: 'rock' }], terrain: { slope_deg: 35 }, position: { source: 'gnss', accuracy_m: 3 } }, [-91.21, 44.65]);
		const theirs = f({ label: 'P7', pull: { bearing_deg: 190, north: 'true' }, anchors: [{ id: 'N1', kind: 'tree' }, { id: 'N3', kind: 'rock' }], terrain: { slope_deg: 30, height_m: 6 } });
		const rows = differences(was, yours, theirs);
		const take = (choice) => rows.map((r) => ({ ...r, choice }));
		const of = (path) => rows.find((r) => r.path === path)?.choice;
		const out = [];
		const hold = (ok, says) => ok || out.push(says);
		hold(same(merged(theirs, take('theirs')), theirs), 'all of theirs is theirs');
		hold(same(merged(theirs, take('yours')), yours), 'all of yours is yours');
		hold(differences(was, yours, yours).length === 0, 'the same does not differ');
		hold(of('/properties/label') === 'theirs' && of('/properties/terrain/slope_deg') === 'yours', 'who changed it alone is chosen');
		hold(of('/properties/pull') === '' && !rows.some((r) => r.path.startsWith('/properties/pull/')), 'a bearing and its north are one, and both changed it');
		hold(of('/geometry') === 'yours' && !rows.some((r) => r.path.includes('accuracy')), 'a position and its accuracy are one');
		hold(of('/properties/terrain/height_m') === '', 'one took it out and one changed it');
		hold(differences(null, yours, theirs).every((r) => r.choice === ''), 'without a common version nothing is chosen');
		const both = union(theirs.properties.anchors, yours.properties.anchors);
		hold(canonical(both.map((a) => a.id)) === '["N1","N3","N2"]', 'both lists, each entry once');
		return out;
	})()`)
	assert.Empty(t, wrong)
}

// TestWalkWords: the words that the form offers are those the survey knows, all
// of them.
func TestWalkWords(t *testing.T) {
	b, _, _ := onFoot(t)
	b.open(t, "/walk")
	b.until(t, walkReady)
	offered := func(id string) []string {
		return eval[[]string](t, b, fmt.Sprintf(`import(document.querySelector('#walk').dataset.base + 'js/walk/questions.js').then(({byID}) => { const q = byID[%q]; return (q.groups ?? [q]).flatMap((g) => g.options.map((o) => o.value)) })`, id))
	}
	for id, want := range map[string][]string{
		"texture": plain(survey.Textures), "moisture": plain(survey.Moistures), "thumb": survey.ThumbWords, "thread": survey.ThreadWords,
		"dry-strength": survey.DryWords, "drying": survey.DryingWords, "probe": survey.ProbeWords,
	} {
		assert.ElementsMatch(t, want, offered(id), id)
	}
}

func plain[T ~string](list []T) []string {
	out := make([]string, len(list))
	for i, v := range list {
		out[i] = string(v)
	}
	return out
}
