package decision_test

import (
	"errors"
	"fmt"
	"strings"
	"testing"
	"time"

	"example.org/panecal/limits/quantity"
	"example.org/panecal/station/decision"
	"example.org/panecal/store"
	"example.org/panecal/store/record"
)

// log is a station's log in memory.
type log struct {
	t    *testing.T
	list []record.Entry
	now  time.Time
	full int // records that it takes before it fails; 0: it does not
}

func (l *log) put(b record.Body) record.Ref {
	l.t.Helper()
	l.now = l.now.Add(time.Second)
	ref := record.Ref{Station: "S1", Generation: 1, Sequence: uint64(len(l.list) + 1)}
	l.list = append(l.list, record.Entry{Ref: ref, Time: l.now, Body: b})
	return ref
}

func (l *log) append(b record.Body) (record.Ref, error) {
	if l.full > 0 {
		if l.full--; l.full == 0 {
			return record.Ref{}, errors.New("the disk is full")
		}
	}
	return l.put(b), nil
}

func (l *log) BySerial(serial string) (list []record.Entry, err error) {
	for _, e := range l.list {
		if e.Body.Subject().Serial == serial {
			list = append(list, e)
		}
	}
	return list, nil
}

func (l *log) Get(ref record.Ref) (record.Entry, error) { return l.list[ref.Sequence-1], nil }

func (l *log) Attempts(f store.Filter, _ []quantity.Name, each func(*store.Row) error) error {
	for _, e := range l.list {
		if a, ok := e.Body.(*record.Attempt); ok {
			r := store.Row{Time: e.Time, Serial: a.Run.Serial, WindowLot: a.Run.WindowLot, GasketLot: a.Run.GasketLot, Purpose: a.Run.Purpose, Outcome: a.Outcome, Nest: a.Run.Nest}
			if f.Match(&r) {
				if err := each(&r); err != nil {
					return err
				}
			}
		}
	}
	return nil
}

// run puts an attempt on record.
func (l *log) run(serial string, p record.Purpose, o record.Outcome, d record.Disposition) record.Ref {
	run := record.Run{Serial: serial, UnitID: "u" + serial, Purpose: p, WindowLot: "W-12", GasketLot: "G-3"}
	intent := l.put(&record.AttemptIntent{Run: run})
	a := &record.Attempt{Run: run, Intent: &intent, Outcome: o, Judgement: record.Judgement{Disposition: d}}
	if o == record.Passed {
		a.Constants = &record.Constants{Written: []byte{1}, ReadBack: []byte{1}}
	}
	return l.put(a)
}

func (l *log) desk() *decision.Desk {
	return &decision.Desk{Station: "S1", Log: l, Append: l.append, Spared: []string{"CHECK-1"}}
}

// do carries out an order that is made now.
func (l *log) do(o decision.Order) (decision.Done, error, error) {
	l.t.Helper()
	l.now = l.now.Add(time.Second)
	o.By = "p2"
	o, err := decision.New(o, l.now)
	if err != nil {
		l.t.Fatal(err)
	}
	return l.desk().Do(o, nil, true)
}

func (l *log) at(serial string) record.Disposition {
	var s record.Standing
	list, _ := l.BySerial(serial)
	for _, e := range list {
		switch b := e.Body.(type) {
		case *record.Attempt:
			s.Verdict(b.Run.Purpose, b.Judgement.Disposition)
		case *record.DispositionChange:
			s.Change(b.To, b.Firm)
		}
	}
	return s.At
}

func one(v decision.Verb, serial string) decision.Order {
	return decision.Order{Verb: v, Serial: serial, Reason: "why " + string(v)}
}

