package whatif_test

import (
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"strconv"
	"strings"
	"testing"

	"gonum.org/v1/gonum/stat/distuv"

	"example.org/panecal/limits"
	"example.org/panecal/limits/quantity"
	"example.org/panecal/limits/whatif"
)

// table is rows held in memory, as Rows wants them.
type table struct {
	floats map[string][]float64
	ints   map[string][]int64
	texts  map[string][]string
	n      int
}

func newTable() *table {
	return &table{map[string][]float64{}, map[string][]int64{}, map[string][]string{}, 0}
}

func (t *table) Rows() int { return t.n }

func (t *table) Floats(name string, into []float64) ([]float64, error) {
	return get(t.floats, name, into)
}
func (t *table) Ints(name string, into []int64) ([]int64, error) { return get(t.ints, name, into) }
func (t *table) Texts(name string, into []string) ([]string, error) {
	return get(t.texts, name, into)
}

func get[T any](m map[string][]T, name string, into []T) ([]T, error) {
	v, ok := m[name]
	if !ok {
		return nil, fmt.Errorf("no column %s", name)
	}
	return append(into[:0], v...), nil
}

// add puts an attempt into the table, judged by f as the station does.
func (t *table) add(tb testing.TB, f *limits.File, nest string, s quantity.Set) quantity.Row {
	tb.Helper()
	row, err := s.Row()
	if err != nil {
		tb.Fatal(err)
	}
	for _, d := range quantity.All() {
		t.floats[string(d.Name)] = append(t.floats[string(d.Name)], row[d.Column])
		t.floats[string(d.Name)+"_u"] = append(t.floats[string(d.Name)+"_u"], row[d.Column+1])
		if d.Zoned {
			for k := range quantity.Guards {
				high, low := whatif.Side(d.Name, float64(k), true), whatif.Side(d.Name, float64(k), false)
				t.floats[high] = append(t.floats[high], row[d.Column+2+k])
				t.floats[low] = append(t.floats[low], row[d.Column+2+quantity.Guards+k])
			}
		}
	}
	j := f.Judge(s)
	t.n++
	t.ints["sequence"] = append(t.ints["sequence"], int64(t.n))
	t.ints["attempt"] = append(t.ints["attempt"], 1)
	t.ints["soft_bin"] = append(t.ints["soft_bin"], int64(j.SoftBin))
	for name, v := range map[string]string{"soft_bin_name": j.SoftName, "serial": "U" + strconv.Itoa(t.n), "nest": nest, "outcome": j.Outcome, "purpose": "production"} {
		t.texts[name] = append(t.texts[name], v)
	}
	return row
}

func sample(t testing.TB) string {
	t.Helper()
	text, err := os.ReadFile("../../cmd/panecal/sample/hopper-54.limits.toml")
	if err != nil {
		t.Fatal(err)
	}
	return string(text)
}

func read(t testing.TB, text string) *limits.File {
	t.Helper()
	f, err := limits.Read("limits.toml", []byte(text))
	if err != nil {
		t.Fatal(err)
	}
	return f
}

// draw is a unit with something out of order now and then, and something that
// was not measured.
func draw(r *rand.Rand) quantity.Set {
	s := quantity.Set{}
	for _, d := range quantity.All() {
		if r.IntN(40) == 0 {
			continue
		}
		scale := math.Pow(10, float64(r.IntN(4)-2))
		if !d.Zoned {
			s[d.Name] = quantity.Measured{Value: quantity.Value{V: 20 * r.NormFloat64() * scale, U: r.Float64() * scale}}
			continue
		}
		zones := make([]quantity.Value, 54)
		for z := range zones {
			zones[z] = quantity.Value{V: 0.01 * r.NormFloat64() * scale, U: 0.003 * r.Float64() * scale}
		}
		zones[r.IntN(54)].V = math.NaN()
		s[d.Name] = quantity.Worst(zones)
	}
	return s
}

// loose is the sample with limits wide enough that some units pass.
func loose(text string) string {
	for _, c := range [][2]string{{"high = 0.012", "high = 0.3"}, {"high = 0.5\n", "high = 50\n"}, {"low = 0.05", "low = -300"}, {"high = 0.35", "high = 300"}, {"low = -0.15", "low = -300"}, {"high = 0.15", "high = 300"}} {
		text = strings.Replace(text, c[0], c[1], 1)
	}
	return text
}

