package store

import (
	"encoding/binary"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"

	"example.org/panecal/store/record"
)

// errCrowded says that a bucket has more keys than its page holds.
var errCrowded = errors.New("too many keys for one page")

// keysPerBucket is how many keys a bucket has on average: far enough below what
// a page holds that hashes seldom crowd it.
const keysPerBucket = 100

// writeIndex writes the index of what the parts stand for, one following the
// other, in memory that is as small as a list is long.
func writeIndex(w io.WriterAt, s stretch, parts []part) error {
	keys := 0
	for _, p := range parts {
		keys += p.distinct()
	}
	for buckets := 1 + keys/keysPerBucket; ; buckets += 1 + buckets/4 {
		x := indexWriter{w: w, parts: parts, head: indexHead{Layout: indexLayout, Schema: record.Version, stretch: s, Buckets: buckets}}
		if err := x.write(); !errors.Is(err, errCrowded) {
			return err
		}
	}
}

type indexWriter struct {
	w     io.WriterAt
	parts []part
	head  indexHead
	lists []byte // not yet written
}

func (x *indexWriter) write() error {
	if err := errors.Join(x.records(), x.times(), x.keys()); err != nil {
		return err
	}
	text, err := json.Marshal(x.head)
	if err != nil {
		return err
	}
	first := appendFrame([]byte(indexMagic), text)
	if len(first) > pageSize {
		return fmt.Errorf("the head of an index has %d bytes", len(first))
	}
	_, err = x.w.WriteAt(append(first, make([]byte, pageSize-len(first))...), 0)
	return err
}

// base is the number of a part's first record.
func (x *indexWriter) base(p part) int { return int(p.about().Before - x.head.Before) }

// pages writes the items of a kind, one after the other.
type pages struct {
	x      *indexWriter
	kind   pageKind
	number int
	items  int
	b      []byte
}

func (x *indexWriter) pages(k pageKind) *pages {
	return &pages{x: x, kind: k, b: make([]byte, pageHead, pageSize)}
}

// full says whether the page takes no more.
func (p *pages) full() bool { return p.items == p.kind.perPage() }

// end writes the page and begins the next.
func (p *pages) end() error {
	b := append(p.b, make([]byte, pageSize-len(p.b))...)
	little.PutUint16(b[4:], uint16(p.items))
	little.PutUint32(b, pageCheck(p.x.head.seed(), p.kind, p.number, b))
	_, err := p.x.w.WriteAt(b, p.x.head.start(p.kind)+int64(p.number)*pageSize)
	p.number, p.items, p.b = p.number+1, 0, p.b[:pageHead]
	return err
}

func (x *indexWriter) records() error {
	out := x.pages(recordPages)
	for _, p := range x.parts {
		for n := range p.about().records() {
			e, err := p.entry(n)
			if err != nil {
				return err
			}
			if e.at.offset > math.MaxUint32 || e.at.length > math.MaxUint32 {
				return fmt.Errorf("segment %d is too large for an index", e.at.segment)
			}
			out.b = e.append(out.b)
			if out.items++; out.full() {
				if err := out.end(); err != nil {
					return err
				}
			}
		}
	}
	if out.items > 0 {
		return out.end()
	}
	return nil
}

// times merges the orders of the parts.
func (x *indexWriter) times() error {
	out := x.pages(timePages)
	err := inTime(x.parts, nil, func(p part, n int, _ entry) error {
		out.b = little.AppendUint32(out.b, uint32(x.base(p)+n))
		if out.items++; out.full() {
			return out.end()
		}
		return nil
	})
	if err == nil && out.items > 0 {
		err = out.end()
	}
	return err
}

