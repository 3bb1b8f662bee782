package store_test

import (
	"fmt"
	"testing"

	"example.org/panecal/store"
	"example.org/panecal/store/record"
)

// fullAttempt is an attempt of a unit with 54 zones.
func fullAttempt(serial string) *record.Attempt {
	a := attempt(serial, 1)
	zone := make([]float64, 54)
	for i := range zone {
		zone[i] = 0.0123 * float64(i+1)
	}
	a.Zones = record.Zones{Rows: 6, Cols: 9, Leakage: zone, LeakageU: zone, RangeMM: zone, RangeUMM: zone, OffsetMM: zone, OffsetUMM: zone,
		Signal: zone, SignalU: zone, Ambient: zone, AmbientU: zone}
	a.Constants = &record.Constants{Written: make([]byte, 2000), ReadBack: make([]byte, 2000)}
	return a
}

func BenchmarkAppendAttempt54Zones(b *testing.B) {
	s := open(b, create(b))
	b.ReportAllocs()
	for b.Loop() {
		if _, err := s.Append(fullAttempt("A")); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkAppendNote(b *testing.B) {
	s := open(b, create(b))
	b.ReportAllocs()
	for b.Loop() {
		if _, err := s.Append(note("A", "x")); err != nil {
			b.Fatal(err)
		}
	}
}

// A question right after an append waits for the database.
func BenchmarkAppendThenAsk(b *testing.B) {
	s := open(b, create(b))
	n := 0
	for b.Loop() {
		n++
		serial := fmt.Sprint("S", n)
		if _, err := s.Append(fullAttempt(serial)); err != nil {
			b.Fatal(err)
		}
		if list, err := s.BySerial(serial); err != nil || len(list) != 1 {
			b.Fatal(len(list), err)
		}
	}
}

func BenchmarkAppendCapture54x96(b *testing.B) {
	s := open(b, create(b))
	c := record.Capture{Name: "empty", Counts: make(record.Counts, 54*96)}
	for i := range c.Counts {
		c.Counts[i] = uint32(i*i) % 997
	}
	b.ReportAllocs()
	for b.Loop() {
		if _, err := s.AppendCapture(c); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkBySerialOf10000Records(b *testing.B) {
	s := open(b, create(b))
	for i := range 10_000 {
		if _, err := s.Append(note(fmt.Sprint("S", i%2500), "x")); err != nil {
			b.Fatal(err)
		}
	}
	b.ReportAllocs()
	for b.Loop() {
		if list, err := s.BySerial("S77"); err != nil || len(list) != 4 {
			b.Fatal(len(list), err)
		}
	}
}

func BenchmarkRowsOf10000Attempts(b *testing.B) {
	dir := create(b)
	s := open(b, dir)
	for i := range 10_000 {
		if _, err := s.Append(attempt(fmt.Sprint("S", i), 1)); err != nil {
			b.Fatal(err)
		}
	}
	for b.Loop() {
		n := 0
		if err := s.Attempts(store.Filter{}, store.AllQuantities(), func(*store.Row) error { n++; return nil }); err != nil || n != 10_000 {
			b.Fatal(n, err)
		}
	}
	b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/10_000, "ns/row")
}

func BenchmarkFollowAnewOf2000Attempts(b *testing.B) {
	dir := create(b)
	s := open(b, dir)
	for i := range 2000 {
		if _, err := s.Append(fullAttempt(fmt.Sprint("S", i))); err != nil {
			b.Fatal(err)
		}
	}
	for b.Loop() {
		f, err := store.Follow(dir, b.TempDir())
		if err != nil {
			b.Fatal(err)
		}
		if err := f.Close(); err != nil {
			b.Fatal(err)
		}
	}
}