// Every row goes into the bin that the file's own judgement of it gives.
func TestTheSameAsJudging(t *testing.T) {
	old, next := read(t, loose(sample(t))), read(t, strings.Replace(sample(t), "k = 2", "k = 1", 1))
	r := rand.New(rand.NewPCG(7, 7))
	all := newTable()
	want, moved := map[int]int{}, 0
	for range 2000 {
		s := draw(r)
		row := all.add(t, old, "A", s)
		b, known := next.JudgeRow(row)
		if !known {
			t.Fatal("the row does not know")
		}
		j := next.Judge(s)
		if j.SoftBin != b.Number {
			t.Fatalf("the row gives %d, the set %d", b.Number, j.SoftBin)
		}
		want[b.Number]++
		if int64(b.Number) != all.ints["soft_bin"][all.n-1] {
			moved++
		}
	}
	trial, err := whatif.New(next)
	if err != nil {
		t.Fatal(err)
	}
	if err := trial.Add(all, nil); err != nil {
		t.Fatal(err)
	}
	a, err := trial.Answer(nil)
	if err != nil {
		t.Fatal(err)
	}
	got := map[int]int{}
	for _, b := range a.After.Bins {
		got[b.SoftBin] += b.Count
	}
	if fmt.Sprint(got) != fmt.Sprint(want) || len(a.Changed) != moved || moved < 100 || a.Attempts != 2000 {
		t.Errorf("bins %v, want %v; %d changed, want %d", got, want, len(a.Changed), moved)
	}
	for _, c := range a.Changed {
		b, _ := next.JudgeRow(rowAt(all, int(c.Sequence)-1))
		if c.To != b.Number || c.ToName != b.Name || c.From != int(all.ints["soft_bin"][c.Sequence-1]) {
			t.Errorf("%+v, want %d", c, b.Number)
		}
	}
}

func rowAt(t *table, i int) quantity.Row {
	row := make(quantity.Row, quantity.Columns)
	for _, d := range quantity.All() {
		row[d.Column], row[d.Column+1] = t.floats[string(d.Name)][i], t.floats[string(d.Name)+"_u"][i]
		for k := 0; d.Zoned && k < quantity.Guards; k++ {
			row[d.Column+2+k] = t.floats[whatif.Side(d.Name, float64(k), true)][i]
			row[d.Column+2+quantity.Guards+k] = t.floats[whatif.Side(d.Name, float64(k), false)][i]
		}
	}
	return row
}

const one = `product = "p"
zones = 4
[release]
author = "a"
reason = "r"
effective = 2024-01-15T06:00:00Z
[limit."pulse.width"]
unit = "ps"
low = 590
low_bin = "pulse"
high = 630
high_bin = "pulse"
k = 1
[limit."leakage.max"]
unit = "{count}/{shot}"
high = 0.012
high_bin = "dirty"
k = 0
[limit."verify.error"]
unit = "mm"
high = 3
high_bin = "verify"
k = 0
[bin.pulse]
number = 21
code = "P"
hard = "hold"
disposition = "hold"
priority = 1
instruction = "Put it in the hold box."
[bin.dirty]
number = 22
code = "D"
hard = "hold"
disposition = "hold"
priority = 2
instruction = "Put it in the hold box."
[hard_bin.release]
number = 1
[hard_bin.hold]
number = 3
`

