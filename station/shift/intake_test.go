package shift_test

import (
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"example.org/panecal/station"
	"example.org/panecal/station/papers"
	"example.org/panecal/station/shift"
)

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
	all, err := papers.List{Folder: "../../cmd/panecal/sample", Station: "cal-1", Sheet: "station.sheet.toml",
		Products: []string{"hopper-54.product.toml", "hopper-1.product.toml"}}.Read()
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

// TestRenew: new files come into force in the place of those they follow, and
// labels are read by them.
func TestRenew(t *testing.T) {
	list := papers.List{Folder: t.TempDir(), Station: "cal-1", Sheet: "station.sheet.toml", Products: []string{"hopper-54.product.toml", "hopper-1.product.toml"}}
	if err := os.CopyFS(list.Folder, os.DirFS("../../cmd/panecal/sample")); err != nil {
		t.Fatal(err)
	}
	all, err := list.Read()
	if err != nil {
		t.Fatal(err)
	}
	in, to := &shift.Intake{Catalogue: all, First: all[0]}, &line{}
	in.Hand(to, station.NoNest, "H1-00001-F")
	if again, err := list.Read(); err != nil || in.Renew(again) != nil {
		t.Errorf("the same files are new: %v", err)
	}
	path := filepath.Join(list.Folder, "hopper-1.limits.toml")
	text, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	changed := strings.Replace(string(text), "first pilot lot", "second pilot lot", 1)
	if err := os.WriteFile(path, []byte(changed), 0o644); err != nil || changed == string(text) {
		t.Fatal(err, "nothing changed")
	}
	later, err := list.Read()
	if err != nil {
		t.Fatal(err)
	}
	if f := in.Renew(later); f != later[1] || in.InForce() != later[1] || in.Serial("H54-00001-O") != "H54-00001-O" {
		t.Errorf("in force: %+v", f)
	}
	in.Hand(to, station.NoNest, "H54-00001-O")
	if in.InForce() != later[0] {
		t.Error("labels are read by the files before")
	}
}
