package simunit

import (
	"math"
	"math/rand/v2"
	"sort"

	"gonum.org/v1/gonum/stat/distuv"

	"example.org/panecal/station/window"
)

// Scene is what lies in front of the unit.
type Scene struct {
	TargetMM    float64 // stated perpendicular distance from the fixture's reference; 0 = empty field
	Reflectance float64 // of the target
	HandMM      float64 // distance of a hand over the left half of the field; 0 = none
	Ambient     float64 // times the usual ambient light; 0 = usual
	Smear       float64 // diffuse back reflectance that a fingerprint adds to the outer face
	Film        float64 // and that moisture adds to the inner face
	Fades       float64 // share of both that is gone at the end of a capture

	GlintMM         float64 // apparent distance of a foreign reflection, from the unit's zero; 0 = none
	GlintRate       float64 // its counts per shot and zone
	GlintFrom, Upto int     // the columns that see it, the last one not
}

const handReflectance = 0.45

// light is the mean count per shot of every zone and bin, zone-major.
type light struct {
	laser   []float64 // at laser power 1
	dark    []float64 // ambient light
	leakage []float64 // per zone, counts per shot
	near    []float64 // per zone, mean distance of the leakage as it appears, mm
	signal  []float64 // per zone
	radial  []float64 // per zone, mm, signal-weighted mean over its area; 0 without a target
}

// shine computes what the unit receives from a scene.
func (b *body) shine(s Scene, at seat) *light {
	m := b.model
	zones := m.Zones()
	l := &light{laser: make([]float64, zones*m.Bins), dark: make([]float64, zones*m.Bins), leakage: make([]float64, zones), near: make([]float64, zones),
		signal: make([]float64, zones), radial: make([]float64, zones)}
	w := b.window
	w.OuterScatter += s.Smear
	w.InnerScatter += s.Film
	paths := b.paths(w)
	law := make([][]float64, len(paths))
	for i, p := range paths {
		law[i] = b.comes(p)
	}
	ambient := s.Ambient
	if ambient == 0 {
		ambient = 1
	}
	for z := range zones {
		if b.dead[z] {
			continue
		}
		zero := b.zero(z)
		perFraction := b.photons * b.power() * b.accept[z] * b.efficiency()
		for i, p := range paths {
			counts := perFraction * p.Fraction
			if law[i] != nil {
				counts *= law[i][z] / b.usual
			}
			b.add(l.laser, z, counts, p.DistanceMM()+zero)
			l.leakage[z] += counts
			l.near[z] += counts * p.DistanceMM()
		}
		if l.leakage[z] > 0 {
			l.near[z] /= l.leakage[z]
		}
		l.near[z] += zero
		if s.GlintMM > 0 && z%m.Cols >= s.GlintFrom && z%m.Cols < s.Upto {
			b.add(l.laser, z, s.GlintRate, s.GlintMM+zero)
		}
		if s.TargetMM > 0 {
			late := m.Departures.MultipathRel
			for _, r := range b.rays(z) {
				far := b.radial(r, at, s.TargetMM)
				counts := b.signal(z, r, far, s.Reflectance)
				l.signal[z] += counts
				l.radial[z] += counts * far
				seen := far + zero + b.added[z]
				b.add(l.laser, z, counts*(1-late), seen)
				b.add(l.laser, z, counts*late, seen+millimetres(at.late[z]))
			}
			if l.signal[z] > 0 {
				l.radial[z] /= l.signal[z]
			}
		}
		if s.HandMM > 0 && m.Ux[z] <= 0 { // round, so that every way to it is as long
			middle := ray{m.Ux[z], m.Uy[z], 1}
			b.add(l.laser, z, b.signal(z, middle, s.HandMM, handReflectance), s.HandMM+zero+b.added[z])
		}
		rate := b.ambient[z] * ambient
		if b.hot[z] {
			rate *= 60
		}
		for i := range m.Bins {
			l.dark[z*m.Bins+i] = rate * b.binScale[z*m.Bins+i] * (b.edges[i+1] - b.edges[i]) / float64(m.BinPS)
		}
	}
	return l
}

// add puts a return of so many counts per shot at an apparent distance.
func (b *body) add(mean []float64, z int, counts, apparentMM float64) {
	m := b.model
	delay := picoseconds(apparentMM)
	span := b.pulse.step * float64(len(b.pulse.density)) * b.width
	// Only bins near the pulse; its table may begin anywhere about its delay.
	from := delay + (b.pulse.start-b.pulse.mean)*b.width + b.pulse.mean
	first := max(0, sort.SearchFloat64s(b.edges, from)-2)
	last := min(m.Bins-1, sort.SearchFloat64s(b.edges, from+span)+1)
	for i := first; i <= last; i++ {
		centre := (b.edges[i] + b.edges[i+1]) / 2
		wide := (b.edges[i+1] - b.edges[i]) / 2 * b.binScale[z*m.Bins+i]
		mean[z*m.Bins+i] += counts * b.pulse.between(centre-wide, centre+wide, delay, b.width)
	}
}

// paths of the window's light, worked out once for scenes that differ only in
// their target.
func (b *body) paths(w window.Window) []window.Path {
	if b.known == nil || b.last != w {
		b.last, b.known = w, w.Leakage()
	}
	return b.known
}

// between mixes two lights: share 0 is l, 1 the other. What is told of single
// zones stays l's.
func (l *light) between(other *light, share float64) *light {
	mixed := *l
	mixed.laser = make([]float64, len(l.laser))
	for i := range mixed.laser {
		mixed.laser[i] = (1-share)*l.laser[i] + share*other.laser[i]
	}
	return &mixed
}

func picoseconds(mm float64) float64 { return 2 * mm / window.SpeedMMPerNS * 1000 }
func millimetres(ps float64) float64 { return ps / 1000 * window.SpeedMMPerNS / 2 }

// expose adds the counts of some shots to counts (zone-major), saturating at
// most, and each zone's counts to totals. power scales what the laser sends;
// ambient light stays.
func (b *body) expose(l *light, power float64, shots int64, most uint32, counts, totals []uint32, r *rand.Rand) {
	m := b.model
	src := rand.Source(r)
	for z := range m.Zones() {
		if b.dead[z] {
			continue
		}
		dark := l.dark[z*m.Bins : (z+1)*m.Bins]
		atRisk := shots
		for i, laser := range l.laser[z*m.Bins : (z+1)*m.Bins] {
			mean := dark[i] + laser*power
			var n int64
			if m.FirstPhoton {
				if atRisk > 0 && mean > 0 {
					p := -math.Expm1(-mean)
					n = int64(distuv.Binomial{N: float64(atRisk), P: p, Src: src}.Rand())
				}
				atRisk -= n
			} else if mean > 0 {
				n = int64(distuv.Poisson{Lambda: mean * float64(shots), Src: src}.Rand())
			}
			counts[z*m.Bins+i] = saturate(counts[z*m.Bins+i], n, most)
			totals[z] = saturate(totals[z], n, math.MaxUint32)
		}
	}
}

// saturate adds without ever wrapping.
func saturate(have uint32, n int64, most uint32) uint32 {
	return uint32(min(int64(have)+n, int64(most)))
}
