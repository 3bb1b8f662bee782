package sample_test

import (
	"context"
	"io/fs"
	"math"
	"net"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"example.org/panecal/cmd/panecal/sample"
	"example.org/panecal/limits"
	"example.org/panecal/limits/quantity"
	"example.org/panecal/protocol"
	"example.org/panecal/protocol/simunit"
	"example.org/panecal/station/estimate"
	"example.org/panecal/station/label"
	"example.org/panecal/station/product"
)

func file(t *testing.T, name string) []byte {
	t.Helper()
	data, err := sample.Files.ReadFile(name)
	if err != nil {
		t.Fatal(err)
	}
	return data
}

func files(t *testing.T, name string) (*product.Product, *limits.File) {
	t.Helper()
	p, err := product.Read(name, file(t, name+".product.toml"))
	if err != nil {
		t.Fatal(err)
	}
	l, err := limits.Read(name, file(t, p.LimitsFile))
	if err != nil {
		t.Fatal(err)
	}
	if l.Product != p.Name || p.Name != name {
		t.Errorf("product %s has limits for %s", p.Name, l.Product)
	}
	return p, l
}

// Every file is one of those that the test below reads.
func TestFiles(t *testing.T) {
	all, err := fs.Glob(sample.Files, "*")
	if err != nil || strings.Join(all, " ") != "hopper-1.limits.toml hopper-1.product.toml hopper-54.limits.toml hopper-54.product.toml station.sheet.toml" {
		t.Errorf("files %v, %v", all, err)
	}
	s, err := product.ReadSheet("station.sheet.toml", file(t, "station.sheet.toml"))
	if err != nil || len(s.Nests) != 3 {
		t.Errorf("sheet: %+v, %v", s, err)
	}
	for _, c := range []struct{ product, payload string }{{"hopper-54", "H54-00001-"}, {"hopper-1", "H1-00001-"}} {
		p, l := files(t, c.product)
		check, err := label.Mod37_36.Compute(c.payload)
		if err != nil {
			t.Fatal(err)
		}
		if got, err := p.Label.Rules.Parse(c.payload + check); err != nil || got.Serial != c.payload+check {
			t.Errorf("label of %s: %+v, %v", c.product, got, err)
		}
		for _, b := range l.Bins {
			for _, more := range []string{", ", " and ", " und ", " y "} { // the file's own instructions are one action each
				if b.Name == limits.Passed || b.Name == limits.Label || b.Name == limits.Capture {
					continue // the program's
				}
				for _, text := range []string{b.Instruction.Plain, b.Instruction.DE, b.Instruction.ES} {
					if strings.Contains(text, more) || strings.Count(text, ".") > 1 {
						t.Errorf("%s: bin %s tells more than one action: %q", c.product, b.Name, text)
					}
				}
			}
			for _, text := range []limits.Text{b.Instruction, b.Hard.Text} {
				if b.Name != limits.Passed && (text.DE == "" || text.ES == "" || text.DE == text.Plain || text.ES == text.Plain) {
					t.Errorf("%s: bin %s says %q in every language", c.product, b.Name, text.Plain)
				}
			}
		}
		r := limits.Check(l)
		if len(r.Problems) > 0 || r.FalseReject > 1e-4 {
			t.Errorf("limits of %s: false rejects %v, problems %v", c.product, r.FalseReject, r.Problems)
		}
	}
}

// Each quantity is one that the sample of a unit with zones bounds, so that
// whoever writes limits finds it there, or one that it leaves out for a reason.
func TestEveryQuantityHasASampleLimit(t *testing.T) {
	_, l := files(t, "hopper-54")
	without := map[quantity.Name]string{
		quantity.LeakageLate:       "leakage.max bounds what it is a share of",
		quantity.LeakageDistance:   "is for telling a wrong target from an offset",
		quantity.LeakageChange:     "the product bounds it: the capture is bad, not the unit",
		quantity.PulseMisfit:       "is in the uncertainty of the offset",
		quantity.StraySignificance: "the product bounds it: the capture is bad, not the unit",
		quantity.TargetMisfit:      "the product bounds it: the capture is bad, not the unit",
		quantity.ZonesMisfit:       "the product bounds it: the capture is bad, not the unit",
		quantity.ZonesNoSignal:     "the product bounds it: the capture is bad, not the unit",
		quantity.RateMax:           "saturation makes the capture bad, not the unit",
		quantity.VerifyErrorFar:    "needs a second distance, which the sample's nests do not have",
	}
	for _, d := range quantity.All() {
		if without[d.Name] != "" {
			continue
		}
		if !slices.ContainsFunc(l.Limits, func(x limits.Limit) bool { return x.Name == d.Name }) {
			t.Errorf("%s has no limit in cmd/panecal/sample/hopper-54.limits.toml", d.Name)
		}
	}
}

