package cause_test

import (
	"bytes"
	"errors"
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"example.org/panecal/station/cause"
)

// like is a unit of a population of 6 × 9 zones: leakage falls from right to
// left, signal from the middle, each unit with its level and each zone with its
// own.
func like(r *rand.Rand) cause.Evidence {
	e := cause.Evidence{Rows: 6, Cols: 9, LeakageMM: 8 + 0.2*r.NormFloat64(), OffsetMM: 5, PulsePS: 620 * math.Exp(0.015*r.NormFloat64()), Late: 0.075 + 0.003*r.NormFloat64(),
		Change: 1 + 0.014*r.NormFloat64(), TiltDeg: 0.1 * math.Hypot(r.NormFloat64(), r.NormFloat64()), Stray: 3.5 + 0.3*r.NormFloat64(), Misfit: 1.1, Spread: 0.9 + 0.08*r.NormFloat64(),
		VerifyMM: 0.1 * r.NormFloat64(), VerifySpread: 0.35, Drift: 0.002 * r.NormFloat64(), ChecksMM: 0.35 * r.NormFloat64()}
	level, bright := math.Exp(0.15*r.NormFloat64()), math.Exp(0.05*r.NormFloat64())
	for z := range 54 {
		x, y := float64(z%9)/4-1, float64(z/9)/2.5-1
		e.Leakage = append(e.Leakage, 0.003*level*(1+0.3*x)*math.Exp(0.08*r.NormFloat64()))
		e.Signal = append(e.Signal, 0.1*bright*math.Exp(-0.3*(x*x+y*y)+0.05*r.NormFloat64()))
		e.Ambient = append(e.Ambient, 1.2e-4*math.Exp(0.05*r.NormFloat64()))
	}
	return e
}

func population(t *testing.T, n int) (*cause.Population, *rand.Rand) {
	t.Helper()
	r := rand.New(rand.NewPCG(5, 5))
	var list []cause.Evidence
	for range n {
		list = append(list, like(r))
	}
	p, err := cause.NewPopulation(list)
	if err != nil {
		t.Fatal(err)
	}
	return p, r
}

func table(t *testing.T) *cause.Table {
	t.Helper()
	table, err := cause.Default()
	if err != nil {
		t.Fatal(err)
	}
	return table
}

func scaled(v []float64, by float64) []float64 {
	out := make([]float64, len(v))
	for i := range v {
		out[i] = v[i] * by
	}
	return out
}