// TestUnhold: where a unit goes that comes off hold does not hang on who held it,
// but on its last attempt in production and its mark.
func TestUnhold(t *testing.T) {
	const station, person = false, true
	passed := func(l *log) { l.run("A", record.Production, record.Passed, record.Release) }
	for name, c := range map[string]struct {
		past func(*log)
		by   bool
		doc  string
		want record.Disposition
	}{
		"passed, held by a person":            {passed, person, "", record.Release},
		"passed, held by the station":         {passed, station, "", record.Release},
		"failed":                              {func(l *log) { l.run("A", record.Production, record.Failed, record.Rework) }, person, "", record.Rework},
		"no verdict":                          {func(l *log) { l.run("A", record.Production, record.Error, record.Hold) }, person, "", record.Rework},
		"never run":                           {func(l *log) {}, person, "", record.Rework},
		"failed, with a concession":           {func(l *log) { l.run("A", record.Production, record.Failed, record.Rework) }, person, "C-17", record.Release},
		"passed, then failed":                 {func(l *log) { passed(l); l.run("A", record.Production, record.Failed, record.Rework) }, person, "", record.Rework},
		"failed, then passed":                 {func(l *log) { l.run("A", record.Production, record.Failed, record.Rework); passed(l) }, person, "", record.Release},
		"passed an audit only":                {func(l *log) { l.run("A", record.Audit, record.Passed, record.Release) }, person, "", record.Rework},
		"passed, then an audit that failed":   {func(l *log) { passed(l); l.run("A", record.Audit, record.Failed, record.Hold) }, person, "", record.Release},
		"passed, then written by an engineer": {func(l *log) { passed(l); l.run("A", record.Engineering, record.Passed, record.Hold) }, person, "", record.Rework},
		"passed, then cut off": {func(l *log) {
			passed(l)
			l.put(&record.AttemptIntent{Run: record.Run{Serial: "A", Purpose: record.Production}})
		}, person, "", record.Rework},
		"passed, mark in doubt": {func(l *log) {
			passed(l)
			l.put(&record.DispositionChange{Serial: "A", From: record.Release, To: record.Hold, Code: "mark_unconfirmed", By: "station"})
		}, person, "", record.Rework},
		"passed, mark in doubt and confirmed": {func(l *log) {
			passed(l)
			l.put(&record.DispositionChange{Serial: "A", To: record.Hold, Code: "mark_unconfirmed", By: "station"})
			l.put(&record.DispositionChange{Serial: "A", To: record.Release, Code: "mark_resolved", By: "station"})
		}, person, "", record.Release},
	} {
		t.Run(name, func(t *testing.T) {
			l := &log{t: t, now: noon}
			c.past(l)
			if c.by == person {
				if _, refused, err := l.do(one(decision.Hold, "A")); refused != nil || err != nil {
					t.Fatal(refused, err)
				}
			} else {
				l.put(&record.DispositionChange{Serial: "A", To: record.Hold, Code: "check_unit_not_passed", By: "station", Firm: true})
			}
			if l.run("A", record.Audit, record.Passed, record.Release); l.at("A") != record.Hold {
				t.Fatalf("at %s", l.at("A"))
			}
			o := one(decision.Unhold, "A")
			o.Document = c.doc
			done, refused, err := l.do(o)
			if refused != nil || err != nil || l.at("A") != c.want || done.Changes[0].Document != c.doc || done.Changes[0].By != "p2" {
				t.Errorf("at %s, want %s; %+v, %v, %v", l.at("A"), c.want, done, refused, err)
			}
			// Verdicts count again.
			if l.run("A", record.Production, record.Failed, record.Rework); l.at("A") != record.Rework {
				t.Errorf("after a run: %s", l.at("A"))
			}
		})
	}
}

