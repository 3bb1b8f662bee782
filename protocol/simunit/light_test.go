package simunit

import (
	"encoding/csv"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"testing"

	"example.org/panecal/station/window"
)

// vectors reads a table of check vectors; each names its source in its head.
func vectors(t *testing.T, name string) (rows []map[string]string) {
	t.Helper()
	f, err := os.Open(filepath.Join("..", "..", "testdata", "window", name))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	r := csv.NewReader(f)
	r.Comment = '#'
	lines, err := r.ReadAll()
	if err != nil || len(lines) < 2 {
		t.Fatalf("%s: %d lines, %v", name, len(lines), err)
	}
	for _, l := range lines[1:] {
		row := map[string]string{}
		for i, c := range l {
			row[lines[0][i]] = c
		}
		rows = append(rows, row)
	}
	return rows
}

func num(t *testing.T, row map[string]string, column string) float64 {
	t.Helper()
	v, err := strconv.ParseFloat(row[column], 64)
	if err != nil {
		t.Fatalf("%s %s: %v", row["case"], column, err)
	}
	return v
}

func TestLinkBudget(t *testing.T) {
	for _, r := range vectors(t, "link_budget.csv") {
		d := num(t, r, "radial_distance_mm")
		w := num(t, r, "window_T")
		got := LinkBudget{
			Photons:     num(t, r, "pulse_energy_nJ") / photonNJ * num(t, r, "fraction_into_zone"),
			Reflectance: num(t, r, "rho"), IncidenceCos: math.Cos(num(t, r, "incidence_deg") * math.Pi / 180),
			ApertureMM2: num(t, r, "aperture_mm2"), RadialMM: d, TwoPass: w * w,
			Optics: num(t, r, "optics_T"), Detection: num(t, r, "pde"),
		}.Counts()
		// The table's photon energy has six digits, as ours has.
		if want := num(t, r, "detected_photons_per_pulse"); math.Abs(got/want-1) > 5e-6 {
			t.Errorf("%s: %.9g photons, want %.9g", r["case"], got, want)
		}
	}
}

func TestSignalOffAxis(t *testing.T) {
	m := Hopper1()
	m.Spread, m.Departures = Spread{}, Departures{}
	for _, r := range vectors(t, "offaxis.csv") {
		u := math.Tan(num(t, r, "field_angle_deg") * math.Pi / 180)
		m.Ux = []float64{u}
		b, err := newBody(m, 1)
		if err != nil {
			t.Fatal(err)
		}
		b.through[0] = 1 // the window's own fall-off is another matter
		m.Ux = []float64{0}
		axis, err := newBody(m, 1)
		if err != nil {
			t.Fatal(err)
		}
		axis.through[0] = 1
		const plane = 400
		off, on := ray{u, 0, 1}, ray{0, 0, 1}
		far := b.radial(off, seat{}, plane-m.DatumMM)
		got := b.signal(0, off, far, 0.5) / axis.signal(0, on, plane, 0.5)
		if want := num(t, r, "rel_signal_flat_target_fixed_aperture_parallel_to_target"); math.Abs(got/want-1) > 1e-8 {
			t.Errorf("%s: relative signal %.10g, want %.10g", r["case"], got, want)
		}
		if want := num(t, r, "radial_over_perp"); math.Abs(far/plane/want-1) > 1e-8 {
			t.Errorf("%s: radial %.10g of the perpendicular distance, want %.10g", r["case"], far/plane, want)
		}
	}
}

