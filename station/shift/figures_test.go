package shift

import (
	"testing"
	"time"

	"example.org/panecal/station"
)

// At the pages that a shift is looked at by, and at the commands about boxes, pauses
// and reworks: what is shown, and what is on record afterwards.
func TestFiguresPages(t *testing.T) {
	d := newDesk(t)
	d.scan(staffBadges["op"])
	d.enter()
	d.want(0, "", "on op")
	d.snap.Holds = []station.OnHold{{Serial: "H54-00001-O", Since: d.now.Add(-time.Hour), Box: "B-1"}}
	d.scan("cmd holds")
	d.want(HoldsPage, "")
	if rows := d.page.Rows; len(rows) != 1 || rows[0][1].String() != "1 h 0 min" || rows[0][2].String() != "box B-1" {
		t.Errorf("%v", rows)
	}
	d.enter()
	d.want(0, "")
	d.scan("CMD FIGURES")
	d.want(FiguresPage, "")
	d.scan("H54-00001-O") // who scans on has read enough
	d.want(0, "")

	d.scan("CMD PAUSE")
	d.want(PausePage, "", "pause")
	d.scan("H54-00001-O")
	d.want(PausePage, PageFirst)
	d.scan("CMD PAUSE")
	d.want(0, "", "pause")
	if !d.snap.Counters.PausedSince.IsZero() {
		t.Error("the pause goes on")
	}

	// No box is wanted: the number of one is a label that nobody knows.
	scanned := len(d.scanned)
	d.scan("B-7")
	if len(d.scanned) != scanned+1 {
		t.Error("not handed on")
	}
	d.snap.Box.Size = 2
	d.snap.Unboxed = []station.Unboxed{{Serial: "H1"}}
	d.typed("493716") // a PIN is no box, whoever typed it where
	d.want(0, UnknownBadge, "refused : badge unknown (sign on)")
	d.scan("H54-00001-O")
	d.scan("B-7")
	d.want(0, BoxOpen, "box opened", "boxed")
	d.snap.Box = station.Box{Number: "B-7", Good: 2, Size: 2}
	d.scan("B-7")
	d.want(0, BoxAgain)

	// A rework code is one of the product's, for the open label or for the unit that
	// waits for it.
	d.scan("CMD REWORK WIPED")
	d.want(0, NoLabelOpen)
	d.snap.Label = "H54-00001-O"
	d.scan("CMD REWORK POLISHED")
	d.want(0, BadRework)
	d.scan("CMD REWORK WIPED")
	d.want(0, Reworked, "rework done")
	d.snap.Label = ""
	n := &d.snap.Nests[1]
	n.Step, n.Label, n.Trouble = station.Turned, "H54-00002-A", &station.Message{Code: station.RefusedRework}
	d.scan("CMD REWORK GASKET")
	d.want(0, Reworked, "rework done")
}
