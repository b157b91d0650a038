package main

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"strings"
)

const seed = 20260504

// The data lie in one degree of an invented country, whatever their number.
const (
	west, south = -92.0, 44.0
	extent      = 1.0 // degrees each way
)

// place returns the i-th of n places on a grid that is shaken.
func place(r *rand.Rand, i, n int) (lon, lat float64) {
	side := int(math.Ceil(math.Sqrt(float64(n))))
	step := extent / float64(side)
	return west + (float64(i%side)+r.Float64())*step, south + (float64(i/side)+r.Float64())*step
}

// create writes the FeatureCollection of a data set of size n, with many
// Features, unless the file is there.
func (b *bench) create(name string, n, many int, feature func(w *bufio.Writer, r *rand.Rand, i int)) (string, error) {
	path := b.file(fmt.Sprintf("%s-%d.geojson", name, n))
	if _, err := os.Stat(path); err == nil {
		return path, nil
	}
	b.say("make %s", path[strings.LastIndexByte(path, '/')+1:])
	f, err := os.Create(path + ".part")
	if err != nil {
		return "", err
	}
	w, r := bufio.NewWriterSize(f, 1<<20), rand.New(rand.NewPCG(seed, uint64(n)))
	w.WriteString(`{"type":"FeatureCollection","features":[`)
	for i := range many {
		if i > 0 {
			w.WriteByte(',')
		}
		w.WriteByte('\n')
		feature(w, r, i)
	}
	w.WriteString("\n]}\n")
	if err := errors.Join(w.Flush(), f.Close()); err != nil {
		return "", err
	}
	return path, os.Rename(path+".part", path) // a file under its own name is whole
}

var owners = []string{"Ostrel Water", "Ostrel Gas", "Valley Telecom", "Greystane Stone", "N. Orrel, Ferry Lane farm"}

// places is a layer of points with 8 properties.
func (b *bench) places(n int) (string, error) {
	return b.create("places", n, n, func(w *bufio.Writer, r *rand.Rand, i int) {
		lon, lat := place(r, i, n)
		fmt.Fprintf(w, `{"type":"Feature","id":%d,"geometry":{"type":"Point","coordinates":[%.7f,%.7f]},"properties":{"name":"hydrant %d","owner":%q,"kind":%d,"flow":%.1f,"open":%t,"checked":"2026-%02d-%02d","remark":"at the kerb, cap painted","diameter_mm":%d}}`,
			i+1, lon, lat, i+1, owners[r.IntN(len(owners))], r.IntN(9), r.Float64()*3000, r.IntN(2) == 0, 1+r.IntN(12), 1+r.IntN(28), 50+25*r.IntN(20))
	})
}

// ways is a layer of lines of 12 positions with 4 properties.
func (b *bench) ways(n int) (string, error) {
	return b.create("ways", n, n, func(w *bufio.Writer, r *rand.Rand, i int) {
		lon, lat := place(r, i, n)
		fmt.Fprintf(w, `{"type":"Feature","id":%d,"geometry":{"type":"LineString","coordinates":[`, i+1)
		turn := r.Float64() * 2 * math.Pi
		for k := range 12 {
			if k > 0 {
				w.WriteByte(',')
			}
			fmt.Fprintf(w, "[%.7f,%.7f]", lon, lat)
			turn += (r.Float64() - 0.5) / 2
			lon, lat = lon+2e-4*math.Cos(turn), lat+2e-4*math.Sin(turn)
		}
		fmt.Fprintf(w, `]},"properties":{"name":"main %d","owner":%q,"diameter_mm":%d,"laid":%d}}`, i+1, owners[r.IntN(len(owners))], 50+25*r.IntN(20), 1950+r.IntN(75))
	})
}

// sites is how many sites n survey points lie on.
func sites(n int) int { return max(1, n/10) }

func siteID(i int) string  { return fmt.Sprintf("BN-%05d", i) }
func pointID(i int) string { return fmt.Sprintf("%s-%d", siteID(i/10), i%10+1) }

