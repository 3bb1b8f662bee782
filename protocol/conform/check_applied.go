package conform

import (
	"fmt"
	"math"
	"slices"
	"time"

	"example.org/panecal/protocol"
)

// exposure is how long a capture of ranges lasts, ms: less where counts of few
// bits would fill up, which then add up to nothing.
func (r *run) exposure() int64 {
	const usual, look = 60, 8
	if !r.id.Kinds.Has(protocol.Histograms) {
		return usual
	}
	if _, ok := r.start(protocol.Histograms, r.shots(look), 1); !ok || !r.ended(r.capture) {
		return usual
	}
	counts, _, ok := r.table(r.capture, protocol.BinTable, r.id.Bins)
	if !ok {
		return usual
	}
	most := float64(r.id.CountMax()) / float64(1+slices.Max(counts)) * look
	return max(1, min(usual, int64(most/2)))
}

// ranges makes a capture of ranges, of all its shots.
func (r *run) ranges(comp bool) ([]protocol.RangeZone, bool) {
	q := protocol.CaptureRequest{ID: r.nextCapture(), Kind: protocol.Ranges, Compensated: comp, Shots: r.shots(r.exposure()), Frames: 1}
	if _, ok := r.startAs(q); !ok || !r.ended(q.ID) {
		return nil, false
	}
	_, zones, ok := r.table(q.ID, protocol.RangeTable, 1)
	return zones, ok
}

// rangesStopped makes one that is stopped long before its last shot.
func (r *run) rangesStopped() ([]protocol.RangeZone, bool) {
	ms := r.exposure()
	q := protocol.CaptureRequest{ID: r.nextCapture(), Kind: protocol.Ranges, Compensated: true, Shots: r.shots(20 * ms), Frames: 1}
	if _, ok := r.startAs(q); !ok {
		return nil, false
	}
	r.pause(time.Duration(ms) * time.Millisecond / 2)
	if !r.stop() {
		return nil, false
	}
	if p, ok := r.progress(q.ID); !ok || p.ShotsFired == 0 || p.ShotsFired > r.shots(2*ms) {
		return nil, false // nothing to compare, or counts may have filled up
	}
	_, zones, ok := r.table(q.ID, protocol.RangeTable, 1)
	return zones, ok
}

// alike compares two captures of ranges, each zone's second moved by a
// number of micrometres, with what both say of their uncertainty.
func (r *run) alike(clause, what string, a, b []protocol.RangeZone, moved func(zone int) float64) {
	compared := 0
	for z := range a {
		if !a[z].Ranged || !b[z].Ranged {
			continue
		}
		compared++
		u := math.Hypot(float64(a[z].RangeU), float64(b[z].RangeU))
		off := float64(b[z].Range-a[z].Range) - moved(z)
		r.want(clause, math.Abs(off) <= 8*u+3000, "%s: zone %d ranges %d and %d µm, which is %.0f µm off", what, z, a[z].Range, b[z].Range, off)
	}
	if compared == 0 {
		r.skip("no zone finds a range: put a target in front of the unit", clause)
	}
}

func checkApplied(r *run) {
	if !r.id.Kinds.Has(protocol.Ranges) || !r.id.CompensationOff {
		r.skip("the unit does not range with and without compensation", "5.3.7", "6.2")
		return
	}
	if !r.writeBlock("5.6.4", r.block(protocol.Written, 12)) {
		return
	}
	r.ask(&protocol.Void{})
	none := func(int) float64 { return 0 }
	bare, ok := r.ranges(false)
	if !ok {
		return
	}
	if with, ok := r.ranges(true); ok {
		r.alike("6.2", "with a void block in force", bare, with, none)
		r.alike("5.3.7", "with no constants in force", bare, with, none)
	}
	// Another offset in each zone, no leakage. Written and released alike, and
	// in any scale.
	b := r.constants(12)
	clear(b.Leakage)
	clear(b.LeakageBins)
	for _, as := range []struct {
		state protocol.State
		scale uint8
	}{{protocol.Written, 16}, {protocol.Released, 9}, {protocol.Written, 22}} {
		b.State, b.OffsetScale = as.state, as.scale
		for z := range b.Offsets {
			b.Offsets[z] = int32((z%7 - 3) * 20 << as.scale)
		}
		data, err := b.Marshal()
		if err != nil || !r.writeBlock("5.6.4", data) {
			return
		}
		if with, ok := r.ranges(true); ok {
			offset := func(z int) float64 { return -1000 * b.OffsetMillimetres(z) }
			r.alike("5.3.7", fmt.Sprintf("with offsets from −60 to 60 mm in scale %d", as.scale), bare, with, offset)
			r.alike("6.2", fmt.Sprintf("with a block in state %v", as.state), bare, with, offset)
		}
		if without, ok := r.ranges(false); ok {
			r.alike("5.3.7", "without compensation, whatever is in force", bare, without, none)
		}
	}
	if r.id.Kinds.Has(protocol.Histograms) {
		r.binsApplied(bare)
	} else {
		r.zonesApplied(bare)
	}
}

