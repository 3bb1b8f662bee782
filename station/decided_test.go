package station_test

import (
	"fmt"
	"os"
	"strings"
	"testing"
	"time"

	"example.org/panecal/limits/quantity"
	"example.org/panecal/station"
	"example.org/panecal/station/decision"
	"example.org/panecal/store"
	"example.org/panecal/store/query"
	"example.org/panecal/store/record"
	"example.org/panecal/testdata/figures"
)

// past is a world's log as commands and decisions read it.
type past struct {
	*world
	filed map[string][]record.Entry // by serial, as far as seen
	seen  int
}

func (p *past) BySerial(serial string) ([]record.Entry, error) {
	if p.filed == nil {
		p.filed = map[string][]record.Entry{}
	}
	for ; p.seen < len(p.log); p.seen++ {
		e := p.log[p.seen]
		p.filed[e.Body.Subject().Serial] = append(p.filed[e.Body.Subject().Serial], e)
	}
	return p.filed[serial], nil
}

func (p *past) ByUnitID(string) ([]record.Entry, error) { return nil, nil }

func (p *past) Get(ref record.Ref) (record.Entry, error) { return p.log[ref.Sequence-1], nil }

func (p *past) Holds() (list []store.Held, err error) {
	at := map[string]*record.Standing{}
	for _, e := range p.log {
		serial := e.Body.Subject().Serial
		s := at[serial]
		if s == nil {
			s = new(record.Standing)
			at[serial] = s
		}
		switch b := e.Body.(type) {
		case *record.Attempt:
			s.Verdict(b.Run.Purpose, b.Judgement.Disposition)
		case *record.DispositionChange:
			s.Change(b.To, b.Firm)
		}
	}
	for serial, s := range at {
		if s.At == record.Hold {
			list = append(list, store.Held{Serial: serial})
		}
	}
	return list, nil
}

func (p *past) Attempts(f store.Filter, _ []quantity.Name, each func(*store.Row) error) error {
	for _, e := range p.log {
		if a, ok := e.Body.(*record.Attempt); ok {
			r := store.Row{Time: e.Time, Serial: a.Run.Serial, WindowLot: a.Run.WindowLot, Purpose: a.Run.Purpose, Outcome: a.Outcome}
			if f.Match(&r) {
				if err := each(&r); err != nil {
					return err
				}
			}
		}
	}
	return nil
}

// decide carries an order out, and tells the machine.
func (p *past) decide(o decision.Order) (decision.Done, error) {
	p.t.Helper()
	p.now = p.now.Add(time.Second)
	o.By = "p2"
	o, err := decision.New(o, p.now)
	if err != nil {
		p.t.Fatal(err)
	}
	d := decision.Desk{Station: "cal-1", Log: p, Append: func(b record.Body) (record.Ref, error) { return p.append(b), nil }}
	done, refused, err := d.Do(o, nil, true)
	if err != nil {
		p.t.Fatal(err)
	}
	p.tell(station.NoNest, 0, station.Disposed{Changes: done.Changes})
	return done, refused
}

