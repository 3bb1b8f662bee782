package store

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"hash/fnv"
	"io"
	"os"
)

// A bbolt file has no check over its pages: damage shows as a panic, an
// endless descent or a wrong answer. pageFile reads the file by itself, with
// bounded steps, and proves that every page is where it says, in order, and
// used exactly once (bbolt file format, version 2). What it proves, bbolt
// reads alike.
type pageFile struct {
	r    io.ReaderAt
	size int64 // byte
	high uint64
	used []uint64 // one bit a page
	// visit, if not nil, is given every key of every bucket in order.
	visit func(bucket string, key []byte, value func() ([]byte, error)) error
	last  []byte // key before, in the bucket being walked
}

const (
	pageSize     = 4096
	pageHead     = 16
	elementSize  = 16
	maxDepth     = 24
	maxOverflow  = 4096 // 16 MiB, beyond the largest record
	flagBranch   = 0x01
	flagLeaf     = 0x02
	flagMeta     = 0x04
	flagFree     = 0x10
	boltMagic    = 0xED0CDAED
	boltVersion  = 2
	metaSize     = 64
	bucketHeader = 16
)

var little = binary.LittleEndian

// provePages proves the structure of the database file at path.
func provePages(path string) error {
	f, err := os.Open(path)
	if err != nil {
		return err
	}
	defer f.Close()
	i, err := f.Stat()
	if err != nil {
		return err
	}
	return walkPages(f, i.Size(), nil)
}

// walkPages proves the structure of a database and visits its keys.
func walkPages(r io.ReaderAt, size int64, visit func(bucket string, key []byte, value func() ([]byte, error)) error) error {
	p := &pageFile{r: r, size: size, visit: visit}
	m, err := p.meta()
	if err != nil {
		return err
	}
	p.high = m.high
	if p.high < 2 || p.high > uint64(size)/pageSize {
		return p.bad(0, "the file ends before its last page")
	}
	p.used = make([]uint64, p.high/64+1)
	if err := errors.Join(p.use(0, 0), p.use(1, 0)); err != nil {
		return err
	}
	if _, err := p.page(m.root, "", 0); err != nil {
		return err
	}
	return p.freelist(m.freelist)
}

func (p *pageFile) bad(id uint64, what string) error {
	return &DamageError{File: databaseName, Offset: int64(id) * pageSize, What: what}
}

type metaPage struct{ root, freelist, high, tx uint64 }

// meta returns the newer of the two meta pages that is whole, as bbolt does.
func (p *pageFile) meta() (metaPage, error) {
	if p.size < 2*pageSize {
		return metaPage{}, p.bad(0, "the file is too short")
	}
	var best metaPage
	found := false
	for id := range uint64(2) {
		b, err := p.read(id*pageSize, pageHead+metaSize)
		if err != nil {
			return metaPage{}, err
		}
		m := b[pageHead:]
		sum := fnv.New64a()
		sum.Write(m[:metaSize-8])
		whole := little.Uint32(m) == boltMagic && little.Uint32(m[4:]) == boltVersion &&
			little.Uint32(m[8:]) == pageSize && little.Uint64(m[metaSize-8:]) == sum.Sum64()
		v := metaPage{root: little.Uint64(m[16:]), freelist: little.Uint64(m[32:]), high: little.Uint64(m[40:]), tx: little.Uint64(m[48:])}
		if whole && (!found || v.tx > best.tx) {
			best, found = v, true
		}
	}
	if !found {
		return best, p.bad(0, "neither meta page is whole")
	}
	return best, nil
}

// use marks a page and those it runs over into as used.
func (p *pageFile) use(id, overflow uint64) error {
	if overflow > maxOverflow {
		return p.bad(id, "a page of impossible length")
	}
	for i := id; i <= id+overflow; i++ {
		if i >= p.high {
			return p.bad(id, "a page beyond the end")
		}
		if p.used[i/64]&(1<<(i%64)) != 0 {
			return p.bad(id, "a page that is used twice")
		}
		p.used[i/64] |= 1 << (i % 64)
	}
	return nil
}

func (p *pageFile) read(offset uint64, n int) ([]byte, error) {
	b := make([]byte, n)
	if _, err := p.r.ReadAt(b, int64(offset)); err != nil && !errors.Is(err, io.EOF) {
		return nil, err
	} else if err != nil {
		return nil, p.bad(offset/pageSize, "the file ends inside a page")
	}
	return b, nil
}

// span is the bytes of one page, inline page or run of pages.
type span struct {
	p      *pageFile
	id     uint64
	offset uint64
	size   uint64
	head   []byte // the first bytes, at hand
}

func (s span) bytes(at, n uint64) ([]byte, error) {
	if at > s.size || n > s.size-at {
		return nil, s.p.bad(s.id, "an element outside its page")
	}
	if at+n <= uint64(len(s.head)) {
		return s.head[at : at+n], nil
	}
	return s.p.read(s.offset+at, int(n))
}