// sitePlace is where the i-th of the sites of n points lies.
func sitePlace(i, n int) (lon, lat float64) {
	return place(rand.New(rand.NewPCG(seed, uint64(i))), i, sites(n))
}

// surveyed are survey points, ten to a site, each with its ground, bank and a
// tree.
func (b *bench) surveyed(n int) (siteFile, points string, err error) {
	siteFile, err = b.create("sites", n, sites(n), func(w *bufio.Writer, _ *rand.Rand, i int) {
		lon, lat := sitePlace(i, n)
		fmt.Fprintf(w, `{"type":"Feature","id":%q,"geometry":{"type":"Point","coordinates":[%.7f,%.7f]},"properties":{"name":"Bench %d","code":%q,"kind":"riverbank"}}`, siteID(i), lon, lat, i, siteID(i))
	})
	if err != nil {
		return "", "", err
	}
	points, err = b.create("points", n, n, func(w *bufio.Writer, r *rand.Rand, i int) {
		lon, lat := sitePlace(i/10, n)
		lon, lat = lon+0.004*(r.Float64()-0.5), lat+0.003*(r.Float64()-0.5) // some 150 m about it
		fmt.Fprintf(w, `{"type":"Feature","id":%q,"geometry":{"type":"Point","coordinates":[%.7f,%.7f,231.5]},"properties":{"site":%q,"label":"P%d","surveyed_at":"2026-03-%02dT08:00:00Z","surveyed_by":"D. Lorne",`+
			`"ground":{"texture":"clay loam","moisture":"moist","disturbed":"no","fissured":"no","seeping":"no","vibration":"no","layers_dip_into_slope":"no","tests":[{"kind":"pocket penetrometer","reading":%.2f,"unit":"tsf"}],"depth_to_refusal_m":1.5},`+
			`"terrain":{"slope_deg":%d,"height_m":7,"setback_m":3,"source":"measured"},"pull":{"bearing_deg":%d,"north":"true","source":"measured"},`+
			`"anchors":[{"id":"T1","kind":"tree","bearing_deg":20,"distance_m":9,"diameter_mm":%d,"condition":"living, well rooted"}],"buried_utilities":{"state":"marked clear"},"overhead":{"state":"none"}}}`,
			pointID(i), lon, lat, siteID(i/10), i%10+1, 1+r.IntN(28), 0.5+3*r.Float64(), 25+r.IntN(30), r.IntN(360), 250+r.IntN(400))
	})
	return siteFile, points, err
}

// atlasOf makes an atlas with a layer of places, one of ways and as many survey
// points, unless it is there.
func (b *bench) atlasOf(ctx context.Context, n int) (string, error) {
	path := b.file(fmt.Sprintf("atlas-%d.db", n))
	if _, err := os.Stat(path); err == nil {
		return path, nil
	}
	places, err := b.places(n)
	if err != nil {
		return "", err
	}
	ways, err := b.ways(n)
	if err != nil {
		return "", err
	}
	sites, points, err := b.surveyed(n)
	if err != nil {
		return "", err
	}
	b.say("make an atlas of %s", count(n))
	part := path + ".part"
	if err := os.RemoveAll(part); err != nil {
		return "", err
	}
	for _, args := range [][]string{
		{"import", "--sites", sites},
		{"import", "--points", points},
		{"import", places, "--layer", "places", "--role", "other"},
		{"import", ways, "--layer", "ways", "--role", "buried utility"},
	} {
		if _, err := (command{args: append([]string{b.binary}, append(args, "--atlas", part)...)}).run(ctx); err != nil {
			return "", err
		}
	}
	return path, os.Rename(part, path)
}

// boxes are places for boxes that hold about 1,000 of n things: west, south,
// east, north.
func boxes(n, many int) [][4]float64 {
	r := rand.New(rand.NewPCG(seed, 2))
	side := min(extent, extent*math.Sqrt(1000/float64(n)))
	out := make([][4]float64, many)
	for i := range out {
		x, y := west+r.Float64()*(extent-side), south+r.Float64()*(extent-side)
		out[i] = [4]float64{x, y, x + side, y + side}
	}
	return out
}
