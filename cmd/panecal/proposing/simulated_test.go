package proposing

import (
	"context"
	"fmt"
	"math"
	"net"
	"os"
	"path/filepath"
	"testing"
	"testing/synctest"
	"time"

	"example.org/panecal/protocol"
	"example.org/panecal/protocol/simunit"
	"example.org/panecal/station/estimate"
	"example.org/panecal/station/product"
	"example.org/panecal/testdata/figures"
)

// TestRequirementInUse holds derived limits against simulated units, which share
// no line with the estimator: at 0.9 times the limit a unit keeps the allowance
// and at 1.1 times it breaks it, each with 95 % confidence. Units follow the
// model here: spread and departures are none. PANECAL_REQUIREMENT=full takes
// 20,000 ranges a unit, a third of them where it fits pulses.
func TestRequirementInUse(t *testing.T) {
	ranges := 300
	if os.Getenv("PANECAL_REQUIREMENT") == "full" {
		ranges = 20_000
	}
	for _, c := range []struct {
		name      string
		model     simunit.Model
		working   []float64
		allowance float64
		shots     int64
		first     bool // first-photon
	}{
		{"mean.bias", simunit.Hopper1(), []float64{300, 600, 1000}, 95, 4_000_000, false},
		{"mean.noise", simunit.Hopper1(), []float64{300, 600, 1000}, 20, 2_000_000, false},
		{"mean.first_photon", simunit.Hopper1(), []float64{600}, 25, 4_000_000, true},
		{"pulse.resolved", oneZone(), []float64{300, 600, 1000}, 20, 1_000_000, false},
		{"pulse.overlapping", oneZone(), []float64{90, 120}, 1.5, 4_000_000, false},
	} {
		t.Run(c.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				m := c.model
				m.Spread, m.Departures, m.FirstPhoton = simunit.Spread{}, simunit.Departures{}, c.first
				p := sampleProduct(t, m.Product)
				s := p.Setup
				s.Grid, s.WorkingMM, s.PileUp = estimate.Grid{Rows: 1, Cols: 1, Ux: []float64{0}, Uy: []float64{0}}, c.working, estimate.NoPileUp
				if c.first {
					s.PileUp = estimate.FirstPhoton
				}
				r := *p.Requirement
				r.AllowanceMM, r.Shots = c.allowance, c.shots
				r.SignalAtMM, r.SignalReflectance = 300, 0.5
				at := unit(t, m, nil, simunit.Move{On: simunit.Powered, Do: simunit.PlaceTarget, TargetMM: 300, Reflect: 0.5}).truth()
				r.Signal, r.LeakageMM, r.Ambient = at.Signal[0], at.LeakageMM[0]-at.ZeroMM[0], at.Ambient
				e, err := estimate.New(s)
				if err != nil {
					t.Fatal(err)
				}
				l, err := e.LeakageLimit(r)
				if err != nil || l.Outcome != estimate.LimitFound {
					t.Fatalf("%+v, %v", l, err)
				}
				t.Logf("limit %.4g, u %.2g, %s ranging, frames of %d shots; beyond it %+v", l.Limit, l.U, l.Estimator, r.Shots, l.Worst)
				ranges := ranges
				if m.Ranging == simunit.RangePulse {
					ranges /= 3 // a fit takes its time
				}
				for _, times := range []float64{0.9, 1.1} {
					bias, sd := inUse(t, m, s, r, l.Worst, times*l.Limit, at.Leakage[0], ranges)
					n := float64(ranges)
					used := math.Abs(bias) + r.K*sd
					// Of |mean| + k·sd, both from n ranges.
					u := sd * math.Sqrt(1/n+r.K*r.K/(2*(n-1)))
					const z = 1.6449 // 95 %, one side
					what, share, goal, ok := "keeps", (used+z*u)/r.AllowanceMM, "<=1", used+z*u <= r.AllowanceMM
					if times > 1 {
						what, share, goal, ok = "breaks", (used-z*u)/r.AllowanceMM, ">1", used-z*u > r.AllowanceMM
					}
					figures.Tell(t, fmt.Sprintf("requirement.%s.at_%.1f.%s", c.name, times, what), fmt.Sprintf("%.4f", share), "of_allowance", goal, ok)
				}
			})
		})
	}
}

// oneZone is a hopper-54 with its middle alone.
func oneZone() simunit.Model {
	m := simunit.Hopper54()
	m.Rows, m.Cols, m.Ux, m.Uy, m.ZoneU, m.ZoneV = 1, 1, []float64{0}, []float64{0}, 0, 0
	m.StrayXSlope = 0
	m.StrayAcceptance /= 10
	m.EnergyNJ /= 54 // what one zone of all gets
	return m
}

