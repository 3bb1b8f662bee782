package papers_test

import (
	"errors"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"example.org/panecal/station"
	"example.org/panecal/station/papers"
)

// samples are the sample files in a folder of their own.
func samples(t *testing.T) papers.List {
	t.Helper()
	folder := t.TempDir()
	if err := os.CopyFS(folder, os.DirFS("../../cmd/panecal/sample")); err != nil {
		t.Fatal(err)
	}
	return papers.List{Folder: folder, Station: "cal-1", Sheet: "station.sheet.toml", Products: []string{"hopper-54.product.toml", "hopper-1.product.toml"}}
}

// TestBadListIsRefused: a file that is missing, not whole or another station's
// refuses all of them, and says which.
func TestBadListIsRefused(t *testing.T) {
	for name, c := range map[string]struct {
		spoil func(*papers.List)
		want  string
		is    error
	}{
		"another station": {func(p *papers.List) { p.Station = "cal-2" }, `is for station "cal-1", the configuration says "cal-2"`, station.ErrMismatch},
		"no sheet":        {func(p *papers.List) { p.Sheet = "none.toml" }, "reading the station sheet", os.ErrNotExist},
		"no product":      {func(p *papers.List) { p.Products[1] = "none.toml" }, "reading a product file", os.ErrNotExist},
		"no limits": {func(p *papers.List) { os.Remove(filepath.Join(p.Folder, "hopper-1.limits.toml")) }, "reading the limits of hopper-1",
			os.ErrNotExist},
	} {
		p := samples(t)
		c.spoil(&p)
		if all, err := p.Read(); all != nil || !errors.Is(err, c.is) || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: %v, %v", name, all, err)
		}
	}
}

// TestNestsOfTheSheet: ports that a batch is given are the sheet's nests, by
// name and light group, in whatever order.
func TestNestsOfTheSheet(t *testing.T) {
	all, err := samples(t).Read()
	if err != nil {
		t.Fatal(err)
	}
	known := all[0].Sheet.Nests
	if len(known) != 3 || known[0].LightGroup == "" {
		t.Fatalf("the sample sheet has nests %+v", known)
	}
	for _, c := range []struct {
		name  string
		ports []string
		nest  string
		want  []string
	}{
		{"by port", []string{known[2].Port, known[0].Port}, "", []string{"C", "A"}},
		{"other ports", []string{"x", "y", "z", "w"}, "", []string{"A", "B", "C", "A.2"}},
		{"a port of the sheet is kept for it", []string{"x", known[0].Port}, "", []string{"B", "A"}},
		{"named", []string{"x", "y"}, "B", []string{"B", "B.2"}},
	} {
		got, err := all.OnPorts(c.ports, c.nest)
		if err != nil {
			t.Fatal(c.name, err)
		}
		for _, f := range got {
			var names []string
			for i, n := range f.Sheet.Nests {
				names = append(names, n.Name)
				if n.LightGroup != known[0].LightGroup || n.Port != c.ports[i] {
					t.Errorf("%s: nest %+v", c.name, n)
				}
			}
			if !slices.Equal(names, c.want) {
				t.Errorf("%s: nests %v, want %v", c.name, names, c.want)
			}
		}
	}
	if _, err := all.OnPorts([]string{"x"}, "Q"); !errors.Is(err, papers.ErrNoNest) {
		t.Error(err)
	}
}
