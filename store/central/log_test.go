package central_test

import (
	"bytes"
	"fmt"
	"path/filepath"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/klauspost/compress/zstd"

	"example.org/panecal/limits/quantity"
	"example.org/panecal/store"
	"example.org/panecal/store/central"
	"example.org/panecal/store/record"
)

var began = time.Date(2026, 11, 2, 6, 0, 0, 0, time.UTC)

func attempt(serial string, no int) *record.Attempt {
	s := quantity.Set{}
	s.Put(quantity.OffsetMean, 1.25*float64(no), 0.2)
	s[quantity.LeakageMax] = quantity.Worst([]quantity.Value{{V: 0.01, U: 0.001}, {V: 0.02, U: 0.0015}})
	q, err := record.Quantities(s)
	if err != nil {
		panic(err)
	}
	return &record.Attempt{
		Run: record.Run{Serial: serial, UnitID: "u-" + serial, Lot: "L1", WindowLot: "W7", Nest: "A", Operator: "p-4711", WorkOrder: "WO-1",
			Purpose: record.Production, AttemptNo: no, Product: record.Revision{Name: "hopper-54"}},
		Outcome:    record.Passed,
		Judgement:  record.Judgement{Passed: true, SoftBin: 1, SoftName: "passed", HardBin: 1, Disposition: record.Release},
		Quantities: q,
	}
}

// identity gives stores that are made from it the same identity.
func identity(n byte) *bytes.Reader { return bytes.NewReader(bytes.Repeat([]byte{n}, 1<<10)) }

// grow is the n-th record of an invented log.
func grow(n int) record.Body {
	serial := fmt.Sprintf("H54-%05d", n/4)
	switch n % 4 {
	case 0:
		return &record.AttemptIntent{Run: attempt(serial, 1).Run}
	case 1:
		return attempt(serial, 1)
	case 2:
		return &record.DispositionChange{Serial: serial, To: record.Hold, Why: "gasket"}
	}
	return &record.Note{Serial: serial, By: "p-1", Text: "seen"}
}

// build makes a log of n records; other changes what it likes.
func build(t *testing.T, station string, id byte, n int, other func(k int, b record.Body) record.Body) string {
	t.Helper()
	dir := filepath.Join(t.TempDir(), "store")
	err := store.Build(dir, store.Options{Station: station, Random: identity(id)}, func(b *store.Builder) error {
		for k := range n {
			body := grow(k)
			if other != nil {
				body = other(k, body)
			}
			if _, err := b.Append(began.Add(time.Duration(k)*time.Second), body); err != nil {
				return err
			}
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	return dir
}

func follow(t *testing.T, dir string) *store.Follower {
	t.Helper()
	f, err := store.Follow(dir, "")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { f.Close() })
	return f
}

func forwarder(t *testing.T, at *central.Target, l central.Log) *central.Forwarder {
	t.Helper()
	f, err := central.NewForwarder(at, l, "test")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(f.Close)
	return f
}

// carry steps until the history has the whole log.
func carry(t *testing.T, f *central.Forwarder) central.Progress {
	t.Helper()
	for range 10_000 {
		p, err := f.Step(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		if p.Sent == 0 && p.Lag() == 0 {
			return p
		}
	}
	t.Fatal("no end")
	return central.Progress{}
}

// same fails where the history is not what the log says, record by record, byte by
// byte, and row by row; it returns how many records it compared.
func same(t *testing.T, url, dir string) int {
	t.Helper()
	log := follow(t, dir)
	var all []store.Carried
	last := record.Ref{}
	for {
		list, err := log.Carry(last, 1000, 64<<20)
		if err != nil {
			t.Fatal(err)
		}
		if len(list) == 0 {
			break
		}
		all, last = append(all, list...), list[len(list)-1].Ref
	}
	station, err := store.StationOf(dir)
	if err != nil {
		t.Fatal(err)
	}
	c, err := pgx.Connect(t.Context(), url)
	if err != nil {
		t.Fatal(err)
	}
	defer c.Close(t.Context())
	dec, err := zstd.NewReader(nil)
	if err != nil {
		t.Fatal(err)
	}
	defer dec.Close()
	n := 0
	query := func(sql string, each func(pgx.Rows) error) {
		t.Helper()
		rows, err := c.Query(t.Context(), sql, station)
		if err != nil {
			t.Fatal(err)
		}
		defer rows.Close()
		for rows.Next() {
			if err := each(rows); err != nil {
				t.Fatal(err)
			}
		}
		if err := rows.Err(); err != nil {
			t.Fatal(err)
		}
	}
	query("select generation, sequence, hash, kind, time, data from panecal.records where station = $1 order by sequence, generation", func(r pgx.Rows) error {
		var generation, sequence int64
		var hash, data []byte
		var kind int16
		var at time.Time
		if err := r.Scan(&generation, &sequence, &hash, &kind, &at, &data); err != nil {
			return err
		}
		if n >= len(all) {
			return fmt.Errorf("record %d is not in the log", sequence)
		}
		want := all[n]
		n++
		plain, err := dec.DecodeAll(data, nil)
		if err != nil {
			return err
		}
		ref := want.Ref
		if generation != int64(ref.Generation) || sequence != int64(ref.Sequence) || record.Hash(hash) != ref.Hash || record.HashOf(plain) != ref.Hash || !bytes.Equal(plain, want.Data) ||
			record.Kind(kind) != want.Kind || !at.Equal(want.Time.Truncate(time.Microsecond)) {
			return fmt.Errorf("record %d/%d is not that of the log, %s", generation, sequence, ref)
		}
		return nil
	})
	if n != len(all) {
		t.Fatalf("%d records of station %s, the log has %d", n, station, len(all))
	}
	var attempts []store.Row
	for i := range all {
		row, ok, err := all[i].Row()
		if err != nil {
			t.Fatal(err)
		}
		if ok {
			attempts = append(attempts, row)
		}
	}
	k := 0
	query(`select sequence, packed, serial, operator, "offset.mean", "leakage.max_high2", "temperature" from panecal.attempts where station = $1 order by sequence, generation`, func(r pgx.Rows) error {
		var sequence int64
		var packed []byte
		var serial, operator string
		var offset, high, temperature *float64
		if err := r.Scan(&sequence, &packed, &serial, &operator, &offset, &high, &temperature); err != nil {
			return err
		}
		if k >= len(attempts) {
			return fmt.Errorf("attempt %d is not in the log", sequence)
		}
		want := attempts[k]
		k++
		number := func(n quantity.Name, high bool) *float64 {
			d, _ := quantity.Lookup(n)
			v := want.Quantities[d.Column]
			if high {
				v = want.Quantities[d.Column+4]
			}
			if v != v {
				return nil
			}
			return &v
		}
		equal := func(a, b *float64) bool { return (a == nil) == (b == nil) && (a == nil || *a == *b) }
		if sequence != int64(want.Sequence) || !bytes.Equal(packed, want.AppendPacked(nil)) || operator != want.Operator || !equal(offset, number(quantity.OffsetMean, false)) ||
			!equal(high, number(quantity.LeakageMax, true)) || !equal(temperature, number(quantity.Temperature, false)) {
			return fmt.Errorf("attempt %d is not that of the log", sequence)
		}
		return nil
	})
	if k != len(attempts) {
		t.Fatalf("%d attempts of station %s, the log has %d", k, station, len(attempts))
	}
	return n
}
