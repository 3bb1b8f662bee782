package whatif_test

import (
	"encoding/json"
	"fmt"
	"math/rand/v2"
	"slices"
	"testing"

	"example.org/panecal/limits"
	"example.org/panecal/limits/quantity"
	"example.org/panecal/limits/whatif"
)

// units are some attempts, and the zone values of each fifth.
func units(tb testing.TB, f *limits.File, n int) (*table, []whatif.Unit) {
	r := rand.New(rand.NewPCG(7, uint64(n)))
	rows := newTable()
	var some []whatif.Unit
	for i := range n {
		s, nest := draw(r), string(rune('A'+r.IntN(3)))
		rows.add(tb, f, nest, s)
		if i%5 == 0 {
			some = append(some, whatif.Unit{Nest: nest, Set: s})
		}
		if r.IntN(20) == 0 {
			rows.ints["attempt"][i] = 2
		}
		if r.IntN(20) == 0 {
			rows.texts["outcome"][i], rows.texts["soft_bin_name"][i], rows.ints["soft_bin"][i] = limits.OutcomeError, limits.Capture, 94
		}
		if r.IntN(20) == 0 {
			rows.texts["outcome"][i], rows.texts["soft_bin_name"][i], rows.ints["soft_bin"][i] = limits.OutcomeFailed, limits.Verify, 91
		}
	}
	return rows, some
}

// with is a file with another limit of a quantity, as a person would write it.
func with(f *limits.File, n quantity.Name, low, high *float64, k int) *limits.File {
	g := *f
	g.Limits = slices.Clone(f.Limits)
	i := slices.IndexFunc(g.Limits, func(l limits.Limit) bool { return l.Name == n })
	l := &g.Limits[i]
	l.Low, l.High, l.K = low, high, float64(k)
	if l.LowBin == nil {
		l.LowBin = l.HighBin
	}
	if l.HighBin == nil {
		l.HighBin = l.LowBin
	}
	return &g
}

// Moving a limit says what trying a file with that limit says, whatever was
// moved before.
func TestMovingIsTrying(t *testing.T) {
	f := read(t, loose(sample(t)))
	rows, some := units(t, f, 300)
	picked := make([]bool, rows.n)
	for i := range picked {
		picked[i] = i%7 != 0
	}
	changed := 0
	for _, name := range []quantity.Name{"offset.mean", "leakage.max", "signal.min", "seat.tilt", "verify.error"} {
		m, err := whatif.NewMoving(f, name)
		if err != nil {
			t.Fatal(err)
		}
		if err := m.Add(rows, picked); err != nil {
			t.Fatal(err)
		}
		m.Sampled(some)
		for _, c := range []struct {
			low, high *float64
			k         int
		}{{nil, at(0.01), 2}, {at(-0.5), at(0.004), 0}, {at(-1), nil, 1}, {nil, nil, 2}, {at(0.002), at(0.001), 3}} {
			got, err := m.Move(c.low, c.high, c.k)
			if err != nil {
				t.Fatal(err)
			}
			trial, err := whatif.New(with(f, name, c.low, c.high, c.k))
			if err != nil {
				t.Fatal(err)
			}
			if err := trial.Add(rows, picked); err != nil {
				t.Fatal(err)
			}
			want, err := trial.Answer(some)
			if err != nil {
				t.Fatal(err)
			}
			changed += len(got.Changed)
			if g, w := text(t, got), text(t, want); g != w {
				n := 0
				for n < min(len(g), len(w)) && g[n] == w[n] {
					n++
				}
				t.Errorf("%s %v %v k %d: they differ at …%.300s\n…%.300s", name, c.low, c.high, c.k, g[max(0, n-100):], w[max(0, n-100):])
			}
		}
	}
	if changed == 0 {
		t.Error("nothing changed bin")
	}
}

// A quantity without a limit begins with none, and what a new one finds has a
// bin of its own.
func TestMovingWhereNoLimitIs(t *testing.T) {
	full := read(t, sample(t))
	rows, some := units(t, full, 100)
	f := *full
	f.Limits = slices.DeleteFunc(slices.Clone(full.Limits), func(l limits.Limit) bool { return l.Name == "offset.mean" })
	m, err := whatif.NewMoving(&f, "offset.mean")
	if err != nil || m.InFile() {
		t.Fatal(err)
	}
	if err := m.Add(rows, nil); err != nil {
		t.Fatal(err)
	}
	m.Sampled(some)
	open, err := m.Move(nil, nil, 0)
	if err != nil {
		t.Fatal(err)
	}
	trial, _ := whatif.New(&f)
	if err := trial.Add(rows, nil); err != nil {
		t.Fatal(err)
	}
	if want, _ := trial.Answer(some); text(t, open.After) != text(t, want.After) {
		t.Errorf("%+v, want %+v", open.After, want.After)
	}
	tight, err := m.Move(at(1e9), nil, 0)
	if err != nil {
		t.Fatal(err)
	}
	n := 0
	for _, b := range tight.After.Bins {
		if b.Name == whatif.NewBin {
			n = b.Count
		}
	}
	if n == 0 {
		t.Errorf("%+v", tight.After.Bins)
	}
	for _, name := range []quantity.Name{"offset", "leakage.max"} {
		g := with(full, "leakage.max", nil, at(1), 2)
		for i := range g.Limits {
			if g.Limits[i].Name == "signal.min" {
				g.Limits[i].K = 2.5
			}
		}
		if _, err := whatif.NewMoving(g, name); err == nil {
			t.Errorf("%s: no error", name)
		}
	}
	if _, err := m.Move(nil, nil, 4); err == nil {
		t.Error("guard factor 4: no error")
	}
}

func at(v float64) *float64 { return &v }

func text(t *testing.T, v any) string {
	t.Helper()
	data, err := json.Marshal(v)
	if err != nil {
		t.Fatal(err)
	}
	return string(data)
}

// A limit moved on the desk, over so many attempts.
func BenchmarkMove(b *testing.B) {
	f := read(b, sample(b))
	part, some := units(b, f, 1000)
	for _, name := range []quantity.Name{"offset.mean", "leakage.max"} {
		m, err := whatif.NewMoving(f, name)
		if err != nil {
			b.Fatal(err)
		}
		for range 100 {
			if err := m.Add(part, nil); err != nil {
				b.Fatal(err)
			}
		}
		m.Sampled(some)
		b.Run(fmt.Sprintf("%s/%d", name, m.Len()), func(b *testing.B) {
			b.ReportAllocs()
			high := 0.0
			for b.Loop() {
				high += 1e-5
				if _, err := m.Move(nil, &high, 2); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}
