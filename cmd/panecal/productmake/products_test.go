package productmake

import (
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"slices"
	"strconv"
	"strings"
	"testing"

	"example.org/panecal/limits/quantity"
	"example.org/panecal/protocol"
	"example.org/panecal/protocol/simunit"
	"example.org/panecal/station"
	"example.org/panecal/station/estimate"
	"example.org/panecal/station/product"
	"example.org/panecal/testdata/figures"
)

// world is a product whose units are simulated, and how many of them are
// measured where.
type world struct {
	name  string
	model simunit.Model
	units int
	at    []float64 // mm
	shots int64
	fov   [2]float64 // x, y
	base  map[string]float64
	all   int // units that tell what units are like
}

const (
	trueDatum = 1.6
	datumU    = 0.1
	distanceU = 0.15
	wholeRuns = 100
)

// worlds are 6 x 9 zones, 5 x 7 over 38 x 52 degrees, and one zone.
func worlds() []*world {
	a := simunit.Hopper54()
	b := simunit.Hopper54()
	b.Product, b.Rows, b.Cols, b.Bins, b.BinPS, b.FirstBinPS = "trial-35", 5, 7, 110, 200, -2400
	b.Pulse = skewed(160, 310, -1000, 25, 170)
	b.EnergyNJ, b.StrayAcceptance, b.AmbientRate = 0.1*35/54, 6.4e-6*54/35, 1e-4
	b.Field(38, 52)
	c := simunit.Hopper54()
	c.Product, c.Rows, c.Cols, c.Ux, c.Uy, c.ZoneU, c.ZoneV = "trial-1", 1, 1, []float64{0}, []float64{0}, 0, 0
	c.StrayXSlope, c.EnergyNJ, c.StrayAcceptance = 0, 0.1/54, 6.4e-6*54
	return []*world{
		{name: "6x9", model: a, units: 8, at: []float64{300, 420}, shots: 2_000_000, fov: [2]float64{48, 34}},
		{name: "5x7", model: b, units: 8, at: []float64{300, 420}, shots: 2_000_000, fov: [2]float64{52, 38}},
		{name: "1x1", model: c, units: 24, at: []float64{300, 345, 390, 435, 480, 525}, shots: 16_000_000},
	}
}

// skewed is a Gaussian with an exponential tail, its highest point at 0.
func skewed(sigma, tail, start, step float64, points int) simunit.Pulse {
	shape := func(t float64) float64 {
		return math.Exp(sigma*sigma/(2*tail*tail)-t/tail) * math.Erfc((sigma/tail-t/sigma)/math.Sqrt2)
	}
	peak := 0.0
	for t := -sigma; t < sigma+2*tail; t += 0.5 {
		if shape(t) > shape(peak) {
			peak = t
		}
	}
	p := simunit.Pulse{StartPS: start, StepPS: step, Density: make([]float64, points)}
	for i := 1; i < points-1; i++ {
		p.Density[i] = shape(start+float64(i)*step+peak) / shape(peak)
	}
	return p
}