// page proves the tree under page id and returns its first key, nil if it is
// empty. bucket is "" for the root of the file.
func (p *pageFile) page(id uint64, bucket string, depth int) ([]byte, error) {
	if id < 2 || id >= p.high {
		return nil, p.bad(0, fmt.Sprintf("a reference to page %d", id))
	}
	head, err := p.read(id*pageSize, pageSize)
	if err != nil {
		return nil, err
	}
	overflow := uint64(little.Uint32(head[12:]))
	if little.Uint64(head) != id {
		return nil, p.bad(id, "a page that says it is another")
	}
	if err := p.use(id, overflow); err != nil {
		return nil, err
	}
	s := span{p, id, id * pageSize, (overflow + 1) * pageSize, head}
	switch little.Uint16(head[8:]) {
	case flagLeaf:
		return p.leaf(s, bucket)
	case flagBranch:
		return p.branch(s, bucket, depth)
	}
	return nil, p.bad(id, "neither branch nor leaf")
}

func (p *pageFile) branch(s span, bucket string, depth int) ([]byte, error) {
	count := uint64(little.Uint16(s.head[10:]))
	if count == 0 || depth == maxDepth {
		return nil, p.bad(s.id, "a branch without end")
	}
	var first []byte
	for i := range count {
		at := pageHead + i*elementSize
		e, err := s.bytes(at, elementSize)
		if err != nil {
			return nil, err
		}
		key, err := s.bytes(at+uint64(little.Uint32(e)), uint64(little.Uint32(e[4:])))
		if err != nil {
			return nil, err
		}
		child := little.Uint64(e[8:])
		key = bytes.Clone(key)
		least, err := p.page(child, bucket, depth+1)
		if err != nil {
			return nil, err
		}
		if !bytes.Equal(least, key) {
			return nil, p.bad(s.id, "a branch that leads to another key")
		}
		if i == 0 {
			first = key
		}
	}
	return first, nil
}

// leaf proves a leaf: its keys ascend, over the whole bucket.
func (p *pageFile) leaf(s span, bucket string) ([]byte, error) {
	count := uint64(little.Uint16(s.head[10:]))
	var first []byte
	for i := range count {
		at := pageHead + i*elementSize
		e, err := s.bytes(at, elementSize)
		if err != nil {
			return nil, err
		}
		flags, keySize, valueSize := little.Uint32(e), uint64(little.Uint32(e[8:])), uint64(little.Uint32(e[12:]))
		at += uint64(little.Uint32(e[4:]))
		k, err := s.bytes(at, keySize)
		if err != nil {
			return nil, err
		}
		key := bytes.Clone(k)
		if p.last != nil && bytes.Compare(p.last, key) >= 0 {
			return nil, p.bad(s.id, "keys out of order")
		}
		p.last = key
		if i == 0 {
			first = key
		}
		value := func() ([]byte, error) { return s.bytes(at+keySize, valueSize) }
		if at+keySize+valueSize > s.size {
			return nil, p.bad(s.id, "a value outside its page")
		}
		switch {
		case bucket == "" && flags == 1:
			if err := p.bucket(s, string(key), value); err != nil {
				return nil, err
			}
			p.last = key
		case bucket == "" || flags != 0:
			return nil, p.bad(s.id, "a bucket where a value should be, or the reverse")
		case p.visit != nil:
			if err := p.visit(bucket, key, value); err != nil {
				return nil, err
			}
		}
	}
	return first, nil
}

// bucket proves one bucket of the root: a tree of its own, or a leaf inside
// the value.
func (p *pageFile) bucket(s span, name string, value func() ([]byte, error)) error {
	v, err := value()
	if err != nil {
		return err
	}
	if name == "" || len(v) < bucketHeader {
		return p.bad(s.id, "a bucket without a header")
	}
	p.last = nil
	if root := little.Uint64(v); root != 0 {
		_, err := p.page(root, name, 0)
		return err
	}
	inline := v[bucketHeader:]
	if len(inline) < pageHead || little.Uint16(inline[8:]) != flagLeaf || little.Uint64(inline) != 0 {
		return p.bad(s.id, "a bucket without pages")
	}
	_, err = p.leaf(span{p, s.id, 0, uint64(len(inline)), inline}, name)
	return err
}

// freelist proves that every page that nothing uses is listed as free, once:
// a wrong list would let the next write go over a page in use.
func (p *pageFile) freelist(id uint64) error {
	if id < 2 || id >= p.high {
		return p.bad(0, "a free list beyond the end")
	}
	head, err := p.read(id*pageSize, pageSize)
	if err != nil {
		return err
	}
	overflow := uint64(little.Uint32(head[12:]))
	if little.Uint64(head) != id || little.Uint16(head[8:]) != flagFree {
		return p.bad(id, "not the free list")
	}
	if err := p.use(id, overflow); err != nil {
		return err
	}
	s := span{p, id, id * pageSize, (overflow + 1) * pageSize, head}
	count, at := uint64(little.Uint16(head[10:])), uint64(pageHead)
	if count == 0xffff {
		b, err := s.bytes(at, 8)
		if err != nil {
			return err
		}
		count, at = little.Uint64(b), at+8
	}
	if count > s.size/8 {
		return p.bad(id, "a free list longer than its page")
	}
	last := uint64(0)
	for i := range count {
		b, err := s.bytes(at+8*i, 8)
		if err != nil {
			return err
		}
		free := little.Uint64(b)
		if free <= last {
			return p.bad(id, "a free list out of order")
		}
		last = free
		if err := p.use(free, 0); err != nil {
			return err
		}
	}
	for i := range p.high {
		if p.used[i/64]&(1<<(i%64)) == 0 {
			return p.bad(i, "a page that is neither used nor free")
		}
	}
	return nil
}