// Each quantity is measured on a healthy unit, but for those that the station
// makes of more than one unit's captures.
func TestEveryQuantityIsMeasured(t *testing.T) {
	p, _ := files(t, "hopper-54")
	set, _ := calibrate(t, p, simunit.Hopper54(), 1, 0, simunit.Seating{}, simunit.Sound)
	elsewhere := map[quantity.Name]string{
		quantity.VerifyErrorFar:      "needs a second distance",
		quantity.RangeErrorProjected: "is put by the station, with the product's working distances",
	}
	for _, d := range quantity.All() {
		m, ok := set[d.Name]
		if elsewhere[d.Name] != "" {
			continue
		}
		own := d.Name == quantity.OffsetUncertainty // is an uncertainty, and has none
		if !ok || math.IsNaN(m.V) || math.IsNaN(m.U) && !own {
			t.Errorf("%s: the estimator gives no value with its u (%v, %v)", d.Name, m.Value, ok)
		} else if d.Zoned != (m.Zones != nil) {
			t.Errorf("%s: zoned %v, zones %v", d.Name, d.Zoned, m.Zones)
		}
	}
}

// The product files must say of a unit what a simulated unit says of itself.
func TestMatchesSimulatedUnits(t *testing.T) {
	for _, m := range []simunit.Model{simunit.Hopper54(), simunit.Hopper1()} {
		p, _ := files(t, m.Product)
		s := p.Setup
		if s.Grid.Rows != m.Rows || s.Grid.Cols != m.Cols || s.Bins != m.Bins || s.BinPS != float64(m.BinPS) || s.FirstBinPS != float64(m.FirstBinPS) ||
			p.Firmware[0] != m.Firmware || (s.PileUp == estimate.FirstPhoton) != m.FirstPhoton || s.Ranging != string(m.Ranging) ||
			(p.Reports == product.ReportsHistograms) != m.Histograms || s.DatumMM != m.DatumMM || s.Pulse.StartPS != m.Pulse.StartPS || s.Pulse.StepPS != m.Pulse.StepPS ||
			p.CompensationAlwaysOn == m.CompensationSwitch || (p.Label.Tie == product.TieUnit) != m.HoldsSerial {
			t.Errorf("%s is not what the product file says: %+v", m.Product, s)
		}
		if len(s.Pulse.Density) != len(m.Pulse.Density) {
			t.Fatalf("%s: %d points of the pulse, not %d", m.Product, len(s.Pulse.Density), len(m.Pulse.Density))
		}
		for i, d := range m.Pulse.Density {
			if math.Abs(s.Pulse.Density[i]-d) > 1e-5 {
				t.Errorf("%s: pulse at point %d is %v, not %v", m.Product, i, s.Pulse.Density[i], d)
			}
		}
		// What the product file makes of the field is what the unit sees of a
		// plane: the mean over each zone, not its middle. Both integrate over
		// the zone, by code of their own.
		m.Spread, m.Departures = simunit.Spread{}, simunit.Departures{}
		u, err := simunit.New(m, 1, simunit.Options{})
		must(t, err)
		u.SetScene(simunit.Scene{TargetMM: 300, Reflectance: 0.5})
		for z, r := range u.Truth().RadialMM {
			ratio := math.Sqrt(1 + s.Grid.Ux[z]*s.Grid.Ux[z] + s.Grid.Uy[z]*s.Grid.Uy[z])
			if s.Grid.Sec != nil {
				ratio = s.Grid.Sec[z]
			}
			if d := r - (300+m.DatumMM)*ratio; math.Abs(d) > 1e-3 {
				t.Errorf("%s: zone %d sees the plane %.4f mm farther than the product file says", m.Product, z, d)
			}
		}
	}
}

