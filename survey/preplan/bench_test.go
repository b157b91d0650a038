package preplan_test

import (
	"bytes"
	"io"
	"testing"

	"github.com/stretchr/testify/require"

	"holdfast/survey/preplan"
)

// A sheet of seven pages: two points with their evidence, and the sources after
// them.
func BenchmarkPDF(b *testing.B) {
	in := input(b)
	in.Points[0].Sharing = sharing()
	var pages bytes.Buffer
	require.NoError(b, preplan.WritePDF(&pages, preplan.Arrange(in)))
	require.Len(b, preplan.Arrange(in).Pages(), 7)
	b.ReportAllocs()
	for b.Loop() {
		if err := preplan.WritePDF(io.Discard, preplan.Arrange(in)); err != nil {
			b.Fatal(err)
		}
	}
	b.ReportMetric(float64(pages.Len()), "bytes/sheet")
}

func BenchmarkHTML(b *testing.B) {
	in := input(b)
	in.Points = in.Points[:1]
	b.ReportAllocs()
	for b.Loop() {
		if err := preplan.WriteHTML(io.Discard, preplan.Arrange(in), "/sheet.css"); err != nil {
			b.Fatal(err)
		}
	}
}
