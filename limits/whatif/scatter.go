package whatif

import (
	"encoding/binary"
	"math"

	"example.org/panecal/limits"
	"example.org/panecal/limits/quantity"
)

// mostKept is from how many attempts the scatter of a quantity is taken, at
// least, and twice as many at most.
const mostKept = 20_000

// ranks is how many ranks there are; see Rank.
const ranks = 64

// scatter is what was found of one quantity without zones, nest by nest.
type scatter struct {
	nests map[string]*found
}

type found struct {
	v, u []float32
	rank []uint8
}

// drawn is what some attempts add to the scatter.
type drawn struct {
	ranked [ranks]int
	coarse bool
	nests  []string
	list   [][]drawnValue // by place of the limit
}

type drawnValue struct {
	v, u float32
	nest uint16 // place in nests
	rank uint8
}

// draw takes the numbers of those attempts whose rank is high enough.
func (t *Trial) draw(h *held, b Rows, picked []bool) (drawn, error) {
	d := drawn{list: make([][]drawnValue, len(t.columns))}
	least := int(t.rank.Load())
	samples := h.o
	if t.refining.Load() {
		samples = nil
	}
	if samples != nil && least < sampleRank {
		least, d.coarse = sampleRank, true
	}
	type one struct {
		i    int
		nest uint16
		rank uint8
	}
	var list []one
	nests := map[string]uint16{}
	for i := range h.codes {
		if picked != nil && !picked[i] {
			continue
		}
		var rank int
		if h.o != nil {
			rank = Rank(h.o.sequence(i))
		} else {
			rank = Rank(h.sequence[i])
		}
		d.ranked[rank]++
		g := &h.groups[h.codes[i]]
		if rank < least || g.keeps(h.verdicts[i]) {
			continue
		}
		nest, ok := nests[g.nest]
		if !ok {
			nest = uint16(len(d.nests))
			nests[g.nest] = nest
			d.nests = append(d.nests, g.nest)
		}
		list = append(list, one{i, nest, uint8(rank)})
	}
	if len(list) == 0 {
		return d, nil
	}
	if samples != nil {
		size, place := sampleSize(quantity.All()), 0
		offsets := sampleOffsets()
		for _, o := range list {
			for ; place < samples.sampled && int(binary.LittleEndian.Uint32(samples.samples[place*size:])) < o.i; place++ {
			}
			if place == samples.sampled {
				break
			}
			row := samples.samples[place*size:]
			if int(binary.LittleEndian.Uint32(row)) != o.i {
				continue
			}
			for k := range t.columns {
				c := &t.columns[k]
				if c.l.Zoned || c.at < 0 {
					continue
				}
				v := math.Float32frombits(binary.LittleEndian.Uint32(row[offsets[c.at]:]))
				if v == v {
					u := math.Float32frombits(binary.LittleEndian.Uint32(row[offsets[c.at]+4:]))
					d.list[k] = append(d.list[k], drawnValue{v, u, o.nest, o.rank})
				}
			}
		}
		return d, nil
	}
	for k := range t.columns {
		l := t.columns[k].l
		if l.Zoned {
			continue
		}
		var err error
		if h.high, err = b.Floats(string(l.Name), h.high); err != nil {
			return d, err
		}
		if h.low, err = b.Floats(string(l.Name)+"_u", h.low); err != nil {
			return d, err
		}
		for _, o := range list {
			if v := h.high[o.i]; !math.IsNaN(v) {
				d.list[k] = append(d.list[k], drawnValue{float32(v), float32(h.low[o.i]), o.nest, o.rank})
			}
		}
	}
	return d, nil
}

// sampleOffsets is where the value of each quantity stands in a sample of an outline.
func sampleOffsets() []int {
	var list []int
	at := 4
	for _, d := range quantity.All() {
		list = append(list, at)
		if !d.Zoned {
			at += 8
		}
	}
	return list
}

// keep takes what was drawn, and keeps fewer where there are too many.
func (t *Trial) keep(d *drawn) {
	rank, many := int(t.rank.Load()), 0
	t.coarse = t.coarse || d.coarse
	for i, n := range d.ranked {
		t.ranked[i] += n
	}
	for k, list := range d.list {
		nests := make([]*found, len(d.nests))
		for i := range list {
			o := &list[i]
			if int(o.rank) < rank {
				continue
			}
			f := nests[o.nest]
			if f == nil {
				f = t.kept[k].nest(d.nests[o.nest])
				nests[o.nest] = f
			}
			f.v, f.u, f.rank = append(f.v, o.v), append(f.u, o.u), append(f.rank, o.rank)
		}
	}
	for _, n := range t.ranked[rank:] {
		many += n
	}
	for many > 2*mostKept {
		many -= t.ranked[rank]
		rank++
	}
	if rank > int(t.rank.Load()) {
		t.rank.Store(int64(rank))
		for i := range t.kept {
			for _, f := range t.kept[i].nests {
				f.thin(uint8(rank))
			}
		}
	}
}

func (s *scatter) nest(name string) *found {
	if s.nests == nil {
		s.nests = map[string]*found{}
	}
	f := s.nests[name]
	if f == nil {
		f = &found{}
		s.nests[name] = f
	}
	return f
}

// thin keeps what has some rank or a higher one.
func (f *found) thin(rank uint8) {
	n := 0
	for i, r := range f.rank {
		if r >= rank {
			f.v[n], f.u[n], f.rank[n] = f.v[i], f.u[i], r
			n++
		}
	}
	f.v, f.u, f.rank = f.v[:n], f.u[:n], f.rank[:n]
}

// effect works a quantity without zones out in one nest.
func (f *found) effect(l *limits.Limit, common, k float64) effect {
	low, high := sides(l)
	mean, variance := moments(f.v)
	own := 0.0
	for _, u := range f.u {
		if u == u {
			own += float64(u) * float64(u) * (1 - common)
		}
	}
	own /= float64(max(len(f.u), 1))
	shrink, resolved := 0.0, variance > own
	if resolved {
		shrink = math.Sqrt((variance - own) / variance)
	}
	resolved = resolved || variance == 0 && own == 0
	run := func(shrink float64) (s sums) {
		for i := range f.v {
			x, u := mean+shrink*(float64(f.v[i])-mean), float64(f.u[i])
			if u != u {
				u = 0
			}
			good := inside(x, u*math.Sqrt(common), low, high)
			accepted := inside(x, u*math.Sqrt(1-common), low+k*u, high-k*u)
			s.unit(good, accepted, good*accepted)
		}
		return s
	}
	e := effect{is: run(shrink), resolved: resolved}
	e.is.widen(shrink)
	if e.widest = e.is; !resolved {
		e.widest = run(1)
	}
	return e
}

func moments(v []float32) (mean, variance float64) {
	if len(v) == 0 {
		return 0, 0
	}
	for _, x := range v {
		mean += float64(x)
	}
	mean /= float64(len(v))
	if len(v) < 2 {
		return mean, 0
	}
	for _, x := range v {
		d := float64(x) - mean
		variance += d * d
	}
	return mean, variance / float64(len(v)-1)
}