// Even light with the emitter off shows where a unit's bins lie: the station's
// way through the protocol, against what the simulated unit was made with.
func TestEvenLight(t *testing.T) {
	p, _ := files(t, "hopper-54")
	m := simunit.Hopper54()
	m.Departures.BinWalkRel = 0.02
	e, err := estimate.New(p.Setup)
	must(t, err)
	onLine(t, p, m, 5, simunit.Options{}, simunit.Seating{}, func(u *simunit.Unit, b bench) {
		u.SetScene(simunit.Scene{Ambient: 20})
		c := b.capture(protocol.EvenLight, product.Plan{Shots: 400_000, Frames: 10}, false)
		w, err := e.BinWidths(estimate.Histogram{Shots: c.Shots, Counts: c.Counts, FrameTotals: c.FrameTotals, TempCel: math.NaN()})
		must(t, err)
		if len(w.Faults) > 0 {
			t.Fatalf("faults %v", w.Faults)
		}
		truth, sum, worst := u.Truth().EdgesPS, 0.0, 0.0
		for k := 1; k < p.Setup.Bins; k++ {
			true := truth[k] - p.Setup.FirstBinPS - float64(k)*p.Setup.BinPS
			d := w.EdgePS[k] - true
			sum += d * d / float64(p.Setup.Bins-1)
			worst = max(worst, math.Abs(true))
		}
		// Each zone has widths of its own, 2 % of 240 ps: over 54 zones they
		// leave 0.65 ps a bin, sqrt(96/6) times that at an edge, 2.6 ps.
		t.Logf("edges up to %.1f ps from even, found to %.2f ps (rms); zones differ by %.4f", worst, math.Sqrt(sum), w.ZoneRel)
		if math.Sqrt(sum) > 6 || worst < 15 {
			t.Errorf("edges up to %.1f ps from even found to %.2f ps", worst, math.Sqrt(sum))
		}
		if math.Abs(w.ZoneRel-0.02) > 0.002 {
			t.Errorf("zones differ by %.4f, made with 0.02", w.ZoneRel)
		}
	})
}

// Healthy simulated units pass the sample limits; those with a known fault go
// where the demonstration says.
func TestSimulatedUnits(t *testing.T) {
	for _, c := range []struct {
		name, product string
		units         uint64
		smear         float64
		seat          simunit.Seating
		flaw          simunit.Flaw
		bin, instruct string
	}{
		{"healthy", "hopper-54", 2, 0, simunit.Seating{}, simunit.Sound, limits.Passed, ""},
		{"dirty window", "hopper-54", 1, 0.12, simunit.Seating{}, simunit.Sound, "dirty_window", "Wipe the window."},
		{"wrong seat", "hopper-54", 1, 0, simunit.Seating{TiltXDeg: 3, ShiftMM: 2}, simunit.Sound, "seat", "Seat the unit flat."},
		{"zero moves", "hopper-54", 1, 0, simunit.Seating{}, simunit.FlawZeroMoves, limits.Verify, ""},
		{"healthy, ranges only", "hopper-1", 2, 0, simunit.Seating{}, simunit.Sound, limits.Passed, ""},
		{"dirty window, ranges only", "hopper-1", 1, 0.12, simunit.Seating{}, simunit.Sound, "dirty_window", "Wipe the window."},
	} {
		t.Run(c.name, func(t *testing.T) {
			p, l := files(t, c.product)
			m := simunit.Hopper54()
			if c.product == "hopper-1" {
				m = simunit.Hopper1()
			}
			for seed := uint64(1); seed <= c.units; seed++ {
				set, faults := calibrate(t, p, m, seed, c.smear, c.seat, c.flaw)
				j := l.Judge(set)
				if j.SoftName != c.bin || c.instruct != "" && j.Instruction.Plain != c.instruct || len(faults) > 0 {
					t.Errorf("seed %d: bin %s for %s, %q, faults %v", seed, j.SoftName, j.Decided, j.Instruction.Plain, faults)
				}
				for _, line := range j.Lines {
					if !line.Measured {
						t.Errorf("seed %d: %s is not measured", seed, line.Name)
					}
				}
			}
		})
	}
}

// onLine gives a simulated unit, seated, on a line of its own, identified.
func onLine(t *testing.T, p *product.Product, m simunit.Model, seed uint64, o simunit.Options, at simunit.Seating, do func(*simunit.Unit, bench)) {
	t.Helper()
	synctest.Test(t, func(t *testing.T) {
		u, err := simunit.New(m, seed, o)
		must(t, err)
		u.Seat(at)
		near, far := net.Pipe()
		ctx, cancel := context.WithCancel(t.Context())
		served := make(chan error, 1)
		go func() { served <- u.Serve(ctx, far) }()
		defer func() {
			cancel()
			near.Close()
			far.Close()
			<-served
		}()
		b := bench{t, ctx, protocol.NewClient(near, protocol.Options{Baud: p.Line.Baud, Now: time.Now})}
		_, err = b.unit.Identify(ctx)
		must(t, err)
		do(u, b)
	})
}

