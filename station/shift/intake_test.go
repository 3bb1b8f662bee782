package shift_test

import (
	"errors"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"example.org/panecal/station"
	"example.org/panecal/station/shift"
)

// papers are the sample papers in a folder of their own.
func papers(t *testing.T) shift.Papers {
	t.Helper()
	folder := t.TempDir()
	if err := os.CopyFS(folder, os.DirFS("../../cmd/panecal/sample")); err != nil {
		t.Fatal(err)
	}
	return shift.Papers{Folder: folder, Station: "cal-1", Sheet: "station.sheet.toml", Products: []string{"hopper-54.product.toml", "hopper-1.product.toml"}}
}

// line is as much of a station as an intake needs; it notes what it is told.
type line struct {
	shift.Station
	told []string
}

func (l *line) TakeUp(f *station.Files)    { l.told = append(l.told, "files of "+f.Product.Name) }
func (l *line) Scan(nest int, text string) { l.told = append(l.told, "label "+text) }

// TestLabelDecides: the files of a label's product come before the label, where
// they are not in force; what is no label of ours changes nothing.
func TestLabelDecides(t *testing.T) {
	all, err := papers(t).Read()
	if err != nil {
		t.Fatal(err)
	}
	in, to := &shift.Intake{Catalogue: all, First: all[0]}, &line{}
	for _, text := range []string{"H54-00001-O", "H1-00001-F", "rubbish", "H1-00001-F", "H54-00001-O"} {
		in.Hand(to, station.NoNest, text)
	}
	want := []string{"label H54-00001-O", "files of hopper-1", "label H1-00001-F", "label rubbish", "label H1-00001-F", "files of hopper-54", "label H54-00001-O"}
	if !slices.Equal(to.told, want) {
		t.Errorf("told %q, want %q", to.told, want)
	}
	if in.InForce() != all[0] {
		t.Errorf("in force: %s", in.InForce().Product.Name)
	}
	if in.Serial("H1-00001-F") != "H1-00001-F" || in.Serial("rubbish") != "rubbish" {
		t.Error("a serial is not what its label says")
	}
}

// TestPapersRefuse: a paper that is missing, not whole or another station's
// refuses all of them, and says which.
func TestPapersRefuse(t *testing.T) {
	for name, c := range map[string]struct {
		spoil func(*shift.Papers)
		want  string
		is    error
	}{
		"another station": {func(p *shift.Papers) { p.Station = "cal-2" }, `is for station "cal-1", the configuration says "cal-2"`, station.ErrMismatch},
		"no sheet":        {func(p *shift.Papers) { p.Sheet = "none.toml" }, "reading the station sheet", os.ErrNotExist},
		"no product":      {func(p *shift.Papers) { p.Products[1] = "none.toml" }, "reading a product file", os.ErrNotExist},
		"no limits": {func(p *shift.Papers) { os.Remove(filepath.Join(p.Folder, "hopper-1.limits.toml")) }, "reading the limits of hopper-1",
			os.ErrNotExist},
	} {
		p := papers(t)
		c.spoil(&p)
		if all, err := p.Read(); all != nil || !errors.Is(err, c.is) || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: %v, %v", name, all, err)
		}
	}
}

// TestNestsOfTheSheet: ports that a batch is given are the sheet's nests, by
// name and light group, in whatever order.
func TestNestsOfTheSheet(t *testing.T) {
	all, err := papers(t).Read()
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
	if _, err := all.OnPorts([]string{"x"}, "Q"); !errors.Is(err, shift.ErrNoNest) {
		t.Error(err)
	}
}