// keys merges the keys of the parts.
func (x *indexWriter) keys() error {
	type source struct {
		next func() (key, []uint32, error)
		key  key
		list []uint32
		base uint32
	}
	var sources []*source
	step := func(s *source) (err error) {
		s.key, s.list, err = s.next()
		return err
	}
	for _, p := range x.parts {
		s := &source{next: p.keys(), base: uint32(x.base(p))}
		if err := step(s); err != nil {
			return err
		}
		sources = append(sources, s)
	}
	out := x.pages(keyPages)
	for {
		var least *source
		for _, s := range sources {
			if len(s.list) > 0 && (least == nil || s.key.compare(least.key) < 0) {
				least = s
			}
		}
		if least == nil {
			break
		}
		k := least.key
		var list []uint32
		for _, s := range sources {
			if len(s.list) == 0 || s.key != k {
				continue
			}
			for _, n := range s.list {
				list = append(list, s.base+n)
			}
			if err := step(s); err != nil {
				return err
			}
		}
		for out.number < x.head.bucket(k) {
			if err := out.end(); err != nil {
				return err
			}
		}
		if out.full() {
			return errCrowded
		}
		out.b = x.slot(append(out.b, k[:]...), list)
		out.items++
		x.head.Keys++
		if len(x.lists) > 1<<20 {
			if err := x.writeLists(); err != nil {
				return err
			}
		}
	}
	for out.number < x.head.Buckets {
		if err := out.end(); err != nil {
			return err
		}
	}
	return x.writeLists()
}

// slot appends what stands beside a key.
func (x *indexWriter) slot(b []byte, list []uint32) []byte {
	b = little.AppendUint32(b, uint32(len(list)))
	if len(list) <= fewest {
		for i := range fewest {
			n := uint32(0)
			if i < len(list) {
				n = list[i]
			}
			b = little.AppendUint32(b, n)
		}
		return b
	}
	var raw []byte
	before := uint32(0)
	for _, n := range list {
		raw = binary.AppendUvarint(raw, uint64(n-before))
		before = n
	}
	b = little.AppendUint32(b, uint32(x.head.Lists+int64(len(x.lists))))
	b = little.AppendUint32(little.AppendUint32(b, uint32(len(raw))), crc(raw))
	x.lists = append(x.lists, raw...)
	return b
}

func (x *indexWriter) writeLists() error {
	_, err := x.w.WriteAt(x.lists, x.head.listsAt()+x.head.Lists)
	x.head.Lists += int64(len(x.lists))
	x.lists = x.lists[:0]
	return err
}

// inTime gives the records of some parts in the order of time, those of one
// moment in log order. from, if not nil, says for each part where to begin.
func inTime(parts []part, from []int, each func(p part, n int, e entry) error) error {
	type head struct {
		part part
		i    int // of the order of time
		n    int
		e    entry
		done bool
	}
	read := func(h *head) (err error) {
		if h.done = h.i >= h.part.about().records(); h.done {
			return nil
		}
		if h.n, err = h.part.early(h.i); err == nil {
			h.e, err = h.part.entry(h.n)
		}
		return err
	}
	var heads []*head
	for k, p := range parts {
		h := &head{part: p}
		if from != nil {
			h.i = from[k]
		}
		if err := read(h); err != nil {
			return err
		}
		heads = append(heads, h)
	}
	for {
		var least *head
		for _, h := range heads {
			if !h.done && (least == nil || h.e.time < least.e.time) {
				least = h
			}
		}
		if least == nil {
			return nil
		}
		if err := each(least.part, least.n, least.e); err != nil {
			return err
		}
		least.i++
		if err := read(least); err != nil {
			return err
		}
	}
}

// growing is a file in memory.
type growing []byte

func (g *growing) WriteAt(b []byte, at int64) (int, error) {
	if end := int(at) + len(b); end > len(*g) {
		*g = append(*g, make([]byte, end-len(*g))...)
	}
	return copy((*g)[at:], b), nil
}

// mergeOf returns the stretch of parts that follow one another.
func mergeOf(parts []part) stretch {
	s := *parts[0].about()
	for _, p := range parts[1:] {
		o := p.about()
		newest := max(s.Newest, o.Newest)
		before, hash, from := s.Before, s.BeforeHash, s.From
		s = *o
		s.Before, s.BeforeHash, s.From, s.Newest = before, hash, from, newest
	}
	return s
}