// Facts of the window's optics: what speaks for what.
func TestRank(t *testing.T) {
	p, r := population(t, 80)
	for _, c := range []struct {
		name   string
		change func(e *cause.Evidence)
		want   []cause.Code // one of these is first
		least  float64
	}{
		{"nothing", func(*cause.Evidence) {}, []cause.Code{cause.None}, 0.7},
		{"more leakage, less signal and ambient", func(e *cause.Evidence) {
			e.Leakage, e.Signal, e.Ambient = scaled(e.Leakage, 5), scaled(e.Signal, 0.75), scaled(e.Ambient, 0.87)
		}, []cause.Code{cause.Dirt}, 0.6},
		{"more leakage alone", func(e *cause.Evidence) { e.Leakage = scaled(e.Leakage, 3) }, []cause.Code{cause.Gasket, cause.Gap, cause.Tilt}, 0.2},
		{"leakage that fades within a capture", func(e *cause.Evidence) {
			e.Leakage, e.Signal, e.Drift, e.Change, e.Misfit = scaled(e.Leakage, 3), scaled(e.Signal, 0.7), -0.12, 0.8, 8
		}, []cause.Code{cause.Moisture}, 0.9},
		{"less of everything that the emitter sends", func(e *cause.Evidence) { e.Leakage, e.Signal = scaled(e.Leakage, 0.25), scaled(e.Signal, 0.25) }, []cause.Code{cause.Emitter}, 0.7},
		{"less of everything that passes the window", func(e *cause.Evidence) {
			e.Leakage, e.Signal, e.Ambient = scaled(e.Leakage, 0.28), scaled(e.Signal, 0.3), scaled(e.Ambient, 0.55)
		}, []cause.Code{cause.Absorption}, 0.7},
		{"zones gone", func(e *cause.Evidence) { e.Broken, e.Leakage[3], e.Signal[3] = 2, math.NaN(), math.NaN() }, []cause.Code{cause.Zones}, 0.9},
		{"tilted", func(e *cause.Evidence) { e.TiltDeg = 3.5 }, []cause.Code{cause.Seat}, 0.7},
		{"check units off too", func(e *cause.Evidence) { e.ChecksMM = 3 }, []cause.Code{cause.Station}, 0.7},
		{"ranges wrong with the constants", func(e *cause.Evidence) { e.VerifyMM = 8 }, []cause.Code{cause.Constants}, 0.7},
	} {
		e := like(r)
		c.change(&e)
		got := cause.Rank(&e, nil, p, table(t))
		sum := 0.0
		for i, k := range got.Causes {
			sum += k.Probability
			if i > 0 && k.Probability > got.Causes[i-1].Probability {
				t.Errorf("%s: not in order", c.name)
			}
		}
		top := got.Causes[0]
		right := false
		for _, w := range c.want {
			right = right || top.Code == w
		}
		if !right || top.Probability < c.least || math.Abs(sum-1) > 1e-9 || len(got.Causes) != 13 {
			t.Errorf("%s: %s at %.3f, %d causes that add up to %g", c.name, top.Code, top.Probability, len(got.Causes), sum)
		}
		if got.ToldApart != (top.Probability >= cause.Sure) || got.ToldApart && got.Next != nil {
			t.Errorf("%s: told apart %t at %.3f, next %v", c.name, got.ToldApart, top.Probability, got.Next)
		}
	}
}

// What is not known takes no part, down to nothing: then the priors stand.
func TestUnknown(t *testing.T) {
	p, _ := population(t, 30)
	nan := math.NaN()
	e := cause.Evidence{LeakageMM: nan, OffsetMM: nan, PulsePS: nan, Late: nan, Change: nan, TiltDeg: nan, Stray: nan, Misfit: nan, Spread: nan, Broken: nan, VerifyMM: nan, VerifySpread: nan, Drift: nan, ChecksMM: nan}
	r := cause.Rank(&e, nil, p, table(t))
	if len(r.Unknown) != cause.Findings {
		// max(NaN, x) is NaN in Go, so that nothing slips in.
		t.Errorf("%d findings are unknown, want all %d", len(r.Unknown), cause.Findings)
	}
	for _, c := range r.Causes {
		if math.Abs(c.Probability-cause.Prior(c.Code)) > 1e-12 || len(c.For)+len(c.Against) > 0 {
			t.Errorf("%s: %g with nothing known, prior %g, %v", c.Code, c.Probability, cause.Prior(c.Code), c.For)
		}
	}
	for _, bad := range []float64{math.Inf(1), math.Inf(-1), 0, -5, 1e300} {
		e := like(rand.New(rand.NewPCG(1, 1)))
		e.Leakage, e.Signal, e.PulsePS, e.VerifyMM, e.ChecksMM, e.Change, e.Drift = scaled(e.Leakage, bad), scaled(e.Signal, bad), bad, bad, bad, bad, bad
		for _, c := range cause.Rank(&e, nil, p, table(t)).Causes {
			if math.IsNaN(c.Probability) {
				t.Errorf("with %g: the probability of %s is no number", bad, c.Code)
			}
		}
	}
}