// specimens captures units of a world without their lines; truths are theirs.
func (w *world) specimens(t testing.TB, run int) (all []specimen, truths []simunit.Truth) {
	m := w.model
	m.Departures.DistanceSDMM = 0 // drawn here, for each capture
	r := rand.New(rand.NewPCG(uint64(run), 77))
	id := protocol.Identity{Product: m.Product, Firmware: m.Firmware, Rows: m.Rows, Cols: m.Cols, Bins: m.Bins, BinFS: m.BinPS * 1000, FirstBinFS: m.FirstBinPS * 1000,
		PulsePeriodNS: m.PulseRepetitionNS, CountBits: m.CountBits, Kinds: protocol.KindsOf(protocol.Histograms), CompensationOff: true, MaxFrames: 64}
	q := protocol.CaptureRequest{Kind: protocol.Histograms, Shots: w.shots / 10, Frames: 10}
	for i := range w.units {
		u, err := simunit.New(m, uint64(1000*run+i), simunit.Options{})
		if err != nil {
			t.Fatal(err)
		}
		id.Serial = u.Serial()
		take := func() shot {
			c := u.Expose(q)
			h, _ := station.Inputs(c)
			return shot{histogram: h, temp: h.TempCel}
		}
		s := specimen{label: u.Serial(), id: id, countMax: math.MaxUint32, empty: take()}
		for _, mm := range w.at {
			u.Seat(simunit.Seating{})
			u.SetScene(simunit.Scene{TargetMM: mm + distanceU*r.NormFloat64(), Reflectance: 0.5})
			s.targets = append(s.targets, take())
			s.lines = append(s.lines, line{Port: "none", Label: u.Serial(), DistanceMM: mm, DistanceUMM: distanceU})
		}
		all, truths = append(all, s), append(truths, u.Truth())
	}
	return all, truths
}

// documents are what a drawing of the product says.
func (w *world) documents() map[string]any {
	return map[string]any{
		"range":       map[string]any{"datum_mm": trueDatum, "corrects": "station", "offsets": "zones", "working_mm": []any{300.0}},
		"grid":        map[string]any{"spacing": "equal-tangent"},
		"temperature": map[string]any{"reference_cel": 25.0, "coefficient_mm_per_k": 0.06, "coefficient_u_mm_per_k": 0.01},
	}
}

func (w *world) make(t testing.TB, run int) (*work, *product.Product, []simunit.Truth) {
	all, truths := w.specimens(t, run)
	docs := w.documents()
	if w.model.Zones() == 1 {
		delete(docs, "grid")
	}
	k := &work{specimens: all, docs: docs, datumU: datumU, baud: 921600, limits: "x.limits.toml"}
	text, err := k.run()
	if err != nil {
		t.Fatalf("%s, run %d: %v", w.name, run, err)
	}
	p, err := product.Read(w.name, text)
	if err != nil {
		t.Fatal(err)
	}
	return k, p, truths
}

// usual are the means over all units that there might be.
func (w *world) usual(t testing.TB) map[string]float64 {
	if w.base != nil {
		return w.base
	}
	sum := map[quantity.Name]float64{}
	for i := range w.all {
		u, err := simunit.New(w.model, uint64(1<<40+i), simunit.Options{})
		if err != nil {
			t.Fatal(err)
		}
		u.SetScene(simunit.Scene{TargetMM: w.at[0], Reflectance: 0.5})
		tr := u.Truth()
		n := float64(w.model.Zones())
		for z := range tr.Leakage {
			sum[quantity.LeakageTotal] += tr.Leakage[z]
			sum[quantity.SignalMin] += tr.Signal[z] / n
			sum[quantity.AmbientMax] += tr.Ambient[z] / n
			sum[quantity.OffsetMean] += (tr.OffsetMM[z] - tr.TempCoeffMM*(tr.TempCel-25)) / n
		}
		sum[quantity.Temperature] += tr.TempCel
	}
	w.base = map[string]float64{
		"spread.pulse_width": w.model.Departures.PulseWidthRel / math.Sqrt(3), "budget.multipath_share": w.model.Departures.MultipathRel,
		"spread.bin_width": math.Hypot(w.model.Departures.BinWidthRel, w.model.Departures.BinWalkRel), "budget.leakage_change_u": math.Sqrt2 * w.model.Departures.PowerRel,
		"grid.fov_x_deg": w.fov[0], "grid.fov_y_deg": w.fov[1], string(quantity.PulseWidth): w.model.Pulse.FWHM(),
	}
	for n, v := range sum {
		w.base[string(n)] = v / float64(w.all)
	}
	return w.base
}

