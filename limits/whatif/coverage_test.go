package whatif_test

import (
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"testing"

	"gonum.org/v1/gonum/stat/distuv"

	"example.org/panecal/limits"
	"example.org/panecal/limits/quantity"
	"example.org/panecal/limits/whatif"
	"example.org/panecal/testdata/figures"
)

// size is for a whole run of the proof, or for the part in every test.
func size(part, whole int) int {
	if os.Getenv("PANECAL_COVERAGE") != "" {
		return whole
	}
	return part
}

// lean is first attempts that passed, with a value of the pulse's width and
// nothing else.
type lean struct{ v, u []float64 }

func (l lean) Rows() int { return len(l.v) }

func (l lean) Floats(name string, into []float64) ([]float64, error) {
	switch name {
	case "pulse.width":
		return append(into[:0], l.v...), nil
	case "pulse.width_u":
		return append(into[:0], l.u...), nil
	}
	into = into[:0]
	for range l.v {
		into = append(into, math.NaN())
	}
	return into, nil
}

func (l lean) Ints(_ string, into []int64) ([]int64, error) {
	into = into[:0]
	for range l.v {
		into = append(into, 1)
	}
	return into, nil
}

func (l lean) Texts(name string, into []string) ([]string, error) {
	word := map[string]string{"soft_bin_name": "passed", "outcome": "passed", "purpose": "production", "nest": "A", "serial": "U"}[name]
	into = into[:0]
	for range l.v {
		into = append(into, word)
	}
	return into, nil
}

// The bounds of the risks hold the population's risks as often as they state.
func TestCoverageOfRisks(t *testing.T) {
	const n, mean, sd, own, level = 1000, 612.0, 8.0, 3.0, 0.95
	f := read(t, one) // 590 to 630 with guard factor 1
	accept, reject := population(mean, sd, own, 0, limits.Interval{Low: 590, High: 630}, limits.Interval{Low: 590 + own, High: 630 - own})
	r := rand.New(rand.NewPCG(31, 1))
	runs := size(400, 10_000)
	var held [2]int
	rows := lean{make([]float64, n), make([]float64, n)}
	for range runs {
		for i := range rows.v {
			rows.v[i], rows.u[i] = mean+sd*r.NormFloat64()+own*r.NormFloat64(), own
		}
		trial, err := whatif.New(f)
		if err != nil {
			t.Fatal(err)
		}
		if err := trial.Add(rows, nil); err != nil {
			t.Fatal(err)
		}
		a, err := trial.Answer(nil)
		if err != nil {
			t.Fatal(err)
		}
		for i, c := range []struct {
			got  whatif.Share
			true float64
		}{{a.FalseAccept, accept}, {a.FalseReject, reject}} {
			if float64(c.got.Lower) <= c.true && c.true <= float64(c.got.Upper) {
				held[i]++
			}
		}
	}
	for i, name := range []string{"false_accept", "false_reject"} {
		share := float64(held[i]) / float64(runs)
		figures.Tell(t, "coverage.risk."+name, fmt.Sprintf("%.4f", share), "share", fmt.Sprintf(">=%.2f", level-0.01), share >= level-0.01)
	}
}

// What is predicted for limits that the worst of 40 zones is held against is what
// simulated production then does, within the error of both samples.
func TestCoverageOfZones(t *testing.T) {
	const zones, high, spread, u = 40, 0.012, 0.0005, 0.0006
	f := read(t, one)
	f = with(f, quantity.LeakageMax, nil, at(high), 1)
	r := rand.New(rand.NewPCG(31, 2))
	draw := func() (got []quantity.Value, good bool) {
		unit := 0.0085 + 0.001*r.NormFloat64()
		got, good = make([]quantity.Value, zones), true
		for z := range got {
			x := unit + 0.00002*float64(z-20) + spread*r.NormFloat64()
			good = good && x <= high
			got[z] = quantity.Value{V: x + u*r.NormFloat64(), U: u}
		}
		return got, good
	}
	sample, n := size(1500, 10_000), size(15_000, 300_000)
	var units []whatif.Unit
	for range sample {
		got, _ := draw()
		units = append(units, whatif.Unit{Nest: "A", Set: quantity.Set{quantity.LeakageMax: quantity.Worst(got)}})
	}
	trial, err := whatif.New(f)
	if err != nil {
		t.Fatal(err)
	}
	a, err := trial.Answer(units)
	if err != nil {
		t.Fatal(err)
	}
	var accepts, rejects [2]int // with guard factors 0, 1
	for range n {
		got, good := draw()
		m := quantity.Worst(got)
		for k := range accepts {
			switch passes := m.High(float64(k)) <= high; {
			case passes && !good:
				accepts[k]++
			case !passes && good:
				rejects[k]++
			}
		}
	}
	for k := range accepts {
		for _, c := range []struct {
			name string
			got  whatif.Share
			seen int
		}{{"false_accept", a.Guards[k].FalseAccept, accepts[k]}, {"false_reject", a.Guards[k].FalseReject, rejects[k]}} {
			seen := float64(c.seen) / float64(n)
			own := float64(c.got.Upper-c.got.Value) / distuv.UnitNormal.Quantile(0.975)
			z := math.Abs(float64(c.got.Value)-seen) / math.Hypot(own, math.Sqrt(max(seen, 1/float64(n))/float64(n)))
			t.Logf("guard %d, %s: predicted %.5f (%.5f to %.5f), simulated %.5f", k, c.name, c.got.Value, c.got.Lower, c.got.Upper, seen)
			figures.Tell(t, fmt.Sprintf("coverage.zones.%s.guard%d", c.name, k), fmt.Sprintf("%.2f", z), "standard_errors", "<=3", z <= 3)
		}
	}
}