// What fails by the old limits and not by the new was never verified: it may
// pass or not. What ended without its limits keeps its bin.
func TestNeverMeasured(t *testing.T) {
	old, next := read(t, one), read(t, strings.Replace(one, "high = 0.012", "high = 0.02", 1))
	all := newTable()
	put := func(leak float64, verify bool) {
		s := quantity.Set{quantity.LeakageMax: quantity.Worst([]quantity.Value{{V: leak}}), quantity.PulseWidth: {Value: quantity.Value{V: 610, U: 1}}}
		if verify {
			s[quantity.VerifyError] = quantity.Worst([]quantity.Value{{V: 0.1}})
		}
		all.add(t, old, "A", s)
	}
	for range 8 {
		put(0.004, true)
	}
	put(0.015, false) // would pass
	put(0.03, false)  // would not
	put(0.004, true)
	all.texts["outcome"][10], all.texts["soft_bin_name"][10], all.ints["soft_bin"][10] = "error", "capture", 94
	trial, err := whatif.New(next)
	if err != nil {
		t.Fatal(err)
	}
	if err := trial.Add(all, nil); err != nil {
		t.Fatal(err)
	}
	a, err := trial.Answer(nil)
	if err != nil {
		t.Fatal(err)
	}
	y := a.After.FirstPass
	if a.First != 10 || a.Unknown != 1 || float64(a.Before.FirstPass.Value) != 0.8 || float64(y.Lower) != 0.8 || float64(y.Upper) != 0.9 || !(y.Value > y.Lower && y.Value < y.Upper) {
		t.Errorf("%+v", a)
	}
	if fmt.Sprint(a.After.Bins) != "[{1 passed 8} {22 dirty 1} {90 not_measured 1} {94 capture 1}]" || len(a.Changed) != 1 || a.Changed[0].Serial != "U9" {
		t.Errorf("%+v, %+v", a.After.Bins, a.Changed)
	}
	// Picked leaves out.
	half, _ := whatif.New(next)
	picked := make([]bool, all.n)
	picked[0], picked[8] = true, true
	if err := half.Add(all, picked); err != nil {
		t.Fatal(err)
	}
	if a, err := half.Answer(nil); err != nil || a.Attempts != 2 || a.First != 2 || a.Unknown != 1 {
		t.Errorf("%+v, %v", a, err)
	}
}

// The risks of a normal population are those of JCGM 106:2012, 9.5, as package
// limits integrates them, to the scatter of the sample: own and common parts
// apart, and again with guard factors.
func TestRisksOfANormalPopulation(t *testing.T) {
	const n, mean, sd, own = 20000, 612.0, 8.0, 3.0
	f := read(t, one)
	for _, common := range []float64{0, 4} {
		r := rand.New(rand.NewPCG(11, 11))
		u := math.Hypot(own, common)
		all := newTable()
		var units []whatif.Unit
		for i := range n {
			// A nest's own error is one for all units: in this sample it is 0.
			v := mean + sd*r.NormFloat64() + own*r.NormFloat64()
			s := quantity.Set{quantity.PulseWidth: {Value: quantity.Value{V: v, U: u, Common: common}},
				quantity.LeakageMax: quantity.Worst([]quantity.Value{{V: 0.001}}), quantity.VerifyError: quantity.Worst([]quantity.Value{{V: 0}})}
			all.add(t, f, "A", s)
			if i%100 == 0 {
				units = append(units, whatif.Unit{Nest: "A", Set: s})
			}
		}
		trial, err := whatif.New(f)
		if err != nil {
			t.Fatal(err)
		}
		if err := trial.Add(all, nil); err != nil {
			t.Fatal(err)
		}
		a, err := trial.Answer(units)
		if err != nil {
			t.Fatal(err)
		}
		for k, g := range a.Guards {
			accept := limits.Interval{Low: 590 + float64(k)*u, High: 630 - float64(k)*u}
			wantAccept, wantReject := population(mean, sd, own, common, limits.Interval{Low: 590, High: 630}, accept)
			// Four standard deviations of a share of so many units.
			if off := math.Abs(float64(g.FalseAccept.Value) - wantAccept); off > 4*math.Sqrt(wantAccept/n)+0.0005 {
				t.Errorf("common %g, k %d: accepted falsely %v, want %.5f", common, k, g.FalseAccept, wantAccept)
			}
			if off := math.Abs(float64(g.FalseReject.Value) - wantReject); off > 4*math.Sqrt(wantReject/n)+0.001 {
				t.Errorf("common %g, k %d: rejected falsely %v, want %.5f", common, k, g.FalseReject, wantReject)
			}
		}
		if a.Risks[0].Name != quantity.LeakageMax && a.Risks[0].Name != quantity.PulseWidth || a.WorstNest != "A" {
			t.Errorf("%+v", a.Risks)
		}
	}
}

// population integrates limits.Risk over the nest's error: found values lie
// about the mean, true ones the error beside it.
func population(mean, sd, own, common float64, spec, accept limits.Interval) (consumer, producer float64) {
	const nodes = 200
	for i := range nodes {
		e := 0.0
		if common > 0 {
			e = common * distuv.UnitNormal.Quantile((float64(i)+0.5)/nodes)
		}
		shifted := limits.Interval{Low: spec.Low + e, High: spec.High + e}
		c, p := limits.Risk(distuv.Normal{Mu: mean, Sigma: sd}, own, shifted, accept)
		consumer, producer = consumer+c/nodes, producer+p/nodes
	}
	return consumer, producer
}

