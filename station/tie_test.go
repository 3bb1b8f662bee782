package station_test

import (
	"strings"
	"testing"

	"example.org/panecal/station"
)

// A contradiction names the other unit in its sentence, also on the screen,
// which knows the verdict alone.
func TestContradictionNamesTheOther(t *testing.T) {
	w := worldOf(t, usual(), func(*station.Config) {})
	w.through("A1")
	w.tell(0, 0, station.Scanned{Text: "A1"})
	w.seat(0, newUnit("another", "A1"))
	w.attend(0)
	v := w.view(0).Verdict
	if v == nil || v.Code != station.FailedLabel || !strings.Contains(v.Other, "unit uA1") {
		t.Fatalf("verdict %+v", v)
	}
	said := v.Code.Say(station.Args{Label: "A1", Other: v.Args.Other})
	if !strings.Contains(said, "the other: label A1, unit uA1") {
		t.Errorf("it says %q", said)
	}
}
