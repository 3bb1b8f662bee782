package central_test

import (
	"errors"
	"fmt"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"example.org/panecal/store"
	"example.org/panecal/store/central"
	"example.org/panecal/store/record"
)

// A station that works is carried as it grows, by its own login, and nothing twice.
func TestForward(t *testing.T) {
	db, _ := history(t)
	at := admit(t, db, "station_f1", central.Stations, "S1")
	dir := filepath.Join(t.TempDir(), "store")
	if err := store.Create(dir, store.Options{Station: "S1"}); err != nil {
		t.Fatal(err)
	}
	f := forwarder(t, at, follow(t, dir))
	if p := carry(t, f); p.Head.Station != "S1" || p.Head.Sequence != 0 {
		t.Errorf("an empty log: %+v", p)
	}
	s, err := store.Open(dir, store.Options{})
	if err != nil {
		t.Fatal(err)
	}
	for k := range 40 {
		if _, err := s.Append(grow(k)); err != nil {
			t.Fatal(err)
		}
		if k%13 == 0 {
			carry(t, f)
		}
	}
	carry(t, f)
	if p, err := f.Step(t.Context()); err != nil || p.Sent != 0 || p.Position.Sequence != 40 {
		t.Errorf("once more: %+v, %v", p, err)
	}
	same(t, server.URL(db, "owner"), dir)
	// What a label, a note or a lot says is text and nothing else.
	evil := `'; drop table panecal.records; -- $1 \ "x" ` + "\x00\x1f\n"
	a := attempt(evil, 1)
	a.Run.WindowLot, a.Run.Operator, a.Run.WorkOrder = evil, evil, evil
	for _, b := range []record.Body{a, &record.Note{Serial: evil, By: evil, Text: evil}, &record.DispositionChange{Serial: evil, To: record.Hold, Why: evil}} {
		if _, err := s.Append(b); err != nil {
			t.Fatal(err)
		}
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	carry(t, f)
	if n := server.SQL(t, db, "select count(*) from panecal.records where serial like '%drop table%'"); n != "3" {
		t.Errorf("%s records of that label", n)
	}
	if n := server.SQL(t, db, "select lots[2] from panecal.records where serial like '%drop table%' and kind = 3"); !strings.Contains(n, "drop table") {
		t.Errorf("the lot of the window is %q", n)
	}
	log := follow(t, dir)
	head, err := log.Head()
	if err != nil || head.Sequence != 43 {
		t.Fatal(head, err)
	}
	if n := server.SQL(t, db, "select count(*) || ' ' || count(distinct (generation, sequence)) || ' ' || max(sequence) from panecal.records"); n != "43 43 43" {
		t.Errorf("records, names and last: %s", n)
	}
}

// Two forwarders of one log at once: nothing is lost, nothing comes twice.
func TestTwoForwarders(t *testing.T) {
	db, at := history(t)
	dir := build(t, "S2", 2, 1500, nil)
	var errs [3]error
	var all sync.WaitGroup
	for i := range errs {
		f := forwarder(t, at, follow(t, dir))
		all.Go(func() {
			for range 100 {
				p, err := f.Step(t.Context())
				if errs[i] = err; err != nil || p.Sent == 0 && p.Lag() == 0 {
					return
				}
			}
			errs[i] = errors.New("no end")
		})
	}
	all.Wait()
	if err := errors.Join(errs[:]...); err != nil {
		t.Fatal(err)
	}
	if n := same(t, server.URL(db, "owner"), dir); n != 1500 {
		t.Errorf("%d records", n)
	}
}

// skipping is a reader that leaves records out, as no reader of ours does.
type skipping struct{ central.Log }

func (s skipping) Carry(after record.Ref, most, bytes int) ([]store.Carried, error) {
	list, err := s.Log.Carry(after, most, bytes)
	if len(list) > 5 {
		list = list[5:]
	}
	return list, err
}

// A log that does not follow from what is there is refused, on record, with the
// records that it is about.
func TestRefused(t *testing.T) {
	db, at := history(t)
	const n = 600
	whole := build(t, "S3", 3, n, nil)
	carry(t, forwarder(t, at, follow(t, whole)))
	changed := func(from int, body func(k int) record.Body) func(int, record.Body) record.Body {
		return func(k int, b record.Body) record.Body {
			if k+1 == from {
				return body(k)
			}
			return b
		}
	}
	for _, c := range []struct {
		name, dir   string
		wrap        func(central.Log) central.Log
		fault       store.Fault
		first, last uint64
	}{
		{"rewritten", build(t, "S3", 3, n+20, changed(407, func(int) record.Body { return &record.Note{Serial: "H", By: "p", Text: "another"} })), nil, store.Rewritten, 407, n},
		{"rewritten and shorter", build(t, "S3", 3, 450, changed(407, func(int) record.Body { return &record.Note{Serial: "H", By: "p", Text: "another"} })), nil, store.Rewritten, 407, n},
		{"forked", build(t, "S3", 3, n+20, changed(551, func(int) record.Body { return &record.Start{Random: record.Hash{7}} })), nil, store.Forked, 551, n},
		{"rolled back", build(t, "S3", 3, 450, nil), nil, store.RolledBack, 451, n},
		{"another log of that name", build(t, "S3", 4, 20, nil), nil, store.Forked, 1, 20},
		{"gap", build(t, "S3", 3, n+50, nil), func(l central.Log) central.Log { return skipping{l} }, central.Gap, n + 6, n + 50},
	} {
		t.Run(c.name, func(t *testing.T) {
			var l central.Log = follow(t, c.dir)
			if c.wrap != nil {
				l = c.wrap(l)
			}
			f := forwarder(t, at, l)
			for range 3 { // it stays refused, and is on record once
				_, err := f.Step(t.Context())
				var i *central.Incident
				if !errors.As(err, &i) || i.Fault != c.fault || i.First != c.first || i.Last != c.last || i.Station != "S3" {
					t.Fatalf("%v, %+v, want %s of records %d to %d", err, i, c.fault, c.first, c.last)
				}
				if !strings.Contains(i.What, fmt.Sprint(c.first)) {
					t.Errorf("record %d is not named: %s", c.first, i.What)
				}
			}
			row := server.SQL(t, db, "select code, first_sequence, last_sequence, count(*) over () from panecal.incidents where time = (select max(time) from panecal.incidents)")
			if want := fmt.Sprintf("%s|%d|%d|1", c.fault, c.first, c.last); row != want {
				t.Errorf("on record: %s, want %s", row, want)
			}
		})
	}
	// None of it got in, and the log itself goes on.
	if got := same(t, server.URL(db, "owner"), whole); got != n {
		t.Errorf("%d records", got)
	}
	more := build(t, "S3", 3, n+50, nil)
	carry(t, forwarder(t, at, follow(t, more)))
	same(t, server.URL(db, "owner"), more)
}

// A history that was put back from an older backup gets what it misses again.
func TestOlderBackup(t *testing.T) {
	db, at := history(t)
	dir := build(t, "S4", 5, 900, nil)
	f := forwarder(t, at, follow(t, dir))
	carry(t, f)
	for _, from := range []int{501, 251, 1} {
		older(t, db, "S4", from)
		carry(t, f)
		if n := same(t, server.URL(db, "owner"), dir); n != 900 {
			t.Errorf("from record %d: %d records", from, n)
		}
	}
}

// older takes back what came with the batches from a record on, as an older backup does.
func older(t *testing.T, db, station string, from int) {
	t.Helper()
	sql := "begin;"
	for _, table := range []string{"records", "attempts", "dispositions"} {
		sql += fmt.Sprintf("delete from panecal.%s where station = '%s' and sequence >= (select coalesce(min(first_sequence), 1000000000) from panecal.batches where station = '%s' and first_sequence >= %d);", table, station, station, from)
	}
	server.SQL(t, db, sql+fmt.Sprintf("delete from panecal.batches where station = '%s' and first_sequence >= %d; commit", station, from))
}

// A new computer goes on from a backup, as the next generation; what the old one had
// recorded after the backup stays.
func TestContinued(t *testing.T) {
	db, at := history(t)
	dir := filepath.Join(t.TempDir(), "store")
	if err := store.Create(dir, store.Options{Station: "S5"}); err != nil {
		t.Fatal(err)
	}
	fill := func(dir string, from, to int) {
		t.Helper()
		s, err := store.Open(dir, store.Options{})
		if err != nil {
			t.Fatal(err)
		}
		for k := from; k < to; k++ {
			if _, err := s.Append(grow(k)); err != nil {
				t.Fatal(err)
			}
		}
		if err := s.Close(); err != nil {
			t.Fatal(err)
		}
	}
	fill(dir, 0, 20)
	backup, next := filepath.Join(t.TempDir(), "backup"), filepath.Join(t.TempDir(), "store")
	if _, err := store.Backup(dir, backup, time.Now(), nil); err != nil {
		t.Fatal(err)
	}
	fill(dir, 20, 32)
	carry(t, forwarder(t, at, follow(t, dir)))
	if _, err := store.Continue(backup, next, store.Options{}); err != nil {
		t.Fatal(err)
	}
	fill(next, 100, 110)
	f := forwarder(t, at, follow(t, next))
	carry(t, f)
	fill(next, 110, 120)
	carry(t, f)
	got := server.SQL(t, db, "select string_agg(generation || ':' || n, ' ' order by generation) from (select generation, count(*) n from panecal.records where station = 'S5' group by generation) g")
	head, err := follow(t, next).Head()
	if err != nil {
		t.Fatal(err)
	}
	if want := fmt.Sprintf("1:32 2:%d", head.Sequence-20); got != want {
		t.Errorf("records by generation %s, want %s", got, want)
	}
	// The old computer, brought back, is not taken any more.
	fill(dir, 32, 33)
	var i *central.Incident
	if _, err := forwarder(t, at, follow(t, dir)).Step(t.Context()); !errors.As(err, &i) || i.Fault != store.RolledBack {
		t.Errorf("the old computer: %v", err)
	}
}

// A log is held against what the history has of it.
func TestCompare(t *testing.T) {
	db, at := history(t)
	dir := build(t, "S8", 8, 700, nil)
	carry(t, forwarder(t, at, follow(t, dir)))
	check := func(dir string) central.Comparison {
		t.Helper()
		c, err := central.Compare(t.Context(), at, follow(t, dir))
		if err != nil {
			t.Fatal(err)
		}
		return c
	}
	if c := check(dir); c.Incident != nil || c.Records != 700 || c.Sequence != 700 || c.Gone != 0 {
		t.Errorf("the log itself: %+v", c)
	}
	if c := check(build(t, "S8", 8, 720, nil)); c.Incident != nil || c.Sequence != 700 || c.Head.Sequence != 720 {
		t.Errorf("the log, gone on: %+v", c)
	}
	other := func(k int, b record.Body) record.Body {
		if k+1 == 333 {
			return &record.Note{Serial: "H", By: "p", Text: "another"}
		}
		return b
	}
	if c := check(build(t, "S8", 8, 720, other)); c.Incident == nil || c.Incident.Fault != store.Rewritten || c.Incident.First != 333 || c.Sequence != 332 {
		t.Errorf("a log that was rewritten: %+v", c)
	}
	// A record that was changed in the history itself, and months that were dropped.
	server.SQL(t, db, "update panecal.records set hash = sha256('x') where sequence = 44")
	if c := check(dir); c.Incident == nil || c.Incident.First != 44 || c.Records != 699 {
		t.Errorf("a history that was changed: %+v", c)
	}
	server.SQL(t, db, "delete from panecal.records where sequence <= 300")
	if c := check(dir); c.Incident != nil || c.Records != 400 || c.Gone != 300 {
		t.Errorf("a history without its first months: %+v", c)
	}
}
