package screen_test

import (
	"testing"

	"example.org/panecal/station"
	"example.org/panecal/station/screen"
)

func benchmarkView(b *testing.B, w, h int) {
	s := call(counting(counting(judged(bench(3), 2, dirty, station.HandsFailed), 0, station.EmptyCapture, 40), 1, station.TargetCapture, 70), 2, station.HandsFailed)
	b.ReportAllocs()
	var p screen.Picture
	for b.Loop() {
		p = screen.Draw(s, w, h, false, "", "")
	}
	b.ReportMetric(float64(len(p.Text)), "B/picture")
}

func BenchmarkView80x24(b *testing.B)  { benchmarkView(b, 80, 24) }
func BenchmarkView120x40(b *testing.B) { benchmarkView(b, 120, 40) }
func BenchmarkView40x12(b *testing.B)  { benchmarkView(b, 40, 12) }
