package simunit

import (
	"math"

	"example.org/panecal/protocol"
)

// constants are what the unit compensates with, as its firmware holds them.
type constants struct {
	leakage func(zone, bin int) float64 // counts per shot
	offset  func(zone int) float64      // mm
}

// ambientBins is how many bins at the end of the histogram the firmware takes
// its ambient light from; no working distance reaches them.
const ambientBins = 16

// ranges is the unit's own ranging of one capture. comp is nil with
// compensation off. It is code of its own, on purpose: a station must agree
// with it without sharing a line.
func (b *body) ranges(counts []uint32, shots int64, comp *constants) []protocol.RangeZone {
	m := b.model
	out := make([]protocol.RangeZone, m.Zones())
	if shots == 0 {
		return out
	}
	for z := range out {
		per, variance := perShot(counts[z*m.Bins:(z+1)*m.Bins], shots, m.FirstPhoton)
		tail := per[m.Bins-ambientBins:]
		var ambient, ambientVar float64
		for i, v := range tail {
			ambient += v / ambientBins
			ambientVar += variance[m.Bins-ambientBins+i] / (ambientBins * ambientBins)
		}
		var signal, signalVar float64
		for i := range per {
			per[i] -= ambient
			if comp != nil {
				per[i] -= comp.leakage(z, i)
			}
			signal += per[i]
			signalVar += variance[i]
		}
		signalVar += ambientVar * float64(m.Bins*m.Bins)
		var delay, delaySD float64
		if m.Ranging == RangeMean {
			delay, delaySD = b.meanDelay(per, variance, signal, math.Sqrt(signalVar))
		} else {
			delay, delaySD = b.pulseDelay(per, variance)
		}
		r := &out[z]
		r.Signal, r.SignalU = nano(signal), nano(math.Sqrt(signalVar))
		r.Ambient, r.AmbientU = nano(ambient), nano(math.Sqrt(ambientVar))
		mm := millimetres(delay)
		if comp != nil {
			mm -= comp.offset(z)
		}
		sd := millimetres(delaySD)
		if math.Abs(mm) < 1e6 && sd < 1e6 { // false for NaN
			r.Ranged, r.Range, r.RangeU = true, int64(math.Round(mm*1000)), int64(math.Ceil(sd*1000))
		}
	}
	return out
}

func nano(v float64) int64 { return int64(math.Round(v * 1e9)) }

// perShot turns counts into photons per shot and bin with their variances. A
// first-photon unit undoes pile-up on board (Coates 1968).
func perShot(counts []uint32, shots int64, firstPhoton bool) (per, variance []float64) {
	per, variance = make([]float64, len(counts)), make([]float64, len(counts))
	atRisk := float64(shots)
	for i, c := range counts {
		n := float64(c)
		if !firstPhoton {
			per[i], variance[i] = n/float64(shots), n/(float64(shots)*float64(shots))
			continue
		}
		// A bin that takes every shot at risk has no finite rate; half a count
		// stands for the missing one.
		left := math.Max(atRisk-n, 0.5)
		if atRisk > 0 {
			per[i], variance[i] = math.Log(atRisk/left), n/(atRisk*left)
		}
		atRisk = math.Max(atRisk-n, 0)
	}
	return per, variance
}

// centre is the middle of a bin, ps.
func (b *body) centre(bin int) float64 {
	return float64(b.model.FirstBinPS) + (float64(bin)+0.5)*float64(b.model.BinPS)
}

// meanDelay is the signal-weighted mean time of all net counts. Without
// signal there is none.
func (b *body) meanDelay(net, variance []float64, signal, signalSD float64) (delay, sd float64) {
	if !(signal > 3*signalSD) {
		return math.NaN(), math.NaN()
	}
	for i, n := range net {
		delay += n * b.centre(i) / signal
	}
	lever := 0.0 // of the ambient, which every bin had taken off and the last ones gave
	for i := range net {
		lever += b.centre(i) - delay
	}
	for i, v := range variance {
		d := b.centre(i) - delay
		if i >= len(variance)-ambientBins {
			d -= lever / ambientBins
		}
		sd += v * d * d
	}
	return delay, math.Sqrt(sd) / signal
}

// pulseDelay fits amplitude·pulse(t−delay) + ambient to the net counts by
// unweighted least squares: the best delay of a scan by bins, then golden
// section. Amplitude and ambient are solved for at every delay.
func (b *body) pulseDelay(net, variance []float64) (delay, sd float64) {
	m := b.model
	bin := float64(m.BinPS)
	shape := make([]float64, len(net))
	// gain is the reduction of the squared residuals by the pulse, 0 if its amplitude is not positive.
	fit := func(delay float64) (gain, amplitude float64) {
		n := float64(len(net))
		var s, ss, y, sy float64
		for i := range net {
			from := float64(m.FirstBinPS) + float64(i)*bin
			g := b.pulse.between(from, from+bin, delay, 1)
			shape[i] = g
			s, ss, y, sy = s+g, ss+g*g, y+net[i], sy+g*net[i]
		}
		spread := ss - s*s/n
		if !(spread > 1e-12) {
			return 0, 0
		}
		amplitude = (sy - s*y/n) / spread
		return amplitude * math.Abs(amplitude) * spread, amplitude
	}
	best, at := 0.0, 0
	for i := range net {
		if gain, _ := fit(b.centre(i)); gain > best {
			best, at = gain, i
		}
	}
	if best == 0 {
		return math.NaN(), math.NaN()
	}
	const golden = 0.6180339887498949
	low, high := b.centre(at)-bin, b.centre(at)+bin
	left, right := high-golden*(high-low), low+golden*(high-low)
	leftGain, _ := fit(left)
	rightGain, _ := fit(right)
	for high-low > 0.005 {
		if leftGain > rightGain {
			high, right, rightGain = right, left, leftGain
			left = high - golden*(high-low)
			leftGain, _ = fit(left)
		} else {
			low, left, leftGain = left, right, rightGain
			right = low + golden*(high-low)
			rightGain, _ = fit(right)
		}
	}
	delay = (low + high) / 2
	_, amplitude := fit(delay)
	// Uncertainty of unweighted least squares under the counts' own variance.
	var bread, meat float64
	for i, v := range variance {
		from := float64(m.FirstBinPS) + float64(i)*bin
		slope := b.pulse.at(from-delay) - b.pulse.at(from+bin-delay) // −d(share)/d(delay) up to its sign
		bread += slope * slope
		meat += slope * slope * v
	}
	if !(amplitude > 0) || bread == 0 {
		return math.NaN(), math.NaN()
	}
	return delay, math.Sqrt(meat) / (amplitude * bread)
}