// left compares the signal that is left of a zone's own with what should be.
// The light may differ by a tenth from capture to capture.
func (r *run) left(what string, zone int, bare, with protocol.RangeZone, share float64) {
	s := float64(bare.Signal)
	want, got := share*s, float64(with.Signal)
	if math.Abs(got-want) <= 0.15*s+8*math.Hypot(float64(bare.SignalU), float64(with.SignalU)) {
		r.tried("5.3.7")
		if want < 0 {
			r.tried("5.5.3")
		}
		return
	}
	if want < 0 && got >= -0.05*s {
		r.fail("5.5.3", "%s, zone %d tells a signal of %.0f: a difference of counts that is less than nothing is clamped", what, zone, got)
		return
	}
	r.fail("5.3.7", "%s, zone %d should tell %.0f %% of its signal and tells %.0f %%", what, zone, 100*share, 100*got/s)
}

// bright says whether a zone sees enough to be compared.
func bright(z protocol.RangeZone) bool { return float64(z.Signal) >= 40*float64(z.SignalU) }

// zonesApplied stores leakage that is half of what each zone sees, all of it,
// and three times as much.
func (r *run) zonesApplied(bare []protocol.RangeZone) {
	seen := false
	for _, share := range []float64{0.5, 1, 3} {
		b := r.constants(13)
		clear(b.Offsets)
		total := make([]float64, len(bare))
		for z := range total {
			total[z] = max(0, share*float64(bare[z].Signal)/1e9)
		}
		if err := b.SetLeakage(total, 0, nil); err != nil {
			r.fail("5.3.7", "%v", err)
			return
		}
		data, err := b.Marshal()
		if err != nil || !r.writeBlock("5.6.4", data) {
			return
		}
		capture, what := func() ([]protocol.RangeZone, bool) { return r.ranges(true) }, "of all its shots"
		if share == 1 {
			capture, what = r.rangesStopped, "that was stopped"
		}
		with, ok := capture()
		if !ok {
			continue
		}
		for z := range with {
			if bright(bare[z]) {
				seen = true
				r.left(fmt.Sprintf("in a capture %s, with %g times its signal stored as leakage", what, share), z, bare[z], with[z], 1-share)
			}
		}
	}
	if !seen {
		r.skip("no zone sees enough light to tell", "5.3.7", "5.5.3")
	}
}

// binsApplied stores leakage in one bin of each zone, its brightest: that bin
// is the first of those stored, then the last.
func (r *run) binsApplied(bare []protocol.RangeZone) {
	if _, ok := r.start(protocol.Histograms, r.shots(r.exposure()), 1); !ok || !r.ended(r.capture) {
		return
	}
	counts, _, ok := r.table(r.capture, protocol.BinTable, r.id.Bins)
	if !ok {
		return
	}
	peaks := make([]int, r.id.Zones())
	var all []int
	for z := range peaks {
		bins := counts[z*r.id.Bins : (z+1)*r.id.Bins]
		peaks[z] = slices.Index(bins, slices.Max(bins))
		if bright(bare[z]) {
			all = append(all, peaks[z])
		}
	}
	if len(all) == 0 {
		r.skip("no zone sees enough light to tell", "5.3.7", "5.5.3")
		return
	}
	bins := min(r.id.Bins, blockBins)
	slices.Sort(all)
	middle := all[len(all)/2]
	for _, as := range []struct {
		what    string
		share   float64
		first   int // of the bins stored
		stopped bool
	}{
		{"in the last bins of those stored", 0.5, middle - bins + 2, false},
		{"in the last bins of those stored, in a capture that was stopped", 1, middle - bins + 2, true},
		{"in the first bins of those stored", 3, middle - 1, false},
	} {
		first := max(0, min(as.first, r.id.Bins-bins))
		b := r.constants(13)
		clear(b.Offsets)
		total, perBin := make([]float64, len(bare)), make([][]float64, len(bare))
		for z := range perBin {
			perBin[z] = make([]float64, bins)
			if at := peaks[z] - first; bright(bare[z]) && at >= 0 && at < bins {
				total[z] = as.share * float64(bare[z].Signal) / 1e9
				perBin[z][at] = total[z]
			}
		}
		if err := b.SetLeakage(total, first, perBin); err != nil {
			r.fail("5.3.7", "%v", err)
			return
		}
		data, err := b.Marshal()
		if err != nil || !r.writeBlock("5.6.4", data) {
			return
		}
		capture := func() ([]protocol.RangeZone, bool) { return r.ranges(true) }
		if as.stopped {
			capture = r.rangesStopped
		}
		with, ok := capture()
		if !ok {
			continue
		}
		for z := range with {
			if total[z] > 0 {
				r.left(fmt.Sprintf("with %g times its signal stored as leakage %s", as.share, as.what), z, bare[z], with[z], 1-as.share)
			}
		}
	}
}