// mean is the mean pulse of units, about its own mean: density at t ps.
func (w *world) meanPulse(truths []simunit.Truth) (density func(t float64) float64, mode float64) {
	q := w.model.Pulse
	area, mu := 0.0, 0.0
	for i, d := range q.Density {
		area += d
		mu += d * (q.StartPS + float64(i)*q.StepPS)
	}
	mu /= area
	density = func(t float64) float64 {
		sum := 0.0
		for _, tr := range truths {
			x := (mu + t/tr.PulseWidth - q.StartPS) / q.StepPS
			if x < 0 || x >= float64(len(q.Density)-1) {
				continue
			}
			i := int(x)
			sum += (q.Density[i] + (x-float64(i))*(q.Density[i+1]-q.Density[i])) / tr.PulseWidth
		}
		return sum / float64(len(truths)) / area / q.StepPS
	}
	for t := -mu - 30; t < -mu+30; t += 0.25 {
		if density(t) > density(mode) {
			mode = t
		}
	}
	return density, mode
}

func made(p estimate.Pulse) (density func(t float64) float64, mean float64) {
	area := 0.0
	for i, d := range p.Density {
		area += d
		mean += d * (p.StartPS + float64(i)*p.StepPS)
	}
	mean /= area
	return func(t float64) float64 {
		x := (t - p.StartPS) / p.StepPS
		if x < 0 || x >= float64(len(p.Density)-1) {
			return 0
		}
		i := int(x)
		return (p.Density[i] + (x-float64(i))*(p.Density[i+1]-p.Density[i])) / area / p.StepPS
	}, mean
}

// l1 is the distance of the made pulse from the mean of the units', both about
// their means.
func (w *world) l1(p *product.Product, truths []simunit.Truth) float64 {
	f, mean := made(p.Setup.Pulse)
	g, _ := w.meanPulse(truths)
	sum := 0.0
	const h = 5
	for t := -2500.0; t < 5000; t += h {
		sum += h * math.Abs(f(t+mean)-g(t))
	}
	return sum
}

// apart is how far the mean offset of a unit by the made file is from that by the
// true one, in u of the offset.
func (w *world) apart(t testing.TB, k *work, p *product.Product) float64 {
	m := w.model
	truth := p.Setup
	truth.Pulse = estimate.Pulse{StartPS: m.Pulse.StartPS, StepPS: m.Pulse.StepPS, Density: m.Pulse.Density}
	truth.DatumMM = trueDatum
	if m.Zones() > 1 {
		truth.Grid = product.Field{XDeg: w.fov[0], YDeg: w.fov[1], Spacing: product.EqualTangent, FalloffPower: product.EvenFalloff}.Grid(m.Rows, m.Cols)
	}
	mean := func(s estimate.Setup) quantity.Measured {
		e, err := estimate.New(s)
		if err != nil {
			t.Fatal(err)
		}
		one := k.specimens[0]
		l, err := e.Empty(*one.empty.histogram)
		if err != nil {
			t.Fatal(err)
		}
		o, err := e.Target(l, *one.targets[0].histogram, estimate.Reference{DistanceMM: one.lines[0].DistanceMM, DistanceUMM: distanceU}, nil)
		if err != nil {
			t.Fatal(err)
		}
		return o.Quantities[quantity.OffsetMean]
	}
	a, b := mean(p.Setup), mean(truth)
	return math.Abs(a.V-b.V) / a.U
}

// errors are those of what was determined, over its u, by key.
func (w *world) errors(t testing.TB, k *work, p *product.Product, truths []simunit.Truth) map[string]float64 {
	out := map[string]float64{}
	want := w.usual(t)
	width := 0.0
	for _, tr := range truths {
		width += tr.PulseWidth / float64(len(truths))
	}
	g, mode := w.meanPulse(truths)
	for _, f := range k.answer.Found {
		v, ok := want[f.Key]
		switch {
		case f.Key == "pulse.fwhm":
			v, ok = w.model.Pulse.FWHM()*width, true
		case strings.HasPrefix(f.Key, "pulse.density."):
			i, err := strconv.Atoi(f.Key[len("pulse.density."):])
			if err != nil {
				t.Fatal(err)
			}
			at := p.Setup.Pulse.StartPS + float64(i)*p.Setup.Pulse.StepPS
			if slices.Contains([]float64{-300, -150, 150, 300, 600, 1200}, at) {
				out[fmt.Sprintf("pulse.density(%g)", at)] = (f.Value - g(at+mode)/g(mode)) / f.U
			}
			continue
		}
		if ok {
			out[f.Key] = (f.Value - v) / f.U
		}
	}
	return out
}