// With zones: what is worked out of one half of a simulated production is what
// happens in the other, though the largest of 40 zones is high by itself.
func TestRisksOfZones(t *testing.T) {
	text := strings.Replace(strings.Replace(one, "zones = 4", "zones = 40", 1), "high = 0.012\nhigh_bin = \"dirty\"\nk = 0", "high = 0.012\nhigh_bin = \"dirty\"\nk = 1", 1)
	f := read(t, text)
	const n, zones, high = 6000, 40, 0.012
	r := rand.New(rand.NewPCG(5, 5))
	all := newTable()
	var units []whatif.Unit
	var accepts, rejects [2]float64 // at k 0 and 1
	for range n {
		unit := 0.0085 + 0.001*r.NormFloat64()
		got, worst := make([]quantity.Value, zones), 0.0
		for z := range got {
			x := unit + 0.00002*float64(z-20) + 0.0005*r.NormFloat64()
			got[z] = quantity.Value{V: x + 0.0006*r.NormFloat64(), U: 0.0006}
			worst = max(worst, x)
		}
		for k := range accepts {
			switch seen := quantity.Worst(got).High(float64(k)); {
			case worst > high && seen <= high:
				accepts[k]++
			case worst <= high && seen > high:
				rejects[k]++
			}
		}
		s := quantity.Set{quantity.LeakageMax: quantity.Worst(got), quantity.PulseWidth: {Value: quantity.Value{V: 610, U: 0.1}}, quantity.VerifyError: quantity.Worst([]quantity.Value{{V: 0}})}
		all.add(t, f, "A", s)
		units = append(units, whatif.Unit{Nest: "A", Set: s})
	}
	trial, err := whatif.New(f)
	if err != nil {
		t.Fatal(err)
	}
	if err := trial.Add(all, nil); err != nil {
		t.Fatal(err)
	}
	a, err := trial.Answer(units[:1500])
	if err != nil {
		t.Fatal(err)
	}
	for k := range accepts {
		g := a.Guards[k]
		t.Logf("k %d: accepted falsely %.4f, predicted %v; rejected falsely %.4f, predicted %v", k, accepts[k]/n, g.FalseAccept, rejects[k]/n, g.FalseReject)
		for _, c := range []struct {
			got  whatif.Share
			want float64
		}{{g.FalseAccept, accepts[k] / n}, {g.FalseReject, rejects[k] / n}} {
			// Sampling: four standard deviations of both; the model: one part in ten.
			if off := math.Abs(float64(c.got.Value) - c.want); off > 4*math.Sqrt(c.want/n)+4*math.Sqrt(c.want/1500)/3+0.1*c.want+5.0/n {
				t.Errorf("k %d: %+v, and it was %.4f", k, c.got, c.want)
			}
		}
	}
}

// All scatter is the measurement's: that is said, and the bound takes it for the
// units'.
func TestNotResolved(t *testing.T) {
	f := read(t, one)
	r := rand.New(rand.NewPCG(9, 9))
	all := newTable()
	for range 500 {
		all.add(t, f, "B", quantity.Set{quantity.PulseWidth: {Value: quantity.Value{V: 610 + 6*r.NormFloat64(), U: 9}},
			quantity.LeakageMax: quantity.Worst([]quantity.Value{{V: 0.001}}), quantity.VerifyError: quantity.Worst([]quantity.Value{{V: 0}})})
	}
	trial, _ := whatif.New(f)
	if err := trial.Add(all, nil); err != nil {
		t.Fatal(err)
	}
	a, err := trial.Answer(nil)
	if err != nil || len(a.Risks) != 1 || a.Risks[0].Resolved || !(a.Risks[0].FalseReject.Upper > a.Risks[0].FalseReject.Value) {
		t.Errorf("%+v, %v", a.Risks, err)
	}
}

func BenchmarkTrial(b *testing.B) {
	f := read(b, sample(b))
	r := rand.New(rand.NewPCG(7, 7))
	all := newTable()
	for range 8192 {
		all.add(b, f, "A", draw(r))
	}
	b.ReportAllocs()
	n := 0
	for b.Loop() {
		trial, err := whatif.New(f)
		if err != nil {
			b.Fatal(err)
		}
		if err := trial.Add(all, nil); err != nil {
			b.Fatal(err)
		}
		n += all.n
	}
	b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(n), "ns/attempt")
}
