package whatif_test

import (
	"encoding/json"
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"example.org/panecal/limits"
	"example.org/panecal/limits/quantity"
	"example.org/panecal/limits/whatif"
)

// outlined makes rows of n attempts with what an outline wants of them.
func outlined(t testing.TB, f *limits.File, seed uint64, n int) *table {
	t.Helper()
	all, r := newTable(), rand.New(rand.NewPCG(seed, seed))
	for i := range n {
		all.add(t, f, string(rune('A'+i%3)), draw(r))
		all.ints["generation"] = append(all.ints["generation"], 1)
		all.texts["product"] = append(all.texts["product"], []string{f.Product, f.Product, "other"}[i/2%3])
		if i%31 == 5 {
			all.texts["outcome"][i], all.texts["soft_bin_name"][i], all.ints["soft_bin"][i] = "error", "capture", 94
		}
		if i%17 == 3 {
			all.ints["attempt"][i] = 2
		}
	}
	return all
}

func over(t testing.TB, rows whatif.Rows) whatif.Rows {
	t.Helper()
	data, err := whatif.MakeOutline(rows)
	if err != nil {
		t.Fatal(err)
	}
	o, err := whatif.ReadOutline(data)
	if err != nil {
		t.Fatal(err)
	}
	b, err := o.Over(rows)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// tried is the answer of a trial of the attempts in some parts that are picked.
func tried(t testing.TB, f *limits.File, picked func(i int) bool, parts ...whatif.Rows) string {
	t.Helper()
	trial, err := whatif.New(f)
	if err != nil {
		t.Fatal(err)
	}
	for again := true; again; again = trial.Refine() {
		for _, b := range parts {
			chosen := make([]bool, b.Rows())
			for i := range chosen {
				chosen[i] = picked(i)
			}
			if err := trial.Add(b, chosen); err != nil {
				t.Fatal(err)
			}
		}
	}
	a, err := trial.Answer(nil)
	if err != nil {
		t.Fatal(err)
	}
	text, err := json.MarshalIndent(a, "", " ")
	if err != nil {
		t.Fatal(err)
	}
	return string(text)
}

// counting is rows that count which columns of numbers are asked for.
type counting struct {
	*table
	asked map[string]int
}

func (c counting) Floats(name string, into []float64) ([]float64, error) {
	c.asked[name]++
	return c.table.Floats(name, into)
}

// With its outline a trial comes to the same, whatever the limits: far out, where
// the outline knows every attempt that matters, and in the midst of them, where it
// does not.
func TestOutlineAnswersTheSame(t *testing.T) {
	old := read(t, loose(sample(t)))
	all := outlined(t, old, 3, 1500)
	with := over(t, all)
	r := rand.New(rand.NewPCG(11, 5))
	for round := range 14 {
		next := *read(t, loose(sample(t)))
		next.Limits = append([]limits.Limit{}, next.Limits...)
		for i := range next.Limits {
			l := &next.Limits[i]
			l.K = []float64{0, 1, 2, 3, 2, 1.64}[r.IntN(6)]
			if l.Zoned {
				l.K = math.Trunc(l.K)
			}
			l.Optional = r.IntN(3) == 0
			for _, side := range []*float64{l.Low, l.High} {
				if side != nil {
					*side *= math.Pow(10, 4*r.Float64()-2)
				}
			}
		}
		picked := func(i int) bool { return round%2 == 0 || i%5 > 0 }
		if got, want := tried(t, &next, picked, with), tried(t, &next, picked, all); got != want {
			t.Fatalf("round %d: %s", round, firstDifference(got, want))
		}
	}
}

func firstDifference(got, want string) string {
	g, w := strings.Split(got, "\n"), strings.Split(want, "\n")
	for i := range min(len(g), len(w)) {
		if g[i] != w[i] {
			return fmt.Sprintf("line %d: %s, without the outline %s", i+1, g[i], w[i])
		}
	}
	return fmt.Sprintf("%d lines, %d without the outline", len(g), len(w))
}

// Limits at some distance from most attempts are answered without a column, but for
// the scatter, which is drawn anew where there are few attempts.
func TestOutlineAsksForNothing(t *testing.T) {
	f := *read(t, sample(t))
	f.Limits = append([]limits.Limit{}, f.Limits...)
	for i := range f.Limits {
		l := &f.Limits[i]
		low, high := -1e6, 1e6
		l.Low, l.High = &low, &high
	}
	all := counting{outlined(t, &f, 4, 500), map[string]int{}}
	b := over(t, all)
	clear(all.asked)
	trial, err := whatif.New(&f)
	if err != nil {
		t.Fatal(err)
	}
	if err := trial.Add(b, nil); err != nil {
		t.Fatal(err)
	}
	if len(all.asked) > 0 {
		t.Errorf("columns %v", all.asked)
	}
	if !trial.Refine() || trial.Refine() {
		t.Error("500 attempts are too few for an outline's scatter, once")
	}
}

// An attempt with some of the numbers of a quantity is judged by its columns.
func TestOutlineOfVagueNumbers(t *testing.T) {
	f := read(t, loose(sample(t)))
	all := outlined(t, f, 5, 400)
	all.floats["pulse.width_u"][7] = math.Inf(1) // 0·∞ is no number, 2·∞ is
	all.floats["leakage.max_low3"][9] = math.NaN()
	every := func(int) bool { return true }
	if got, want := tried(t, f, every, over(t, all)), tried(t, f, every, all); got != want {
		t.Error(firstDifference(got, want))
	}
}

// Outlines of parts of the attempts come to the same as all in one, and so does no
// outline of some.
func TestOutlinesOfParts(t *testing.T) {
	f := read(t, loose(sample(t)))
	a, b := outlined(t, f, 6, 700), outlined(t, f, 7, 300)
	every := func(int) bool { return true }
	want := tried(t, f, every, a, b)
	for _, parts := range [][]whatif.Rows{{over(t, a), over(t, b)}, {over(t, a), b}, {a, over(t, b)}} {
		if got := tried(t, f, every, parts...); got != want {
			t.Error(firstDifference(got, want))
		}
	}
}

// With many attempts the scatter comes from the outlines, and is that of columns.
func TestOutlineScatter(t *testing.T) {
	f := read(t, one)
	r := rand.New(rand.NewPCG(9, 9))
	const n = 4000
	b := lean{}
	for range n {
		b.v, b.u = append(b.v, 610+6*r.NormFloat64()), append(b.u, 1.5)
	}
	rows := leanOutlined{b}
	with := over(t, rows)
	answer := func(b whatif.Rows) string {
		trial, err := whatif.New(f)
		if err != nil {
			t.Fatal(err)
		}
		for range 92 {
			if err := trial.Add(b, nil); err != nil {
				t.Fatal(err)
			}
		}
		if trial.Refine() {
			t.Error("368,000 attempts are too few")
		}
		a, err := trial.Answer(nil)
		if err != nil {
			t.Fatal(err)
		}
		return fmt.Sprint(a.Risks, a.FalseAccept, a.FalseReject)
	}
	if got, want := answer(with), answer(rows); got != want {
		t.Errorf("%s, without the outline %s", got, want)
	}
}

// leanOutlined is lean with what an outline wants.
type leanOutlined struct{ lean }

func (l leanOutlined) Ints(name string, into []int64) ([]int64, error) {
	into, err := l.lean.Ints(name, into)
	for i := range into {
		if name == "sequence" {
			into[i] = int64(i + 1)
		}
	}
	return into, err
}

// Whatever bytes: an error, or an outline that can be asked.
func FuzzReadOutline(f *testing.F) {
	file := read(f, loose(sample(f)))
	rows := outlined(f, file, 8, 40)
	data, err := whatif.MakeOutline(rows)
	if err != nil {
		f.Fatal(err)
	}
	f.Add(data)
	for i := 0; i < len(data); i += 97 {
		bad := append([]byte{}, data...)
		bad[i] ^= 0xff
		f.Add(bad)
		f.Add(data[:i])
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		o, err := whatif.ReadOutline(data)
		if err != nil {
			return
		}
		b, err := o.Over(rows)
		if err != nil {
			return
		}
		trial, err := whatif.New(file)
		if err != nil {
			t.Fatal(err)
		}
		if err := trial.Add(b, nil); err != nil {
			t.Fatal(err)
		}
		if _, err := b.Texts("serial", nil); err != nil {
			t.Fatal(err)
		}
	})
}

// An outline of other attempts is refused.
func TestOutlineOfOthers(t *testing.T) {
	f := read(t, sample(t))
	data, err := whatif.MakeOutline(outlined(t, f, 1, 20))
	if err != nil {
		t.Fatal(err)
	}
	o, err := whatif.ReadOutline(data)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := o.Over(outlined(t, f, 1, 21)); err == nil {
		t.Error("it was taken")
	}
	if quantity.Columns != whatif.OutlineVersion&0xffff {
		t.Error("another number of columns is another version")
	}
}