// An experiment splits what is not told apart; reading it says which half.
func TestExperiment(t *testing.T) {
	p, r := population(t, 80)
	e := like(r)
	e.Leakage = scaled(e.Leakage, 3)
	got := cause.Rank(&e, nil, p, table(t))
	if got.ToldApart || got.Next == nil {
		t.Fatalf("%s at %.2f, next %v", got.Causes[0].Code, got.Causes[0].Probability, got.Next)
	}
	for _, c := range []struct {
		times float64
		back  bool
	}{{1.05, true}, {1.3, true}, {2.9, false}, {3.2, false}} {
		after := e
		after.Leakage = scaled(e.Leakage, c.times/3)
		if back, sure := cause.Read(&e, &after, p, table(t), []cause.Code{cause.Dirt}); back != c.back || !sure {
			t.Errorf("%g times the population after it: back %t, sure %t", c.times, back, sure)
		}
	}
	// What hands cannot move, the unit's own, does not hide that they moved the rest.
	both := like(r)
	both.TiltDeg, both.PulsePS = 3.5, 1.2*both.PulsePS
	seated := both
	seated.TiltDeg = 0.9
	if back, sure := cause.Read(&both, &seated, p, table(t), []cause.Code{cause.Seat}); !back || !sure {
		t.Errorf("seated anew, and of another pulse as before: back %t, sure %t", back, sure)
	}
	if back, sure := cause.Read(&both, &both, p, table(t), []cause.Code{cause.Seat}); back || !sure {
		t.Errorf("nothing done: back %t, sure %t", back, sure)
	}
	healthy := like(r)
	if _, sure := cause.Read(&healthy, &healthy, p, table(t), nil); sure {
		t.Error("nothing was off, and yet the experiment says something")
	}
	// The next attempt tells too: what wiping and seating anew may have undone.
	after := e
	after.Leakage = scaled(e.Leakage, 0.35)
	of := func(r cause.Ranking, c cause.Code) float64 {
		for _, k := range r.Causes {
			if k.Code == c {
				return k.Probability
			}
		}
		return 0
	}
	later := cause.Rank(&e, &after, p, table(t))
	if later.Later != cause.CameBack || of(later, cause.Dirt) < 5*of(got, cause.Dirt) || of(later, cause.Gasket) > of(got, cause.Gasket) {
		t.Errorf("after it came back: dirt %.3f → %.3f, gasket %.3f → %.3f", of(got, cause.Dirt), of(later, cause.Dirt), of(got, cause.Gasket), of(later, cause.Gasket))
	}
}

func TestPopulation(t *testing.T) {
	if _, err := cause.NewPopulation(make([]cause.Evidence, 4)); !errors.Is(err, cause.ErrFew) {
		t.Errorf("four units: %v", err)
	}
	// Units of another grid are left out.
	r := rand.New(rand.NewPCG(2, 2))
	list := []cause.Evidence{}
	for range 6 {
		list = append(list, like(r))
	}
	p, err := cause.NewPopulation(append(list, cause.Evidence{Rows: 1, Cols: 1, Leakage: []float64{9}}))
	if err != nil || p.Units != 6 || len(p.Leakage) != 54 {
		t.Errorf("%+v, %v", p, err)
	}
}

// A table that is learnt is read back as it was, and says what is wrong with
// another.
func TestTable(t *testing.T) {
	p, r := population(t, 30)
	var list []cause.Example
	for n, c := range cause.Codes() {
		for i := range 12 {
			e := like(r)
			e.Leakage = scaled(e.Leakage, 1+0.2*float64(n*i))
			again := like(r)
			list = append(list, cause.Example{Code: c, Severity: float64(i), Evidence: e, Again: &again, Of: p})
		}
	}
	learnt := cause.Learn(list)
	var b bytes.Buffer
	if err := learnt.Write(&b); err != nil {
		t.Fatal(err)
	}
	text := b.String()
	back, err := cause.ReadTable(strings.NewReader(text))
	if err != nil {
		t.Fatal(err)
	}
	var again bytes.Buffer
	if err := back.Write(&again); err != nil || again.String() != text {
		t.Errorf("the table reads back as another one: %v", err)
	}
	for name, bad := range map[string]string{
		"empty":        "",
		"cut":          text[:len(text)/2],
		"no number":    strings.Replace(text, "mean,dirt,0,", "mean,dirt,0,x", 1),
		"another line": strings.Replace(text, "correlation,", "correlations,", 1),
		"no cause":     strings.ReplaceAll(text, ",seat,", ",seats,"),
	} {
		if _, err := cause.ReadTable(strings.NewReader(bad)); err == nil {
			t.Errorf("%s: no error", name)
		}
	}
}
