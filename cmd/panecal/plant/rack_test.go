//go:build linux

package plant_test

import (
	"testing"
	"time"

	"example.org/panecal/cmd/panecal/plant"
	"example.org/panecal/protocol/simunit"
)

// TestHandAtTheRack types what a hand is to do with simulated units.
func TestHandAtTheRack(t *testing.T) {
	if _, err := plant.ActsOf("hopper-5", 8, time.Hour); err == nil {
		t.Error("there are units of no product")
	}
	all, err := plant.ActsOf("hopper-54", 8, time.Hour)
	if err != nil {
		t.Fatal(err)
	}
	r := plant.Rack{Acts: all}
	if err := r.Attach(t.Context(), 2); err != nil {
		t.Fatal(err)
	}
	if err := plant.Cast(r.Acts, 1, simunit.Line{}); err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct{ typed, nest, note, wrong string }{
		{"B", "", "", "nest B is empty"},
		{"h54-00001-o b", "B", "put in", ""},
		{"H54-00001-O", "", "", "H54-00001-O: no such unit lies beside the nests"},
		{"H54-00002-M B", "", "", "nest B is not empty, or there is none: nests are A to B"},
		{"H54-00008-A", "A", "put in", ""},
		{"H54-00002-M", "", "", "no nest is empty"},
		{"B", "B", "taken out", ""},
		{"H54-00002-M", "B", "put in", ""},
		{" ", "", "", `" ": type a label, a label and a nest, or a nest`},
	} {
		done, err := r.Obey(c.typed)
		switch {
		case c.wrong != "" && (err == nil || err.Error() != c.wrong):
			t.Errorf("%q: %v, want %s", c.typed, err, c.wrong)
		case c.wrong == "" && (err != nil || done.Nest != c.nest || done.Note != c.note):
			t.Errorf("%q: %+v, %v; want %s in nest %s", c.typed, done, err, c.note, c.nest)
		}
	}
	if r.Empty(0) || r.Empty(1) || !r.Acts[1].Unit.Seated() || r.Acts[0].Unit.Seated() {
		t.Error("the units do not lie where they were put")
	}
}
