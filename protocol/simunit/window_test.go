package simunit

import (
	"math"
	"testing"
)

// plain is the product without spread and departures.
func plain(t *testing.T, law StrayLaw) *body {
	t.Helper()
	m := Hopper54()
	m.Spread, m.Departures = Spread{}, Departures{}
	if law != (StrayLaw{}) {
		m.StrayXSlope, m.StrayLaw = 0, law
	}
	b, err := newBody(m, 1)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

func leakage(b *body, s Scene) []float64 { return b.shine(s, seat{late: make([]float64, 54)}).leakage }

// A law leaves the mean over the zones as it is, favours the side that the light
// comes from, and lets the pattern hang on the window: more gap is steeper light,
// nearer to the zones. A power law makes that a steeper slope, one with a broad
// shoulder a flatter one, an exponential one none.
func TestStrayLaw(t *testing.T) {
	mean := func(v []float64) (sum float64) {
		for _, x := range v {
			sum += x / float64(len(v))
		}
		return sum
	}
	slope := func(v []float64) float64 { return math.Log(v[26] / v[18]) } // row 2, right over left
	usual := mean(leakage(plain(t, StrayLaw{}), Scene{}))
	for law, turns := range map[StrayLaw]float64{{Power: 0.63}: 0.13, {Power: 1.6, Shoulder: 0.9}: -0.03, {Scale: 1.2}: 0} {
		b := plain(t, law)
		v := leakage(b, Scene{})
		if got := mean(v); math.Abs(got/usual-1) > 1e-9 {
			t.Errorf("%+v: mean leakage %g, without a law %g", law, got, usual)
		}
		if slope(v) < 0.1 {
			t.Errorf("%+v: right over left %g", law, slope(v))
		}
		b.window.GapMM += 0.4
		change := slope(leakage(b, Scene{})) - slope(v)
		if math.Abs(change-turns) > 0.01+math.Abs(turns)/2 {
			t.Errorf("%+v: a larger gap changes right over left by %+.3f", law, change)
		}
	}
}

// Film and smear bring light from their faces: the film from nearer by.
func TestFilm(t *testing.T) {
	b := plain(t, StrayLaw{})
	at := seat{late: make([]float64, 54)}
	clean, film, smear := b.shine(Scene{}, at), b.shine(Scene{Film: 0.1}, at), b.shine(Scene{Smear: 0.1}, at)
	if !(film.leakage[0] > 1.5*clean.leakage[0] && smear.leakage[0] > film.leakage[0]) {
		t.Errorf("leakage %g clean, %g film, %g smear", clean.leakage[0], film.leakage[0], smear.leakage[0])
	}
	if !(film.near[0] < clean.near[0]-0.2 && smear.near[0] > clean.near[0]) {
		t.Errorf("leakage at %g mm clean, %g film, %g smear", clean.near[0], film.near[0], smear.near[0])
	}
	// What fades is halfway between at half the capture.
	half := clean.between(film, 0.5)
	bin := 12 // about the leakage
	if want := (clean.laser[bin] + film.laser[bin]) / 2; math.Abs(half.laser[bin]-want) > 1e-15 {
		t.Errorf("halfway %g, want %g", half.laser[bin], want)
	}
}

// A glint is seen by its columns, and by no other.
func TestGlint(t *testing.T) {
	b := plain(t, StrayLaw{})
	at := seat{late: make([]float64, 54)}
	clean, glint := b.shine(Scene{}, at), b.shine(Scene{GlintMM: 90, GlintRate: 0.01, GlintFrom: 2, Upto: 4}, at)
	for z := range 54 {
		more := 0.0
		for i := range b.model.Bins {
			more += glint.laser[z*b.model.Bins+i] - clean.laser[z*b.model.Bins+i]
		}
		want := 0.0
		if c := z % 9; c == 2 || c == 3 {
			want = 0.01
		}
		if math.Abs(more-want) > 1e-4 {
			t.Errorf("zone %d counts %g more, want %g", z, more, want)
		}
	}
}