// calibrate measures, adjusts and verifies one simulated unit.
func calibrate(t *testing.T, p *product.Product, m simunit.Model, seed uint64, smear float64, at simunit.Seating, flaw simunit.Flaw) (set quantity.Set, faults []estimate.Fault) {
	set = quantity.Set{}
	onLine(t, p, m, seed, simunit.Options{Flaw: flaw}, at, func(u *simunit.Unit, b bench) {
		e, err := estimate.New(p.Setup)
		must(t, err)
		ref := estimate.Reference{DistanceMM: 300, DistanceUMM: 0.15, EndStop: true}
		target := simunit.Scene{Smear: smear, TargetMM: ref.DistanceMM, Reflectance: 0.5}

		var leakage *estimate.Leakage
		var offsets *estimate.Offsets
		u.SetScene(simunit.Scene{Smear: smear})
		if p.Reports == product.ReportsSummary {
			leakage, err = e.EmptySummary(*b.ranges(p.Capture.Empty, false))
			must(t, err)
			u.SetScene(target)
			offsets, err = e.TargetSummary(leakage, *b.ranges(p.Capture.Target, false), ref)
		} else {
			leakage, err = e.Empty(b.histogram(p.Capture.Empty))
			must(t, err)
			u.SetScene(target)
			offsets, err = e.Target(leakage, b.histogram(p.Capture.Target), ref, b.ranges(p.Capture.Target, false))
		}
		must(t, err)
		constants := e.Constants(leakage, offsets)
		b.write(u, p, constants)
		v, err := e.Verify(constants, nil, b.ranges(p.Capture.Verify, true), ref, offsets)
		must(t, err)
		for _, q := range []quantity.Set{leakage.Quantities, offsets.Quantities, v.Quantities} {
			for n, m := range q {
				set[n] = m
			}
		}
		faults = append(append(append(faults, leakage.Faults...), offsets.Faults...), v.Faults...)
	})
	return set, faults
}

func must(t *testing.T, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}

// bench has one unit on its line.
type bench struct {
	t    *testing.T
	ctx  context.Context
	unit *protocol.Client
}

func (b bench) capture(kind protocol.CaptureKind, plan product.Plan, compensated bool) *protocol.Capture {
	b.t.Helper()
	c, err := b.unit.Capture(b.ctx, protocol.CaptureRequest{Kind: kind, Compensated: compensated, Shots: plan.Shots, Frames: plan.Frames}, nil)
	must(b.t, err)
	return c
}

func (b bench) histogram(plan product.Plan) estimate.Histogram {
	c := b.capture(protocol.Histograms, plan, false)
	return estimate.Histogram{Shots: c.Shots, Counts: c.Counts, FrameTotals: c.FrameTotals, TempCel: float64(c.TempMilliCel) / 1000}
}

func (b bench) ranges(plan product.Plan, compensated bool) *estimate.Summary {
	c := b.capture(protocol.Ranges, plan, compensated)
	s := &estimate.Summary{Shots: c.Shots, TempCel: float64(c.TempMilliCel) / 1000}
	for _, z := range c.Ranges {
		one := estimate.SummaryZone{Signal: float64(z.Signal) * 1e-9, SignalU: float64(z.SignalU) * 1e-9,
			Ambient: float64(z.Ambient) * 1e-9, AmbientU: float64(z.AmbientU) * 1e-9, RangeMM: math.NaN(), RangeUMM: math.NaN()}
		if z.Ranged {
			one.RangeMM, one.RangeUMM = float64(z.Range)*1e-3, float64(z.RangeU)*1e-3
		}
		s.Zones = append(s.Zones, one)
	}
	return s
}

func (b bench) write(u *simunit.Unit, p *product.Product, c estimate.Constants) {
	b.t.Helper()
	block := &protocol.Block{Serial: u.Serial(), Rows: p.Setup.Grid.Rows, Cols: p.Setup.Grid.Cols, State: protocol.Written,
		TempMilliCel: int32(math.Round(c.TempRefCel * 1000))}
	must(b.t, block.SetLeakage(c.LeakageRate, c.FirstBin, c.LeakageBins))
	offsets := c.OffsetMM
	if p.Setup.Offsets == estimate.OffsetsOne {
		offsets = offsets[:1]
	}
	must(b.t, block.SetOffsets(offsets))
	raw, err := block.Marshal()
	must(b.t, err)
	must(b.t, b.unit.Stage(b.ctx, raw))
	must(b.t, b.unit.Commit(b.ctx, raw))
}