// TestProducts holds what is determined against the truth: one run of two small
// products, or with PANECAL_PRODUCTS=full a hundred of three.
func TestProducts(t *testing.T) {
	runs, full := 1, os.Getenv("PANECAL_PRODUCTS") == "full"
	if full {
		runs = wholeRuns
	}
	if n, err := strconv.Atoi(os.Getenv("PANECAL_PRODUCTS")); err == nil {
		runs, full = n, true
	}
	for _, w := range worlds() {
		w.all = 2000
		if !full {
			if w.name == "5x7" {
				continue // as 6x9, where it is small
			}
			w.small()
		}
		t.Run(w.name, func(t *testing.T) {
			worst, all := 0.0, map[string][]float64{}
			var apart []float64
			for run := range runs {
				k, p, truths := w.make(t, run)
				worst = max(worst, w.l1(p, truths))
				apart = append(apart, w.apart(t, k, p))
				for key, e := range w.errors(t, k, p, truths) {
					all[key] = append(all[key], e)
				}
			}
			figures.Tell(t, "products."+w.name+".l1.worst", fmt.Sprintf("%.4f", worst), "1", "<=0.01", worst <= 0.01)
			far := slices.Max(apart)
			figures.Tell(t, "products."+w.name+".offsets.worst", fmt.Sprintf("%.2f", far), "u", "<=1", far <= 1)
			keys := make([]string, 0, len(all))
			for key := range all {
				keys = append(keys, key)
			}
			slices.Sort(keys)
			for _, key := range keys {
				sum, beyond, bias := 0.0, 0, 0.0
				for _, e := range all[key] {
					sum += e * e / float64(len(all[key]))
					bias += e / float64(len(all[key]))
					if math.Abs(e) > 2 {
						beyond++
					}
				}
				rms := math.Sqrt(sum)
				name := "products." + w.name + "." + key
				if !full {
					figures.Tell(t, name, fmt.Sprintf("%.2f", rms), "u", "<=4", rms <= 4)
					continue
				}
				t.Logf("%s bias %.2f", name, bias)
				figures.Tell(t, name+".rms", fmt.Sprintf("%.2f", rms), "u", "0.8..1.25", rms >= 0.8 && rms <= 1.25)
				figures.Tell(t, name+".beyond", beyond, "runs", "<=8", beyond <= 8)
			}
		})
	}
}

