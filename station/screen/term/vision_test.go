package term_test

import (
	"math"
	"testing"

	"github.com/lucasb-eyer/go-colorful"

	"example.org/panecal/station/screen/term"
)

// visions are how colours look to different eyes: matrices on linear RGB of
// Machado, Oliveira and Fernandes (2009) at full severity.
var visions = []struct {
	name string
	m    [9]float64
}{
	{"usual", [9]float64{1, 0, 0, 0, 1, 0, 0, 0, 1}},
	{"protan", [9]float64{0.152286, 1.052583, -0.204868, 0.114503, 0.786281, 0.099216, -0.003882, -0.048116, 1.051998}},
	{"deutan", [9]float64{0.367322, 0.860646, -0.227968, 0.280085, 0.672501, 0.047413, -0.011820, 0.042940, 0.968881}},
	{"tritan", [9]float64{1.255528, -0.076749, -0.178779, -0.078411, 0.930809, 0.147602, 0.004733, 0.691367, 0.303900}},
}

func seenBy(m [9]float64, c [3]uint8) colorful.Color {
	r, g, b := rgb(c).LinearRgb()
	in := func(x float64) float64 { return math.Max(0, math.Min(1, x)) }
	return colorful.LinearRgb(in(m[0]*r+m[1]*g+m[2]*b), in(m[3]*r+m[4]*g+m[5]*b), in(m[6]*r+m[7]*g+m[8]*b))
}

// distance is that of CIE 1976.
func distance(m [9]float64, a, b [3]uint8) float64 {
	return 100 * seenBy(m, a).DistanceLab(seenBy(m, b))
}

// The grounds of all tones stay apart for every kind of colour vision, those
// of passed and failed far more than a plain green and red do. Word, border
// and place tell them apart besides.
func TestColoursStayApart(t *testing.T) {
	tones := []term.Tone{term.Passed, term.Failed, term.Hold, term.Action}
	const anyTwo, verdicts = 14, 30
	for _, v := range visions {
		for _, depth := range []string{"true colour", "256"} {
			ground := func(tone term.Tone) [3]uint8 {
				_, g, _ := tone.Colours()
				if depth == "256" {
					return indexed(t, g.Indexed)
				}
				return g.RGB
			}
			worst, pair := math.Inf(1), ""
			for i, a := range tones {
				for _, b := range tones[i+1:] {
					if d := distance(v.m, ground(a), ground(b)); d < worst {
						worst, pair = d, coloured[a]+" and "+coloured[b]
					}
				}
			}
			both := distance(v.m, ground(term.Passed), ground(term.Failed))
			t.Logf("%s, %s: passed and failed %.0f, least %.0f (%s)", v.name, depth, both, worst, pair)
			if worst < anyTwo {
				t.Errorf("%s, %s: %s are %.1f apart, want %d", v.name, depth, pair, worst, anyTwo)
			}
			if both < verdicts {
				t.Errorf("%s, %s: passed and failed are %.1f apart, want %d", v.name, depth, both, verdicts)
			}
		}
	}
	// The measure itself: a plain green and red are what it must warn of.
	if d := distance(visions[2].m, [3]uint8{0, 0xaa, 0}, [3]uint8{0xcc, 0, 0}); d > 15 {
		t.Errorf("plain green and red are %.0f apart for deutan eyes: the measure is wrong", d)
	}
}