// TestContainment: the units of a window lot are held by one decision, none of
// them gets past the station while it stands, and all that passed come free by
// undoing it; each change names who and why.
func TestContainment(t *testing.T) {
	units := 60
	if os.Getenv("PANECAL_HOLDS") != "" {
		units = 1000
	}
	s := usual()
	s.max = 0
	w := worldOf(t, s, func(*station.Config) {})
	p := &past{world: w}
	w.recall = func(serial string) []record.Entry { list, _ := p.BySerial(serial); return list }
	w.tell(station.NoNest, 0, station.Crew{Operator: "4711", WindowLot: "W-11"})
	w.through("Z1")
	w.now = w.now.Add(time.Hour)
	since := w.now
	w.tell(station.NoNest, 0, station.Crew{Operator: "4711", WindowLot: "W-12"})
	made := map[string]*unit{}
	failing := map[string]bool{}
	for i := range units {
		serial := fmt.Sprintf("A%d", i)
		made[serial] = newUnit("u"+serial, serial)
		if i%10 == 9 {
			failing[serial] = true
			w.values[quantity.LeakageMax] = 99
		}
		w.calibrate(0, serial, made[serial])
		delete(w.values, quantity.LeakageMax)
	}
	lot := &decision.Chosen{Lot: "W-12", Since: &since}
	done, refused := p.decide(decision.Order{Verb: decision.Hold, Chosen: lot, Reason: "cloudy windows"})
	if refused != nil || done.Units != units || len(done.Left) > 0 {
		t.Fatalf("held %d, left %v, %v", done.Units, done.Left, refused)
	}
	if again, refused := p.decide(decision.Order{Verb: decision.Hold, Chosen: lot, Reason: "cloudy windows"}); refused == nil {
		t.Errorf("held twice: %+v", again)
	}
	held, err := query.OnHold(p, w.now)
	if err != nil || len(held.Units) != units {
		t.Fatalf("%d on hold, %v", len(held.Units), err)
	}
	for _, h := range held.Units {
		if h.By != "p2" || h.Why != "cloudy windows" || !h.Decided || h.Since.Before(since) {
			t.Fatalf("%+v", h)
		}
	}
	if n := w.machine.Snapshot().Counters.OpenHolds; n != units {
		t.Errorf("the station counts %d on hold", n)
	}
	w.shown = nil
	records := len(w.attempts())
	for serial, u := range made {
		w.said = nil
		w.calibrate(0, serial, u)
		if last := w.log[len(w.log)-1].Body; last.Kind() != record.KindRefusal || last.(*record.Refusal).Code != string(station.RefusedHeld) || !strings.Contains(last.(*record.Refusal).Chain, "cloudy windows") {
			t.Fatalf("%s ran on hold: %+v", serial, last)
		}
	}
	if len(w.shown) > 0 || len(w.attempts()) != records {
		t.Errorf("%d verdicts while all are on hold", len(w.shown))
	}
	done, refused = p.decide(decision.Order{Verb: decision.Unhold, Chosen: lot, Reason: "windows measured"})
	if refused != nil || done.Units != units {
		t.Fatalf("released %d, left %v, %v", done.Units, done.Left, refused)
	}
	for _, c := range done.Changes {
		want := record.Release
		if failing[c.Serial] {
			want = record.Rework
		}
		if c.To != want || c.By != "p2" || !strings.HasPrefix(c.Why, "windows measured") || c.Decision == nil {
			t.Errorf("%+v, want %s", c, want)
		}
	}
	if held, err = query.OnHold(p, w.now); err != nil || len(held.Units) != 0 {
		t.Errorf("%d on hold still, %v", len(held.Units), err)
	}
	w.shown = nil
	w.append(&record.ReworkDone{Serial: "A9", Action: "WIPED"})
	w.calibrate(0, "A9", made["A9"]) // failed before: it passes again, and goes on
	if v := w.shown; len(v) != 1 || !v[0].Released() {
		t.Errorf("%+v", v)
	}
	figures.Tell(t, "holds.units", units, "units", ">=60", units >= 60)
	figures.Kept(t, "holds.escaped")
}

// TestHeldMeanwhile: a unit that is put on hold while it runs, at any step, is
// not shown as released, whatever it measures; nor is it at the next start.
func TestHeldMeanwhile(t *testing.T) {
	steps := map[station.Step]bool{}
	for at := range 60 {
		w := worldOf(t, usual(), func(*station.Config) {})
		p := &past{world: w}
		u := newUnit("u1", "A1")
		w.tell(0, 0, station.Scanned{Text: "A1"})
		w.seat(0, u)
		n := 0
		decided := false
		w.told = func() {
			if n++; n == at && !decided {
				decided = true
				steps[w.step(0)] = true
				w.told = nil
				if _, refused := p.decide(decision.Order{Verb: decision.Hold, Serial: "A1", Reason: "wrong glue"}); refused != nil {
					t.Fatal(refused)
				}
			}
		}
		w.attend(0)
		if !decided {
			continue
		}
		if list, err := p.Holds(); err != nil || len(list) != 1 {
			t.Errorf("decided at event %d: on hold %v, %v", at, list, err)
		}
		if v := w.view(0).Verdict; v != nil && v.Released() {
			t.Errorf("decided at event %d: shown %+v", at, v)
		}
		if len(w.shown) > 0 && w.shown[len(w.shown)-1].Released() {
			t.Errorf("decided at event %d: the last that was shown is %+v", at, w.shown[len(w.shown)-1])
		}
		s := usual()
		s.recent = w.log
		again := newWorld(t, s)
		again.log = w.log
		again.tell(station.NoNest, 0, station.Started{})
		again.pass(time.Second)
		again.calibrate(0, "A1", u)
		if len(again.shown) > 0 && again.shown[len(again.shown)-1].Released() {
			t.Errorf("decided at event %d: after a start the unit is released", at)
		}
		if n := again.machine.Snapshot().Counters.OpenHolds; n != 1 {
			t.Errorf("decided at event %d: after a start %d are on hold", at, n)
		}
	}
	if len(steps) < 8 || !steps[station.Showing] {
		t.Errorf("too few steps were tried: %v", steps)
	}
}