// bare is a unit of one zone whose light is given bin by bin.
func bare(t *testing.T, bins int, firstPhoton bool) *body {
	t.Helper()
	m := Hopper1()
	m.Bins, m.FirstPhoton = bins, firstPhoton
	b, err := newBody(m, 1)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// Each bin's mean and variance against the binomial law of the first photon,
// p = exp(−Σ earlier λ)(1 − exp(−λ)).
func TestFirstPhotonLaw(t *testing.T) {
	type kase struct {
		trials int64
		lambda []float64
		p      []float64
	}
	cases := map[string]*kase{}
	for _, r := range vectors(t, "coates.csv") {
		if r["lambda_true"] == "nan" {
			continue // cases of the inverse only
		}
		k := cases[r["case"]]
		if k == nil {
			k = &kase{trials: int64(num(t, r, "n_trials"))}
			cases[r["case"]] = k
		}
		k.lambda = append(k.lambda, num(t, r, "lambda_true"))
		k.p = append(k.p, num(t, r, "p_detect"))
	}
	if len(cases) < 3 {
		t.Fatalf("%d cases", len(cases))
	}
	for name, k := range cases {
		b := bare(t, len(k.lambda), true)
		l := &light{laser: k.lambda, dark: make([]float64, len(k.lambda))}
		const seed, repeats = 11, 400
		r := stream(seed, streamPhotons, 0)
		sum, square := make([]float64, len(k.p)), make([]float64, len(k.p))
		for range repeats {
			counts, totals := make([]uint32, len(k.p)), make([]uint32, 1)
			b.expose(l, 1, k.trials, math.MaxUint32, counts, totals, r)
			var all uint32
			for i, c := range counts {
				all += c
				d := float64(c) - float64(k.trials)*k.p[i]
				sum[i] += d
				square[i] += d * d
			}
			if int64(all) > k.trials || all != totals[0] {
				t.Fatalf("%s: %d photons of %d shots, total %d", name, all, k.trials, totals[0])
			}
		}
		for i, p := range k.p {
			variance := float64(k.trials) * p * (1 - p)
			// Mean within 5 standard errors; variance likewise, its relative
			// standard error being sqrt(2/n) for near-normal counts.
			if z := sum[i] / math.Sqrt(variance*repeats); math.Abs(z) > 5 {
				t.Errorf("%s bin %d: mean off by %.1f standard errors (seed %d)", name, i, z, seed)
			}
			if ratio := square[i] / repeats / variance; math.Abs(ratio-1) > 5*math.Sqrt(2.0/repeats) {
				t.Errorf("%s bin %d: variance %.3f of the binomial one (seed %d)", name, i, ratio, seed)
			}
		}
	}
}

// Poisson: mean and variance of each of many bins, small means and large.
func TestPoissonLaw(t *testing.T) {
	means := []float64{0, 1e-7, 3e-6, 1e-5, 1e-4, 1e-3, 0.01, 0.3, 2, 2}
	b := bare(t, len(means), false)
	l := &light{laser: means, dark: make([]float64, len(means))}
	const seed, repeats, shots = 5, 4000, 100_000
	r := stream(seed, streamPhotons, 0)
	sum, square := make([]float64, len(means)), make([]float64, len(means))
	for range repeats {
		counts, totals := make([]uint32, len(means)), make([]uint32, 1)
		b.expose(l, 1, shots, math.MaxUint32, counts, totals, r)
		for i, c := range counts {
			d := float64(c) - shots*means[i]
			sum[i] += d
			square[i] += d * d
		}
	}
	for i, m := range means {
		mean := m * shots
		if mean == 0 {
			if sum[i] != 0 {
				t.Errorf("photons out of nothing")
			}
			continue
		}
		if z := sum[i] / math.Sqrt(mean*repeats); math.Abs(z) > 5 {
			t.Errorf("mean %g: off by %.1f standard errors (seed %d)", mean, z, seed)
		}
		// Var of the squared deviation of a Poisson count: 2μ² + μ.
		se := math.Sqrt((2*mean*mean + mean) / repeats)
		if d := square[i]/repeats - mean; math.Abs(d) > 5*se {
			t.Errorf("mean %g: variance %g (seed %d)", mean, square[i]/repeats, seed)
		}
	}
}

// The light's means must not depend on where bins lie: every photon of a
// return that lies inside the histogram is in some bin.
func TestPulseIsWholeInTheBins(t *testing.T) {
	m := Hopper54()
	m.Departures = Departures{}
	b, err := newBody(m, 3)
	if err != nil {
		t.Fatal(err)
	}
	l := b.shine(Scene{TargetMM: 300, Reflectance: 0.5}, b.newSeat(3, 1, 0, 0, 0))
	for z := range m.Zones() {
		var sum, first float64
		for i, v := range l.laser[z*m.Bins : (z+1)*m.Bins] {
			sum += v
			first += v * b.centre(i)
		}
		want := l.leakage[z] + l.signal[z]
		if math.Abs(sum/want-1) > 1e-9 {
			t.Errorf("zone %d: %g in the bins, %g sent", z, sum, want)
		}
		// The mean time: each return's delay and the pulse's own mean. Bins of
		// 250 ps keep the mean of a smooth pulse to a fraction of a ps.
		seen := l.radial[z] + b.zero(z) + b.added[z]
		delay := (l.leakage[z]*picoseconds(l.near[z])+l.signal[z]*picoseconds(seen))/want + b.pulse.mean
		if math.Abs(first/sum-delay) > 0.5 {
			t.Errorf("zone %d: mean time %.3f ps, want %.3f", z, first/sum, delay)
		}
	}
}

// The point where a zone's direction meets the target lies on the target's
// plane, as seated and with everything that shifts it.
func TestTargetPlane(t *testing.T) {
	m := Hopper54()
	b, err := newBody(m, 3)
	if err != nil {
		t.Fatal(err)
	}
	s := b.newSeat(3, 1, 2, -3, 7)
	if math.Abs(math.Atan(s.slopeX)*180/math.Pi-2) > 0.6 || math.Abs(math.Atan(s.slopeY)*180/math.Pi+3) > 0.6 {
		t.Errorf("slopes %g, %g for tilts of 2° and −3°", s.slopeX, s.slopeY)
	}
	for z := range m.Zones() {
		ux, uy := m.Ux[z], m.Uy[z]
		depth := b.radial(ray{ux, uy, 1}, s, 300) / math.Sqrt(1+ux*ux+uy*uy)
		want := 300 + m.DatumMM + b.farMM + 7 + s.slopeX*ux*depth + s.slopeY*uy*depth
		if math.Abs(depth-want) > 1e-9 {
			t.Errorf("zone %d: depth %g, plane at %g", z, depth, want)
		}
	}
}

// A zone sees the mean over its area, and its light falls with the seventh
// power of the distance: three for the solid angle, one each for the target's
// and the receiver's obliquity, two for the distance. The sum here is over
// small patches of the plane, by that law alone.
func TestZonesHaveArea(t *testing.T) {
	m := Hopper54()
	m.Spread, m.Departures = Spread{}, Departures{}
	b, err := newBody(m, 1)
	if err != nil {
		t.Fatal(err)
	}
	s := Scene{TargetMM: 300, Reflectance: 0.5}
	l := b.shine(s, b.newSeat(1, 1, 0, 0, 0))
	largest := 0.0
	for z := range m.Zones() {
		const n = 200
		var sum, far float64
		for i := range n {
			for j := range n {
				u := m.Ux[z] + m.ZoneU*((float64(i)+0.5)/n-0.5)
				v := m.Uy[z] + m.ZoneV*((float64(j)+0.5)/n-0.5)
				r := math.Sqrt(1 + u*u + v*v)
				w := math.Pow(r, -7)
				sum += w
				far += w * r * (300 + m.DatumMM)
			}
		}
		if d := l.radial[z] - far/sum; math.Abs(d) > 1e-3 { // three points each way against forty thousand
			t.Errorf("zone %d: %.4f mm, want %.4f", z, l.radial[z], far/sum)
		}
		middle := b.radial(ray{m.Ux[z], m.Uy[z], 1}, seat{}, 300)
		largest = math.Max(largest, math.Abs(l.radial[z]-middle))
		// Where the counts lie is where the radial distance says.
		first := 0.0
		for i := range m.Bins {
			first += l.laser[z*m.Bins+i] * b.centre(i)
		}
		first -= leakageMoment(b, z)
		if mm := millimetres(first/l.signal[z] - b.pulse.mean); math.Abs(mm-l.radial[z]-b.zero(z)-b.added[z]) > 0.05 {
			t.Errorf("zone %d: counts lie at %.3f mm, radial %.3f", z, mm-b.zero(z)-b.added[z], l.radial[z])
		}
	}
	t.Logf("mean and middle of a zone differ by at most %.3f mm at 300 mm", largest)
	if largest < 0.2 {
		t.Errorf("mean and middle differ by %.3f mm: nothing to see", largest)
	}
}

// leakageMoment is the first moment of a zone's leakage, to take off.
func leakageMoment(b *body, z int) float64 {
	dark := b.shine(Scene{}, seat{})
	first := 0.0
	for i := range b.model.Bins {
		first += dark.laser[z*b.model.Bins+i] * b.centre(i)
	}
	return first
}

// Widths that add up move the edges, not the length of the axis; even light
// falls into bins by their width, and with the emitter off nothing else does.
func TestBinsThatAddUp(t *testing.T) {
	m := Hopper54()
	m.Spread = Spread{}
	m.Departures = Departures{BinWalkRel: 0.02}
	const units = 300
	var middle, width float64
	for seed := range uint64(units) {
		b, err := newBody(m, seed)
		if err != nil {
			t.Fatal(err)
		}
		last := float64(m.FirstBinPS) + float64(m.Bins)*float64(m.BinPS)
		if b.edges[0] != float64(m.FirstBinPS) || math.Abs(b.edges[m.Bins]-last) > 1e-6 {
			t.Fatalf("the axis goes from %g to %g", b.edges[0], b.edges[m.Bins])
		}
		d := b.edges[48] - float64(m.FirstBinPS) - 48*float64(m.BinPS)
		middle += d * d / units
		w := (b.edges[49]-b.edges[48])/float64(m.BinPS) - 1
		width += w * w / units
	}
	// 96 steps of 4.8 ps, the ends fixed: sqrt(96/4)·4.8 = 23.5 ps in the
	// middle; 300 draws tell an sd to 4 %.
	if s := math.Sqrt(middle); math.Abs(s-23.5) > 4 {
		t.Errorf("the middle edge moves by %.1f ps, want 23.5", s)
	}
	if s := math.Sqrt(width); math.Abs(s-0.02) > 0.0035 {
		t.Errorf("a width differs by %.4f, want 0.02", s)
	}
	b, err := newBody(m, 4)
	if err != nil {
		t.Fatal(err)
	}
	l := b.shine(Scene{Ambient: 3}, seat{})
	for i := range m.Bins {
		want := 3 * m.AmbientRate * (b.edges[i+1] - b.edges[i]) / float64(m.BinPS)
		if got := l.dark[i]; math.Abs(got-want) > 1e-15 {
			t.Errorf("bin %d gets %g, want %g", i, got, want)
		}
	}
}

// Multipath takes half a percent of the signal and brings it late; nothing else.
func TestMultipath(t *testing.T) {
	m := Hopper54()
	m.Departures = Departures{MultipathRel: 0.005, MultipathDelayPS: [2]float64{200, 2000}}
	with, err := newBody(m, 3)
	if err != nil {
		t.Fatal(err)
	}
	m.Departures.MultipathRel = 0
	without, err := newBody(m, 3)
	if err != nil {
		t.Fatal(err)
	}
	at := with.newSeat(3, 1, 0, 0, 0)
	a, b := with.shine(Scene{TargetMM: 300, Reflectance: 0.5}, at), without.shine(Scene{TargetMM: 300, Reflectance: 0.5}, at)
	for z := range m.Zones() {
		var counts, first float64
		for i := range m.Bins {
			d := a.laser[z*m.Bins+i] - b.laser[z*m.Bins+i]
			counts += d
			first += d * with.centre(i)
		}
		late := first / (0.005 * b.signal[z])
		if math.Abs(counts) > 1e-9*b.signal[z] || math.Abs(late-at.late[z]) > 0.5 || late < 199 || late > 2001 {
			t.Errorf("zone %d: %g counts more, %.1f ps late, want %.1f", z, counts, late, at.late[z])
		}
	}
}

func TestSpreadAndDepartures(t *testing.T) {
	m := Hopper54()
	var gaps, widths, bins, far, zero []float64
	for seed := range uint64(400) {
		b, err := newBody(m, seed)
		if err != nil {
			t.Fatal(err)
		}
		gaps = append(gaps, b.window.GapMM-m.Window.GapMM)
		widths = append(widths, b.width-1)
		bins = append(bins, b.binScale[0]-1, b.binScale[777]-1)
		far = append(far, b.farMM)
		zero = append(zero, b.zeroMM[0]-m.OffsetMM)
	}
	sd := func(v []float64) float64 {
		var s float64
		for _, x := range v {
			s += x * x
		}
		return math.Sqrt(s / float64(len(v)))
	}
	for _, c := range []struct {
		name      string
		got, want float64
		n         int
	}{
		{"gap", sd(gaps), m.Spread.GapMM, len(gaps)},
		{"pulse width", sd(widths), 0.03 / math.Sqrt(3), len(widths)},
		{"bin width", sd(bins), 0.02, len(bins)},
		{"target distance", sd(far), 0.15, len(far)},
		{"zero", sd(zero), math.Hypot(m.Spread.OffsetMM, m.Spread.ZoneOffsetMM), len(zero)},
	} {
		// Relative standard error of an sd: 1/sqrt(2n); five of them.
		if math.Abs(c.got/c.want-1) > 5/math.Sqrt(2*float64(c.n)) {
			t.Errorf("%s: sd %g over the units, want %g", c.name, c.got, c.want)
		}
	}
	for _, w := range widths {
		if math.Abs(w) > 0.03 {
			t.Errorf("a pulse %+.1f %% wide", 100*w)
		}
	}
}

func TestPulseTable(t *testing.T) {
	triangle := Pulse{StartPS: -100, StepPS: 100, Density: []float64{0, 3, 0}}
	q, err := newIntegral(triangle)
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct{ at, want float64 }{{-200, 0}, {-100, 0}, {-50, 0.125}, {0, 0.5}, {50, 0.875}, {100, 1}, {1e9, 1}} {
		if got := q.upTo(c.at); math.Abs(got-c.want) > 1e-12 {
			t.Errorf("integral up to %g = %g, want %g", c.at, got, c.want)
		}
	}
	if got := triangle.FWHM(); math.Abs(got-100) > 1e-9 {
		t.Errorf("FWHM %g", got)
	}
	if got := q.between(-50, 50, 0, 1); math.Abs(got-0.75) > 1e-12 {
		t.Errorf("middle half holds %g", got)
	}
	h := Hopper54().Pulse
	b, err := newIntegral(h)
	if err != nil {
		t.Fatal(err)
	}
	// Real responses have their mean 10 to 20 mm behind their peak (here at 0).
	if mm := millimetres(b.mean); mm < 10 || mm > 20 {
		t.Errorf("mean %.1f mm behind the peak", mm)
	}
	for _, bad := range []Pulse{{}, {StepPS: 1, Density: []float64{1}}, {StepPS: 1, Density: []float64{0, 0}},
		{StepPS: 1, Density: []float64{1, math.NaN()}}, {StepPS: 1, Density: []float64{1, math.Inf(1)}}} {
		if _, err := newIntegral(bad); err == nil {
			t.Errorf("%+v accepted", bad)
		}
	}
}

func TestModelsThatCannotBe(t *testing.T) {
	for name, spoil := range map[string]func(*Model){
		"grid":    func(m *Model) { m.Rows = 7 },
		"bins":    func(m *Model) { m.Bins = 1 },
		"bits":    func(m *Model) { m.CountBits = 24 },
		"ranging": func(m *Model) { m.Ranging = "" },
		"window":  func(m *Model) { m.Window = window.Window{} },
		"pulse":   func(m *Model) { m.Pulse = Pulse{} },
	} {
		m := Hopper54()
		spoil(&m)
		if _, err := New(m, 1, Options{}); err == nil {
			t.Errorf("%s: accepted", name)
		}
	}
}

func BenchmarkExpose54x96(b *testing.B) {
	for _, first := range []bool{false, true} {
		b.Run(fmt.Sprintf("firstPhoton=%v", first), func(b *testing.B) {
			m := Hopper54()
			m.FirstPhoton = first
			body, err := newBody(m, 1)
			if err != nil {
				b.Fatal(err)
			}
			l := body.shine(Scene{TargetMM: 300, Reflectance: 0.5}, body.newSeat(1, 0, 0, 0, 0))
			counts, totals := make([]uint32, 54*96), make([]uint32, 54)
			r := stream(1, streamPhotons, 1)
			b.ReportAllocs()
			for b.Loop() {
				body.expose(l, 1, 200_000, math.MaxUint32, counts, totals, r)
			}
		})
	}
}
