package atlas_test

import (
	"bytes"
	"context"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"regexp"
	"runtime"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"holdfast/data"
	"holdfast/survey"
	"holdfast/survey/atlas"
	"holdfast/survey/demo"
	"holdfast/survey/drawing"
	"holdfast/survey/preplan"
	"holdfast/survey/sqlite"
)

var invented = time.Date(2026, 11, 25, 3, 12, 0, 0, time.UTC)

// district is the invented district, its sites copied so many times more.
func district(t testing.TB, copies int) atlas.Atlas {
	p, err := survey.ParsePolicy(data.DefaultPolicy)
	require.NoError(t, err)
	ctx := context.Background()
	store, err := sqlite.Open(ctx, filepath.Join(t.TempDir(), "atlas.db"), sqlite.Options{Create: true, Policy: p, Now: func() time.Time { return invented }})
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, store.Close()) })
	require.NoError(t, demo.Fill(ctx, store, data.Demo, invented))
	rows, err := store.Sites(ctx, sqlite.Filter{})
	require.NoError(t, err)
	var sites []survey.Site
	var points []survey.Point
	for _, r := range rows {
		of, err := store.Points(ctx, sqlite.Filter{Site: r.Item.ID})
		require.NoError(t, err)
		for n := range copies {
			s := r.Item
			s.ID, s.Code = fmt.Sprintf("%s-%d", s.ID, n), fmt.Sprintf("%s-%03d", s.Code, n)
			sites = append(sites, s)
			for _, o := range of {
				p := o.Item
				p.ID, p.Site, p.PullTests = fmt.Sprintf("%s-%d", p.ID, n), s.ID, nil
				points = append(points, p)
			}
		}
	}
	require.NoError(t, store.ImportAll(ctx, sites, points, sqlite.Author{Who: "test"}))
	return atlas.Atlas{Store: store, Now: func() time.Time { return invented }}
}

func bookOf(t testing.TB, a atlas.Atlas, sites []string, print atlas.Print) []byte {
	var b bytes.Buffer
	require.NoError(t, a.Book(context.Background(), &b, sites, print, nil))
	return b.Bytes()
}

// Every word of every sheet of the invented district keeps clear of every
// other, on both papers.
func TestLabelsKeepApartOnEveryInventedSite(t *testing.T) {
	a := district(t, 0)
	rows, err := a.Store.Sites(context.Background(), sqlite.Filter{})
	require.NoError(t, err)
	require.Len(t, rows, 10)
	for _, r := range rows {
		for _, paper := range []preplan.Paper{preplan.A4, preplan.Letter} {
			s, err := a.Sheet(context.Background(), r.Item.Code, atlas.Print{Paper: paper, Address: "https://atlas.example.org"})
			require.NoError(t, err)
			for n, page := range s.Pages() {
				name := fmt.Sprintf("%s on %s, page %d", r.Item.Code, paper, n+1)
				inside := drawing.Box{X0: 11, Y0: 7, X1: page.W - 11, Y1: page.H - 7}
				var texts []drawing.Text
				for _, m := range page.Marks {
					text, ok := m.(drawing.Text)
					if !ok || strings.TrimSpace(text.Text) == "" {
						continue
					}
					require.GreaterOrEqual(t, text.Size, 7.0, "%s: %q", name, text.Text)
					require.True(t, text.Box().Within(inside), "%s: %q leaves the page", name, text.Text)
					for _, o := range texts {
						require.False(t, text.Box().Overlaps(o.Box()), "%s: %q and %q", name, text.Text, o.Text)
					}
					texts = append(texts, text)
				}
				require.NotEmpty(t, texts, name)
			}
		}
	}
}