// TestWhatIsTold: what is found and what is not is listed, a spread of few units
// has its interval, and widths of bins go into the file.
func TestWhatIsTold(t *testing.T) {
	w := worlds()[0]
	w.small()
	w.units = 3
	all, _ := w.specimens(t, 5)
	even := &widths{Product: w.model.Product}
	for range w.model.Bins {
		even.PS, even.UPS = append(even.PS, float64(w.model.BinPS)), append(even.UPS, 0.2)
	}
	if err := even.fits(all[0].id); err != nil {
		t.Fatal(err)
	}
	k := &work{specimens: all, docs: map[string]any{}, datumU: datumU, baud: 921600, widths: even}
	text, err := k.run()
	if err != nil {
		t.Fatal(err)
	}
	p, err := product.Read("made", text)
	if err != nil || len(p.Setup.BinWidthsPS) != w.model.Bins {
		t.Errorf("%d widths in the file: %v", len(p.Setup.BinWidthsPS), err)
	}
	found := map[string]bool{}
	for _, f := range k.answer.Found {
		found[f.Key] = true
		if !(f.U >= 0) || f.Spread != nil && f.Spread.Units < 30 && !(f.Spread.High >= f.Spread.SD && f.Spread.Low <= f.Spread.SD) {
			t.Errorf("%s: value %g, u %g, spread %+v", f.Key, f.Value, f.U, f.Spread)
		}
	}
	for _, key := range []string{"pulse.fwhm", "grid.fov_x_deg", "grid.fov_y_deg", "spread.pulse_width", "spread.bin_width", "bins.widths_ps.0", "leakage.max", "offset.mean", "rate.max", "budget.leakage_change_u"} {
		if !found[key] {
			t.Errorf("%s is not determined", key)
		}
	}
	missing := map[string]bool{}
	for _, m := range k.answer.Missing {
		missing[m.Key] = m.Why != ""
	}
	for _, key := range []string{"range.datum_mm", "range.corrects", "label.pattern", "grid.spacing", "temperature.coefficient_mm_per_k", "spread.bin_edge_ps", "requirement", "verify.error", "estimator.difference"} {
		if !missing[key] || found[key] {
			t.Errorf("%s is not said to be undetermined", key)
		}
	}
	for _, key := range []string{"range.datum_mm", "label.pattern", "grid.spacing"} {
		if !slices.Contains(standIns(string(text)), key) {
			t.Errorf("%s is not marked as a stand-in in the file", key)
		}
	}
}

// TestSummariesOnly: units without histograms tell base values, and what they do
// not tell is listed.
func TestSummariesOnly(t *testing.T) {
	m := simunit.Hopper1()
	id := protocol.Identity{Product: m.Product, Firmware: m.Firmware, Rows: 1, Cols: 1, PulsePeriodNS: 100, CountBits: 32, Kinds: protocol.KindsOf(protocol.Ranges), CompensationOff: true}
	k := &work{docs: map[string]any{}, datumU: datumU, baud: 921600, limits: "x.limits.toml"}
	for i := range uint64(4) {
		u, err := simunit.New(m, i, simunit.Options{})
		if err != nil {
			t.Fatal(err)
		}
		take := func() shot {
			_, s := station.Inputs(u.Expose(protocol.CaptureRequest{Kind: protocol.Ranges, Shots: 200_000, Frames: 20}))
			return shot{summary: s, temp: s.TempCel}
		}
		s := specimen{label: u.Serial(), id: id, empty: take(), lines: []line{{DistanceMM: 300, DistanceUMM: distanceU}}}
		u.SetScene(simunit.Scene{TargetMM: 300, Reflectance: 0.5})
		s.targets = append(s.targets, take())
		k.specimens = append(k.specimens, s)
	}
	if _, err := k.run(); err != nil {
		t.Fatal(err)
	}
	if _, err := k.limitsText(); err != nil {
		t.Error(err)
	}
	for _, key := range []string{"pulse.density", "bins.count", "grid", "pulse.width"} {
		if !slices.ContainsFunc(k.answer.Missing, func(m missing) bool { return m.Key == key }) {
			t.Errorf("%s is not said to be undetermined", key)
		}
	}
	if !slices.ContainsFunc(k.answer.Found, func(f found) bool { return f.Key == "leakage.total" && f.Spread.Units == 4 }) {
		t.Error("leakage.total is not determined")
	}
}

// small makes a world that a test of every day has time for.
func (w *world) small() {
	if w.model.Zones() > 1 {
		w.model.Rows, w.model.Cols = 3, 4
		w.model.Field(w.fov[1], w.fov[0])
		w.model.EnergyNJ, w.model.StrayAcceptance = 0.1*12/54, 6.4e-6*54/12
	}
	w.all = 60
	if w.units = 6; w.model.Zones() == 1 {
		w.units = 16
	}
}
