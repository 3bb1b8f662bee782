package history_test

import (
	"io/fs"
	"path/filepath"
	"strings"
	"testing"

	"example.org/panecal/cmd/panecal/history"
	"example.org/panecal/cmd/panecal/sample"
	"example.org/panecal/limits"
	"example.org/panecal/station"
	"example.org/panecal/station/papers"
	"example.org/panecal/station/product"
)

// files are the samples, as a station reads them.
func files(t testing.TB) papers.Catalogue {
	t.Helper()
	read := func(name string) []byte {
		data, err := fs.ReadFile(sample.Files, name)
		if err != nil {
			t.Fatal(err)
		}
		return data
	}
	sheet, err := product.ReadSheet("sheet", read("station.sheet.toml"))
	if err != nil {
		t.Fatal(err)
	}
	var all papers.Catalogue
	for _, name := range strings.Fields("hopper-54 hopper-1") {
		p, err := product.Read(name, read(name+".product.toml"))
		if err != nil {
			t.Fatal(err)
		}
		l, err := limits.Read(name, read(name+".limits.toml"))
		if err != nil {
			t.Fatal(err)
		}
		f, err := station.NewFiles(p, l, sheet)
		if err != nil {
			t.Fatal(err)
		}
		all = append(all, f)
	}
	return all
}

func BenchmarkAttempts(b *testing.B) {
	dir := filepath.Join(b.TempDir(), "store")
	if _, err := history.Write(b.Context(), history.Options{Store: dir, Station: "S1", Attempts: b.N, Seed: 1, Files: files(b)}); err != nil {
		b.Fatal(err)
	}
	b.ReportMetric(float64(b.N)/b.Elapsed().Seconds(), "attempts/s")
}
