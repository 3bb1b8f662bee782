package station_test

import (
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"example.org/panecal/limits/quantity"
	"example.org/panecal/protocol"
	"example.org/panecal/station"
	"example.org/panecal/station/product"
	"example.org/panecal/store/record"
)

// story is what a log says of one serial, in short.
func (w *world) story(serial string) string {
	var told []string
	for _, e := range w.log {
		switch b := e.Body.(type) {
		case *record.Attempt:
			if b.Run.Serial == serial {
				told = append(told, fmt.Sprintf("%s %s", b.Outcome, b.Judgement.Disposition))
			}
		case *record.Refusal:
			told = append(told, b.Code)
		case *record.DispositionChange:
			if b.Serial == serial {
				told = append(told, "to "+string(b.To))
			}
		case *record.ReworkDone:
			told = append(told, b.Action)
		}
	}
	return strings.Join(told, ", ")
}

// A unit that was sent to rework runs again only after a rework is on record; it
// has its attempts anew then, and at the end of its reworks it goes on hold, and
// what the hands are told is what is on record.
func TestRework(t *testing.T) {
	s := usual()
	s.reworks, s.max = 2, 1
	w := newWorld(t, s)
	w.tell(station.NoNest, 0, station.Started{})
	w.pass(time.Second)
	u := newUnit("u1", "A1")
	w.values[quantity.LeakageMax] = 0.3
	run := func() { w.calibrate(0, "A1", u) }
	mend := func() { w.append(&record.ReworkDone{Serial: "A1", Action: "WIPED"}) }
	run() // fails
	run() // nothing says that it was mended; its one attempt is used up too, and it goes on hold
	if got, want := w.story("A1"), "failed rework, attempts_used_up, to hold"; got != want {
		t.Fatalf("%s, want %s", got, want)
	}
	mend()
	run()
	mend()
	run() // the last
	if got, want := w.story("A1"), "failed rework, attempts_used_up, to hold, WIPED, failed rework, WIPED, failed hold"; got != want {
		t.Fatalf("%s, want %s", got, want)
	}
	v := w.shown[len(w.shown)-1]
	if v.Code != station.FailedReworks || v.SoftName == "" || v.Disposition != station.Hold || !strings.Contains(v.Instruction, "hold") {
		t.Errorf("%+v", v)
	}
	if snap := w.machine.Snapshot(); len(snap.Holds) != 1 || snap.Holds[0].Serial != "A1" || snap.Holds[0].Why != station.FailedReworks {
		t.Errorf("on hold: %+v", snap.Holds)
	}
	mend() // one too many, on record all the same
	run()
	if got := w.story("A1"); !strings.HasSuffix(got, "WIPED, reworks_before") {
		t.Error(got)
	}
	w.leave("rework")
}

// A unit that was sent to rework is refused until a rework is on record, also where
// the product does not list what may be done.
func TestReworkFirst(t *testing.T) {
	for _, reworks := range []int{2, 0} {
		reworkFirst(t, reworks)
	}
}

func reworkFirst(t *testing.T, reworks int) {
	s := usual()
	s.reworks = reworks
	w := newWorld(t, s)
	w.tell(station.NoNest, 0, station.Started{})
	w.pass(time.Second)
	u := newUnit("u1", "A1")
	w.values[quantity.LeakageMax] = 0.3
	w.calibrate(0, "A1", u)
	w.calibrate(0, "A1", u)
	delete(w.values, quantity.LeakageMax)
	w.append(&record.ReworkDone{Serial: "A1", Action: "WIPED"})
	w.calibrate(0, "A1", u)
	if got, want := w.story("A1"), "failed rework, rework_first, WIPED, passed release"; got != want {
		t.Errorf("%s, want %s", got, want)
	}
	if no := w.attempts()[1].Run.AttemptNo; no != 2 {
		t.Errorf("attempt %d", no)
	}
	w.leave("rework first")
}

// Whenever the hands are told to put a unit on hold, it is on hold on record; the
// codes of refusals that say so are those that the station holds by.
func TestHoldIsOnRecord(t *testing.T) {
	held := []station.Code{}
	for code, play := range map[station.Code]func(*settings, *unit){
		station.RefusedUnlisted:  func(s *settings, _ *unit) { s.tie, s.pairs = product.TieList, map[string]string{"A2": "u9"} },
		station.RefusedFirmware:  func(_ *settings, u *unit) { u.id.Firmware = "9.9" },
		station.RefusedVersion:   func(_ *settings, u *unit) { u.id.ProtoLow, u.id.ProtoHigh = 90, 99 },
		station.RefusedShape:     func(_ *settings, u *unit) { u.id.Bins = 7 },
		station.RefusedUnitFault: func(_ *settings, u *unit) { u.faults = protocol.FaultDetector },
	} {
		s := usual()
		u := newUnit("u1", "A1")
		play(&s, u)
		w := newWorld(t, s)
		w.tell(station.NoNest, 0, station.Started{})
		w.pass(time.Second)
		for range 2 {
			w.calibrate(0, "A1", u)
		}
		if got, want := w.story("A1"), fmt.Sprintf("%s, to hold, %[1]s", code); got != want {
			t.Errorf("%s, want %s", got, want)
		}
		held = append(held, code)
		w.leave(string(code))
	}
	held = append(held, station.RefusedCap, station.RefusedReworks, station.RefusedUnreadable, station.RefusedSilent) // TestRework, TestUnreadableStray, TestGate…
	for _, m := range station.Codes() {
		if m.Class == station.Refused && strings.Contains(m.Action, "on hold") != slices.Contains(held, m.Code) {
			t.Errorf("%s says %q", m.Code, m.Action)
		}
	}
}

// An audit that puts a unit aside has it on record as a change of disposition.
func TestAuditHolds(t *testing.T) {
	s := usual()
	s.purpose = station.Audit
	w := newWorld(t, s)
	w.tell(station.NoNest, 0, station.Started{})
	w.pass(time.Second)
	w.calibrate(0, "A1", newUnit("u1", "A1")) // it was never released
	if got, want := w.story("A1"), "passed hold, to hold"; got != want {
		t.Errorf("%s, want %s", got, want)
	}
	w.leave("audit")
}

// Units that went on hold before the newest records are known too.
func TestHoldsFromBefore(t *testing.T) {
	at := time.Date(2026, 1, 2, 3, 4, 5, 0, time.UTC)
	w := worldOf(t, usual(), func(c *station.Config) {
		c.Holds = []record.Entry{{Time: at, Body: &record.DispositionChange{Serial: "A7", To: record.Hold, Code: "label_contradiction"}}}
	})
	if got := w.machine.Snapshot().Holds; len(got) != 1 || got[0] != (station.OnHold{Serial: "A7", Since: at, Why: station.FailedLabel}) {
		t.Errorf("%+v", got)
	}
	w.leave("holds from before")
}