// TestRefusals: what is no use, what is final and what comes too late moves
// nothing, and says why.
func TestRefusals(t *testing.T) {
	l := &log{t: t, now: noon}
	l.run("A", record.Production, record.Passed, record.Release)
	l.run("B", record.Production, record.Failed, record.Rework)
	l.run("CHECK-1", record.CheckUnit, record.Passed, record.Release)
	refuse := func(o decision.Order, want string) {
		t.Helper()
		before := len(l.list)
		_, refused, err := l.do(o)
		if err != nil || refused == nil || !strings.Contains(refused.Error(), want) || len(l.list) != before {
			t.Errorf("%s %s: %v, %v, want %q; %d records more", o.Verb, o.Serial, refused, err, want, len(l.list)-before)
		}
	}
	do := func(o decision.Order) decision.Done {
		t.Helper()
		done, refused, err := l.do(o)
		if err != nil || refused != nil {
			t.Fatal(refused, err)
		}
		return done
	}
	refuse(one(decision.Unhold, "A"), "not on hold")
	refuse(one(decision.Reworked, "A"), "it is released")
	refuse(one(decision.Reworked, "Z"), "no verdict")
	refuse(one(decision.Hold, "CHECK-1"), "check unit")
	elsewhere := one(decision.Hold, "A")
	elsewhere.Station = "S2"
	refuse(elsewhere, `"S2"`)
	refuse(decision.Order{Verb: decision.Hold, Chosen: &decision.Chosen{Lot: "W-99"}, Reason: "x"}, "no unit of this log")

	do(one(decision.Reworked, "B"))
	do(one(decision.Hold, "B"))
	refuse(one(decision.Reworked, "B"), "take it off hold first")
	do(one(decision.Scrap, "B"))
	for _, v := range decision.Verbs() {
		refuse(one(v, "B"), "final")
	}
	if l.run("B", record.Production, record.Passed, record.Release); l.at("B") != record.Scrap {
		t.Errorf("a scrapped unit is at %s", l.at("B"))
	}

	// Two decisions hold A: undoing one by its filters lets it be.
	byLot := decision.Order{Verb: decision.Hold, Chosen: &decision.Chosen{Lot: "W-12"}, Reason: "cloudy"}
	byGasket := decision.Order{Verb: decision.Hold, Chosen: &decision.Chosen{Lot: "G-3"}, Reason: "hard"}
	do(byLot)
	do(byGasket)
	byLot.Verb = decision.Unhold
	refuse(byLot, "2 decisions hold it")

	// What was decided before is no answer to what was decided since.
	old, err := decision.New(decision.Order{Verb: decision.Unhold, Serial: "A", Reason: "old", By: "p2"}, l.now.Add(time.Second))
	if err != nil {
		t.Fatal(err)
	}
	if _, refused, err := l.desk().Do(old, nil, true); refused != nil || err != nil || l.at("A") != record.Release {
		t.Fatal(refused, err, l.at("A"))
	}
	l.now = l.now.Add(time.Minute)
	do(one(decision.Hold, "A"))
	if _, refused, err := l.desk().Do(old, nil, true); err != nil || refused == nil || l.at("A") != record.Hold {
		t.Errorf("a file that came again took A off hold: %v, %v", refused, err)
	}
}

// TestCutOff: wherever the log fails, the same file taken again does the rest
// and nothing twice.
func TestCutOff(t *testing.T) {
	const units = 5
	for full := 1; full <= units+1; full++ {
		l := &log{t: t, now: noon}
		for i := range units {
			l.run(fmt.Sprint("A", i), record.Production, record.Passed, record.Release)
		}
		l.full = full
		o, err := decision.New(decision.Order{Verb: decision.Hold, Chosen: &decision.Chosen{Lot: "W-12"}, Reason: "cloudy", By: "p2"}, l.now.Add(time.Second))
		if err != nil {
			t.Fatal(err)
		}
		if _, _, err := l.desk().Do(o, nil, true); err == nil {
			t.Fatalf("record %d failed unnoticed", full)
		}
		for range 2 {
			if _, refused, err := l.desk().Do(o, nil, true); err != nil || refused != nil {
				t.Errorf("after record %d failed: %v, %v", full, refused, err)
			}
		}
		changes := 0
		for _, e := range l.list {
			if c, ok := e.Body.(*record.DispositionChange); ok {
				changes++
				if _, is := l.list[c.Decision.Sequence-1].Body.(*record.Decision); !is {
					t.Errorf("change without its decision: %+v", c)
				}
			}
		}
		if changes != units {
			t.Errorf("after record %d failed: %d changes for %d units", full, changes, units)
		}
	}
}

// TestHoldAtTheScreen: what somebody says at the station is on record as a decision
// without a signature; without a person nothing is.
func TestHoldAtTheScreen(t *testing.T) {
	l := &log{t: t, now: noon}
	l.run("A", record.Production, record.Passed, record.Release)
	d := l.desk()
	d.Serial = func(label string) string { return strings.TrimSuffix(label, "-X") }
	done, err := d.Hold("A-X", "SCRATCH", "p1", l.now.Add(time.Minute))
	if err != nil || done.Units != 1 || l.at("A") != record.Hold {
		t.Errorf("%+v, %v, at %s", done, err, l.at("A"))
	}
	if b, is := l.list[len(l.list)-2].Body.(*record.Decision); !is || b.Signed || b.By != "p1" || b.Serial != "A" || b.Reason != "SCRATCH" {
		t.Errorf("%+v", l.list[len(l.list)-2].Body)
	}
	if _, err := d.Hold("A-X", "SCRATCH", "", l.now.Add(time.Hour)); err == nil {
		t.Error("nobody held a unit")
	}
	if _, err := d.Hold("CHECK-1", "SCRATCH", "p1", l.now.Add(time.Hour)); err == nil {
		t.Error("a check unit is on hold")
	}
}
