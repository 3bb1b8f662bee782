package upkeep

import (
	"path/filepath"
	"slices"
	"testing"
	"time"

	"example.org/panecal/station"
	"example.org/panecal/store"
	"example.org/panecal/store/record"
)

// desk is a station whose computer's clock is set by the test.
type desk struct {
	t     *testing.T
	dir   string
	now   time.Time
	store *store.Store
	told  []station.Remark
	nests []station.NestView
}

func (d *desk) Snapshot() station.Snapshot               { return station.Snapshot{Nests: d.nests} }
func (d *desk) Append(b record.Body) (record.Ref, error) { return d.store.Append(b) }
func (d *desk) Remark(r station.Remark)                  { d.told = append(d.told, r) }
func (d *desk) put(b record.Body) {
	d.t.Helper()
	if _, err := d.Append(b); err != nil {
		d.t.Fatal(err)
	}
}

// starts starts the station at a time, and returns its keeper after it has held
// the clock against the log.
func (d *desk) starts(at time.Time) *Keeper {
	d.t.Helper()
	d.now, d.told = at, nil
	s, err := store.Open(d.dir, store.Options{Now: func() time.Time { return d.now }})
	if err != nil {
		d.t.Fatal(err)
	}
	d.store = s
	recent, err := Recent(s)
	if err != nil {
		d.t.Fatal(err)
	}
	if err := (Start{Software: "test", Command: "panecal run"}).PutOnRecord(s, d.now); err != nil {
		d.t.Fatal(err)
	}
	c := NewClock(recent)
	c.Leads, c.Name = []string{"4712"}, "S1"
	k := Rules{pause: LongestPause}.Keeper(Options{Store: s, Station: d, Clock: c, Now: func() time.Time { return d.now }, Logger: quiet()})
	if err := k.Begin(); err != nil {
		d.t.Fatal(err)
	}
	return k
}

func (d *desk) ends() {
	d.t.Helper()
	if err := d.store.Close(); err != nil {
		d.t.Fatal(err)
	}
}

// methods are how stops of the clock were lifted, so far.
func (d *desk) methods() (list []string) {
	d.t.Helper()
	for _, kind := range []record.Kind{record.KindStopLifted} {
		err := d.store.Records(store.Kind, kind.String(), func(e record.Entry) error {
			list = append(list, e.Body.(*record.StopLifted).Method)
			return nil
		})
		if err != nil {
			d.t.Fatal(err)
		}
	}
	return list
}

// A clock that is behind the log by five minutes or ahead of it by more than the
// longest pause stops the station, on record once, over starts too, until it is
// right or a lead has put a statement on record. What was recorded meanwhile does
// not count as the time.
func TestClockStopsTheStation(t *testing.T) {
	noon := time.Date(2026, 11, 27, 12, 0, 0, 0, time.UTC)
	d := &desk{t: t, dir: filepath.Join(t.TempDir(), "store")}
	if err := store.Create(d.dir, store.Options{Station: "S1"}); err != nil {
		t.Fatal(err)
	}
	stopped := func(want bool, what string) {
		t.Helper()
		if is := len(d.told) == 1 && d.told[0].Clock == d.now.Format(time.RFC3339); is != want || !want && len(d.told) > 0 {
			t.Errorf("%s: %+v", what, d.told)
		}
	}
	d.starts(noon)
	stopped(false, "an empty log")
	d.ends()
	d.starts(noon.Add(-4 * time.Minute))
	stopped(false, "four minutes behind")
	d.ends()
	d.starts(noon.Add(720 * time.Hour).Add(-5 * time.Minute))
	stopped(false, "a long holiday")
	d.ends()
	last := d.now
	d.starts(last.Add(-6 * time.Minute))
	stopped(true, "six minutes behind")
	if d.told[0].LogEnds != last.Format(time.RFC3339) {
		t.Error(d.told)
	}
	d.ends()
	k := d.starts(last.Add(-time.Hour)) // what the run before recorded is no time
	stopped(true, "started again")
	if n, err := d.store.Positions(store.Kind, record.KindStop.String()); err != nil || len(n) != 1 {
		t.Errorf("%d stops on record, %v", len(n), err)
	}
	d.put(&record.Note{Serial: "S1", By: "4711", Text: "statement: not a lead", Signed: []byte{1}})
	d.put(&record.Note{Serial: "A", By: "4712", Text: "statement: of a unit", Signed: []byte{1}})
	d.put(&record.Note{Serial: "S1", By: "4712", Text: "statement: unsigned"})
	d.told = nil
	if k.look(); len(d.told) > 0 || len(d.methods()) > 0 {
		t.Error("a statement of nobody counts", d.told)
	}
	d.now = last.Add(time.Minute) // set right
	if k.look(); len(d.told) != 1 || !d.told[0].ClockFits || !slices.Equal(d.methods(), []string{"clock"}) {
		t.Error(d.told, d.methods())
	}
	d.ends()
	far := last.AddDate(1, 0, 0)
	k = d.starts(far)
	stopped(true, "a year ahead")
	d.put(&record.Note{Serial: "S1", By: "4712", Text: "statement: the line stood for a year", Signed: []byte{1}})
	d.told = nil
	if k.look(); len(d.told) != 1 || !d.told[0].ClockFits || !slices.Equal(d.methods(), []string{"clock", "statement"}) {
		t.Error(d.told, d.methods())
	}
	d.ends()
	d.starts(far.Add(time.Minute))
	stopped(false, "after the statement")
	d.ends()
	d.starts(far.AddDate(2, 0, 0))
	stopped(true, "years ahead")
	d.ends()
	d.starts(far.Add(2 * time.Minute)) // the clock was set right while nothing ran
	if len(d.told) != 1 || !d.told[0].ClockFits {
		t.Error(d.told)
	}
	d.ends()
	r, err := store.Check(d.dir, store.CheckOptions{})
	if err != nil || len(r.Problems) > 0 {
		t.Error(r.Problems, err)
	}
}
