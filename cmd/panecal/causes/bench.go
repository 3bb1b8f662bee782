package causes

import (
	"context"
	"fmt"
	"io/fs"
	"maps"
	"math/rand/v2"
	"net"
	"time"

	"example.org/panecal/cmd/panecal/sample"
	"example.org/panecal/limits"
	"example.org/panecal/limits/quantity"
	"example.org/panecal/protocol"
	"example.org/panecal/protocol/simunit"
	"example.org/panecal/station"
	"example.org/panecal/station/cause"
	"example.org/panecal/station/estimate"
	"example.org/panecal/station/product"
)

// bench measures simulated units as a station does: over the protocol, with the
// sample product's captures, the estimator and the sample limits.
type bench struct {
	world     *world
	files     *station.Files
	estimator *estimate.Estimator
	nest      estimate.Reference
	reflect   float64
}

const productName = "hopper-54"

func newBench(w *world) (*bench, error) {
	read := func(name string) ([]byte, error) { return fs.ReadFile(sample.Files, name) }
	text, err := read(productName + ".product.toml")
	if err != nil {
		return nil, err
	}
	p, err := product.Read(productName, text)
	if err != nil {
		return nil, err
	}
	if text, err = read(productName + ".limits.toml"); err != nil {
		return nil, err
	}
	l, err := limits.Read(productName, text)
	if err != nil {
		return nil, err
	}
	if text, err = read("station.sheet.toml"); err != nil {
		return nil, err
	}
	s, err := product.ReadSheet("sheet", text)
	if err != nil {
		return nil, err
	}
	b := &bench{world: w}
	if b.files, err = station.NewFiles(p, l, s); err != nil {
		return nil, err
	}
	n := s.Nests[0]
	b.nest, b.reflect = estimate.Reference{DistanceMM: n.DistanceMM, DistanceUMM: n.DistanceUMM, EndStop: n.EndStop}, n.Reflectance
	b.estimator, err = estimate.New(p.Setup)
	return b, err
}

// checksU is how well a day's check units tell where a nest's target stands, mm.
const checksU = 0.35

// captures takes one capture, in the estimator's form.
type captures func(kind protocol.CaptureKind, c product.Plan, compensated bool) (*estimate.Histogram, *estimate.Summary, error)

// patience is what a busy computer may take for an answer.
const patience = 30 * time.Second

// measure runs one attempt of a unit with a fault, and says whether it fails
// the sample limits, or its captures are bad. The n-th attempt of the same unit
// has photons of its own.
func (b *bench) measure(ctx context.Context, unit uint64, n int, f fault) (e cause.Evidence, fails bool, err error) {
	r := rand.New(rand.NewPCG(unit, uint64(n)<<8|b.world.seed))
	u, err := simunit.New(f.model(b.world), unit<<4|b.world.seed, simunit.Options{Speed: 1e9, Seating: f.seating(b.world, r)})
	if err != nil {
		return e, false, err
	}
	near, far := net.Pipe()
	inner, cancel := context.WithCancel(ctx)
	served := make(chan error, 1)
	go func() { served <- u.Serve(inner, far) }()
	defer func() {
		cancel()
		_ = near.Close() // of a pipe
		<-served
	}()
	line := protocol.NewClient(near, protocol.Options{Grace: patience, NewSession: func() uint32 { return 1 }})
	id, err := line.Identify(ctx)
	if err != nil {
		return e, false, err
	}
	var capture captures = func(kind protocol.CaptureKind, c product.Plan, compensated bool) (*estimate.Histogram, *estimate.Summary, error) {
		// As many shots in fewer, longer frames: as much light, and a third of the
		// time. Another number of shots, by a handful, is other photons.
		frames := max(c.Frames/5, 1)
		got, err := line.Capture(ctx, protocol.CaptureRequest{Kind: kind, Shots: c.Total()/int64(frames) + int64(n), Frames: frames, Compensated: compensated}, nil)
		if err != nil {
			return nil, nil, err
		}
		h, s := station.Inputs(got)
		return h, s, nil
	}
	p := b.files.Product
	u.SetScene(f.empty(b.world))
	h, _, err := capture(protocol.Histograms, p.Capture.Empty, false)
	if err != nil {
		return e, false, fmt.Errorf("empty capture: %w", err)
	}
	leakage, err := b.estimator.Empty(*h)
	if err != nil {
		return e, false, err
	}
	e.Drift = driftOf(h.FrameTotals)
	u.SetScene(f.target(b.world, b.nest.DistanceMM, b.reflect))
	if h, _, err = capture(protocol.Histograms, p.Capture.Target, false); err != nil {
		return e, false, fmt.Errorf("target capture: %w", err)
	}
	offsets, err := b.estimator.Target(leakage, *h, b.nest, nil)
	if err != nil {
		return e, false, err
	}
	set := quantity.Set{}
	maps.Copy(set, leakage.Quantities)
	maps.Copy(set, offsets.Quantities)
	bad := len(leakage.Faults)+len(offsets.Faults) > 0
	var verified []quantity.Value
	fails = bad || !b.files.Limits.Excusing(quantity.VerifyError, quantity.VerifyErrorFar).Judge(set).Passed
	if !fails { // a station writes, and verifies, what has passed so far
		v, err := b.verify(ctx, line, id, b.estimator.Constants(leakage, offsets), f, offsets, capture)
		if err != nil {
			return e, false, err
		}
		maps.Copy(set, v.Quantities)
		verified = v.Quantities[quantity.VerifyError].Zones
		fails = !b.files.Limits.Judge(set).Passed
	}
	drift := e.Drift
	e = evidenceOf(station.ZonesRecord(b.files.Product.Setup.Grid.Rows, b.files.Product.Setup.Grid.Cols, leakage, offsets, nil, verified), set)
	e.Drift, e.ChecksMM = drift, f.is(cause.Station)*f.sign()+checksU*r.NormFloat64()
	return e, fails, nil
}

// verify writes constants into the unit and asks for ranges with them. Where the
// fault is wrong constants, those of an earlier run stay in force.
func (b *bench) verify(ctx context.Context, line *protocol.Client, id protocol.Identity, c estimate.Constants, f fault, o *estimate.Offsets, capture captures) (*estimate.Verification, error) {
	inForce := c
	if wrong := f.is(cause.Constants); wrong > 0 {
		inForce.OffsetMM, inForce.LeakageBins = nil, nil
		for z, mm := range c.OffsetMM {
			inForce.OffsetMM = append(inForce.OffsetMM, mm+wrong*f.sign())
			// The window was another one then: 0.3 to 1.7 times the leakage.
			bins := make([]float64, len(c.LeakageBins[z]))
			for i, v := range c.LeakageBins[z] {
				bins[i] = v * (0.3 + 1.4*f.extra)
			}
			inForce.LeakageBins = append(inForce.LeakageBins, bins)
		}
	}
	block, err := b.files.Block(id.Serial, id.Rows, id.Cols, inForce)
	if err != nil {
		return nil, err
	}
	block.Witness = protocol.Witness{Station: "simulated", Generation: 1, Sequence: 1}
	raw, err := block.Marshal()
	if err != nil {
		return nil, err
	}
	if err := line.Stage(ctx, raw); err != nil {
		return nil, err
	}
	if err := line.Commit(ctx, raw); err != nil {
		return nil, err
	}
	_, s, err := capture(protocol.Ranges, b.files.Product.Capture.Verify, true)
	if err != nil {
		return nil, fmt.Errorf("verify capture: %w", err)
	}
	return b.estimator.Verify(c, nil, s, b.nest, o)
}
