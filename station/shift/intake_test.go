package shift_test

import (
	"slices"
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