func TestBook(t *testing.T) {
	a := district(t, 0)
	print := atlas.Print{Paper: preplan.Letter, Address: "https://atlas.example.org/"}
	whole := bookOf(t, a, nil, print)
	assert.True(t, bytes.Equal(whole, bookOf(t, a, nil, print)), "the same atlas gives the same bytes")
	file := filepath.Join(t.TempDir(), "book.pdf")
	require.NoError(t, os.WriteFile(file, whole, 0o644))
	tool(t, "qpdf", "--check", file)
	assert.Regexp(t, `Tagged: +yes`, tool(t, "pdfinfo", file))

	pages := strings.Split(tool(t, "pdftotext", "-raw", file, "-"), "\f")
	pages = pages[:len(pages)-1]
	for i, p := range pages {
		require.Regexp(t, fmt.Sprintf(`book page %d of\s+%d\b`, i+1, len(pages)), p)
	}
	cover := strings.Join(strings.Fields(pages[0]), " ")
	for _, want := range []string{"Ostrel Valley", "Sites 10", "Points 43", "Policy default-1", "Atlas revision", "Planning aid", "Never drive a stake"} {
		assert.Contains(t, cover, want)
	}
	// Contents: the page named is the first of the site's sheet, on the front of a leaf.
	rows := regexp.MustCompile(`(?m)^([A-Z]{2}-\d\d) (.*?) \d+ \d+ \d+ \d+ .*?(\d+)$`).FindAllStringSubmatch(pages[1], -1)
	require.Len(t, rows, 10, pages[1])
	for _, r := range rows {
		n, err := strconv.Atoi(r[3])
		require.NoError(t, err)
		assert.Equal(t, 1, n%2, "%s begins on the front of a leaf", r[1])
		assert.Contains(t, pages[n-1], "site "+r[1]+" ·")
		assert.Contains(t, pages[n-1], r[2])
		assert.Contains(t, pages[n-1], "page 1 of ")
	}
	// Index: the page named is the point's own, and the point lies in the square.
	index := strings.Join(pages[len(pages)-1:], "\n")
	square, found := "", 0
	for _, line := range strings.Split(index, "\n") {
		if regexp.MustCompile(`^\d\d[A-Z] [A-Z]{2} \d\d \d\d$`).MatchString(line) {
			square = line
			continue
		}
		m := regexp.MustCompile(`^(\d{3}) (\d{3}) (\S+) (\S+) (\d+)$`).FindStringSubmatch(line)
		if m == nil {
			continue
		}
		n, err := strconv.Atoi(m[5])
		require.NoError(t, err)
		assert.Contains(t, pages[n-1], "Point "+m[4]+"\n", line)
		assert.Contains(t, pages[n-1], m[3]+" · ", line)
		at := regexp.MustCompile(`(?:Where|Mark) (\d\d[A-Z] [A-Z]{2}) (\d{5}) (\d{5})`).FindStringSubmatch(pages[n-1])
		require.NotNil(t, at, line)
		assert.Equal(t, square, at[1]+" "+at[2][:2]+" "+at[3][:2], line)
		assert.Equal(t, m[1]+" "+m[2], at[2][:3]+" "+at[3][:3], line)
		found++
	}
	assert.Equal(t, 43, found, "every point is in the index")
	outline := tool(t, "qpdf", "--json", "--json-key=outlines", file)
	for _, want := range []string{"Cover and contents", "QR-02 · Millrace Bend", "Point P3", "Index by grid square"} {
		assert.Contains(t, outline, want)
	}
}

func TestBookOfNamedSites(t *testing.T) {
	a := district(t, 0)
	file := filepath.Join(t.TempDir(), "book.pdf")
	require.NoError(t, os.WriteFile(file, bookOf(t, a, []string{"qr-02", "QR-01", "QR-02"}, atlas.Print{Paper: preplan.A4}), 0o644))
	said := tool(t, "pdftotext", "-raw", file, "-")
	assert.Contains(t, strings.Join(strings.Fields(said), " "), "Sites 2 Points 10")
	assert.Less(t, strings.Index(said, "site QR-01 ·"), strings.Index(said, "site QR-02 ·"), "by code, each once")
	var b bytes.Buffer
	assert.ErrorIs(t, a.Book(context.Background(), &b, []string{"none"}, atlas.Print{}, nil), survey.ErrNotFound)
}

// A book of 1,000 sites with 4,300 points. The memory reported is the most that
// was in use after a collection.
func BenchmarkBookOfAThousandSites(b *testing.B) {
	a := district(b, 99)
	for b.Loop() {
		most := uint64(0)
		size := counter{}
		err := a.Book(context.Background(), &size, nil, atlas.Print{Paper: preplan.Letter}, func(done, all int) {
			if done%100 == 0 {
				runtime.GC()
				var m runtime.MemStats
				runtime.ReadMemStats(&m)
				most = max(most, m.HeapAlloc)
			}
		})
		require.NoError(b, err)
		b.ReportMetric(float64(most)/1e6, "MB-in-use")
		b.ReportMetric(float64(size.n)/1e6, "MB-file")
	}
}

type counter struct{ n int64 }

func (c *counter) Write(b []byte) (int, error) {
	c.n += int64(len(b))
	return len(b), nil
}

var _ io.Writer = (*counter)(nil)