func sampleProduct(t *testing.T, name string) *product.Product {
	t.Helper()
	data, err := os.ReadFile(filepath.Join("..", "sample", name+".product.toml"))
	if err != nil {
		t.Fatal(err)
	}
	p, err := product.Read(name, data)
	if err != nil {
		t.Fatal(err)
	}
	return p
}

// simulated is a unit on a pipe.
type simulated struct {
	*protocol.Client
	truth func() simunit.Truth
}

func unit(t *testing.T, m simunit.Model, block []byte, moves ...simunit.Move) simulated {
	t.Helper()
	u, err := simunit.New(m, 7, simunit.Options{Hands: moves, Constants: block, Speed: 1e6})
	if err != nil {
		t.Fatal(err)
	}
	near, far := net.Pipe()
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan error, 1)
	go func() { done <- u.Serve(ctx, far) }()
	t.Cleanup(func() {
		cancel()
		<-done
		near.Close()
		far.Close()
	})
	next := uint32(100)
	c := protocol.NewClient(near, protocol.Options{NewSession: func() uint32 { next++; return next }})
	if _, err := c.Identify(t.Context()); err != nil {
		t.Fatal(err)
	}
	time.Sleep(time.Second) // virtual: the hands are done
	return simulated{c, u.Truth}
}

// inUse ranges a target with a unit whose leakage was the given one when it was
// calibrated and has changed since, and returns the error's mean and standard
// deviation. nominal is the leakage that the model has.
func inUse(t *testing.T, m simunit.Model, s estimate.Setup, r estimate.Requirement, at estimate.Condition, leakage, nominal float64, ranges int) (bias, sd float64) {
	t.Helper()
	m.StrayAcceptance *= leakage * (1 + r.Change) / nominal
	b := &protocol.Block{Rows: 1, Cols: 1, OffsetScale: 16, Serial: "X", State: protocol.Released, Witness: protocol.Witness{Station: "S"}}
	now := unit(t, m, nil).truth()
	var bins [][]float64
	first := 0
	if m.Histograms { // as a station measures it, with very many shots
		empty, err := unit(t, m, nil).Capture(t.Context(), protocol.CaptureRequest{Kind: protocol.Histograms, Shots: 400_000_000, Frames: 10}, nil)
		if err != nil {
			t.Fatal(err)
		}
		bins = [][]float64{nil}
		const from, to = 4, 36
		first = from
		for i := from; i < to; i++ {
			bins[0] = append(bins[0], (float64(empty.Counts[i])/float64(empty.Shots)-now.Ambient[0])/(1+r.Change))
		}
	}
	if err := b.SetLeakage([]float64{now.Leakage[0] / (1 + r.Change)}, first, bins); err != nil {
		t.Fatal(err)
	}
	offset := now.OffsetMM[0]
	if s.Ranging == estimate.RangingMean {
		offset += pulseMeanMM(s.Pulse) // the mean of a return comes later than its zero
	}
	b.Offsets = []int32{int32(math.Round(offset * (1 << 16)))}
	block, err := b.Marshal()
	if err != nil {
		t.Fatal(err)
	}
	u := unit(t, m, block, simunit.Move{On: simunit.Powered, Do: simunit.PlaceTarget, TargetMM: at.DistanceMM, Reflect: at.Reflectance})
	if truth := u.truth(); !truth.Compensated || math.Abs(truth.RadialMM[0]-at.RadialMM) > 1e-6 {
		t.Fatalf("compensated %v, target at %v, want %v", truth.Compensated, truth.RadialMM, at.RadialMM)
	}
	var sum, squares float64
	for range ranges {
		c, err := u.Capture(t.Context(), protocol.CaptureRequest{Kind: protocol.Ranges, Compensated: true, Shots: r.Shots, Frames: 1}, nil)
		if err != nil {
			t.Fatal(err)
		}
		if !c.Ranges[0].Ranged {
			t.Fatal("no range")
		}
		x := float64(c.Ranges[0].Range)/1000 - at.RadialMM
		sum += x
		squares += x * x
	}
	n := float64(ranges)
	bias = sum / n
	return bias, math.Sqrt((squares - n*bias*bias) / (n - 1))
}

// pulseMeanMM is the mean of a pulse table from its zero, as a distance.
func pulseMeanMM(p estimate.Pulse) float64 {
	var area, first float64
	for i := 1; i < len(p.Density); i++ {
		a, b := p.Density[i-1], p.Density[i]
		x := p.StartPS + float64(i-1)*p.StepPS
		area += (a + b) / 2
		first += x*(a+b)/2 + p.StepPS*(a/6+b/3)
	}
	return first / area * 0.299792458 / 2
}
