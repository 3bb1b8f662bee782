package store

import (
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"sort"
	"time"

	"github.com/klauspost/compress/zstd"

	"example.org/panecal/store/record"
)

// Reader answers questions about a log. Every answer includes all records
// that were acknowledged before the question. An answer that cannot be proven
// complete and unchanged is an error that wraps ErrDamaged.
type Reader struct {
	disk disk
	dir  string // of the segments
	// columns are the files of columns; acknowledged, if not nil, says how far
	// this process has written.
	columns      columns
	acknowledged func() mark
	last         tail
	// view runs a function on an index that has caught up; it may be called again,
	// on an index without the file that turned out to be damaged.
	view func(func(*view) error) error
}

// readBatch is how many records are read in one go, before others are heard.
const readBatch = 128

// Position says of a record where it stands, without reading it; [Reader.Get]
// reads it.
type Position struct {
	Ref  record.Ref
	Time time.Time // UTC, to the microsecond
	Kind record.Kind
}

// Head returns the last record's name, the zero Ref for an empty log.
func (r *Reader) Head() (record.Ref, error) {
	var ref record.Ref
	err := r.view(func(v *view) error { ref = v.pos.ref(); return nil })
	return ref, err
}

// Get returns one record; ErrNotFound if the log has none of that name.
func (r *Reader) Get(ref record.Ref) (record.Entry, error) {
	var e record.Entry
	err := r.view(func(v *view) (err error) {
		if ref.Station != v.pos.Station {
			return ErrNotFound
		}
		known, err := v.entry(ref.Sequence)
		if err != nil {
			return err
		}
		if known.hash != ref.Hash {
			return ErrNotFound
		}
		e, err = v.record(place{ref.Generation, ref.Sequence}, &ref.Hash)
		return err
	})
	return e, err
}

// At returns the record of that generation and number; ErrNotFound if the log has
// none.
func (r *Reader) At(generation uint32, sequence uint64) (record.Entry, error) {
	var e record.Entry
	err := r.view(func(v *view) (err error) {
		e, err = v.record(place{generation, sequence}, nil)
		return err
	})
	return e, err
}

// BySerial returns all records about a serial number, in log order.
func (r *Reader) BySerial(serial string) ([]record.Entry, error) { return r.all(Serial, serial) }

// ByUnitID returns all records about the unit that answers with this identity.
func (r *Reader) ByUnitID(id string) ([]record.Entry, error) { return r.all(UnitID, id) }

// ByLot returns all records of a lot, of units or of one of their parts, in log
// order.
func (r *Reader) ByLot(lot string) ([]record.Entry, error) { return r.all(Lot, lot) }

// all returns the records filed under a topic as term.
func (r *Reader) all(t Topic, term string) ([]record.Entry, error) {
	var list []record.Entry
	err := r.Records(t, term, func(e record.Entry) error { list = append(list, e); return nil })
	return list, err
}

// Positions returns where the records stand that are filed under a topic as
// term, in log order. It reads the index only.
func (r *Reader) Positions(t Topic, term string) ([]Position, error) {
	var list []Position
	err := r.view(func(v *view) error {
		list = nil
		k := keyOf(t, term)
		for _, p := range v.parts() {
			numbers, err := p.find(k)
			if err != nil {
				return err
			}
			for _, n := range numbers {
				e, err := p.entry(int(n))
				if err != nil {
					return err
				}
				list = append(list, v.position(p, int(n), &e))
			}
		}
		return nil
	})
	return list, err
}

func (v *view) position(p part, n int, e *entry) Position {
	return Position{Ref: record.Ref{Station: v.pos.Station, Generation: e.generation, Sequence: p.about().Before + 1 + uint64(n), Hash: e.hash},
		Time: time.UnixMicro(e.time).UTC(), Kind: e.kind}
}

// Records gives each record that is filed under a topic as term, in log order,
// until each returns an error.
func (r *Reader) Records(t Topic, term string, each func(record.Entry) error) error {
	list, err := r.Positions(t, term)
	if err != nil {
		return err
	}
	return r.read(list, func(data []byte) (bool, error) {
		s, err := record.Skim(data) // two terms may share a key
		return slices.Contains(terms(&s, t), term), err
	}, each)
}

// read gives the records at some positions; wanted, if not nil, says which of
// them.
func (r *Reader) read(list []Position, wanted func([]byte) (bool, error), each func(record.Entry) error) error {
	for some := range slices.Chunk(list, readBatch) {
		var found []record.Entry
		err := r.view(func(v *view) error {
			found = nil
			for _, p := range some {
				data, at, err := v.bytes(place{p.Ref.Generation, p.Ref.Sequence}, &p.Ref.Hash)
				if err != nil {
					return err
				}
				ok := true
				if wanted != nil {
					ok, err = wanted(data)
				}
				var e record.Entry
				if ok && err == nil {
					e, err = record.Decode(data)
				}
				if err != nil {
					return &DamageError{File: journalKind.name(at.at.segment), Offset: at.at.offset, What: err.Error()}
				}
				if !ok {
					continue
				}
				if err := v.complete(&e); err != nil {
					return err
				}
				found = append(found, e)
			}
			return nil
		})
		if err != nil {
			return err
		}
		for _, e := range found {
			if err := each(e); err != nil {
				return err
			}
		}
	}
	return nil
}

// Runs gives the attempts of a purpose among the records at some positions, in that
// order, until each returns an error. Only they are decoded.
func (r *Reader) Runs(list []Position, p record.Purpose, each func(record.Entry) error) error {
	return r.read(list, func(data []byte) (bool, error) { return p.MayBeIn(data), nil }, func(e record.Entry) error {
		if a, ok := e.Body.(*record.Attempt); ok && a.Run.Purpose == p {
			return each(e)
		}
		return nil
	})
}

// Between gives each record with from ≤ time < to, in the order of time, until
// each returns an error. Times count in microseconds.
func (r *Reader) Between(from, to time.Time, each func(record.Entry) error) error {
	list, err := r.PositionsBetween(from, to)
	if err != nil {
		return err
	}
	return r.read(list, nil, each)
}

// PositionsBetween returns where the records stand with from ≤ time < to, in the
// order of time. It reads the index only.
func (r *Reader) PositionsBetween(from, to time.Time) ([]Position, error) {
	lo, hi := max(0, from.UnixMicro()), max(0, to.UnixMicro())
	var list []Position
	err := r.view(func(v *view) error {
		list = nil
		parts := v.parts()
		begin := make([]int, len(parts))
		for k, p := range parts {
			var err error
			if begin[k], err = since(p, lo); err != nil {
				return err
			}
		}
		err := inTime(parts, begin, func(p part, n int, e entry) error {
			if e.time >= hi {
				return io.EOF
			}
			list = append(list, v.position(p, n, &e))
			return nil
		})
		if errors.Is(err, io.EOF) {
			return nil
		}
		return err
	})
	return list, err
}

// since returns the place in the order of time of a part's first record at
// moment or later.
func since(p part, moment int64) (int, error) {
	var failed error
	i := sort.Search(p.about().records(), func(i int) bool {
		n, err := p.early(i)
		if err != nil {
			failed = err
			return true
		}
		e, err := p.entry(n)
		if err != nil {
			failed = err
		}
		return e.time >= moment
	})
	return i, failed
}

// Since gives each record after ref in log order; the zero Ref gives all.
func (r *Reader) Since(ref record.Ref, each func(record.Entry) error) error {
	last, previous := ref.Sequence, ref.Hash
	for {
		var list []record.Entry
		err := r.view(func(v *view) error {
			list = nil
			before := previous
			for sequence := last + 1; sequence <= v.pos.Sequence && len(list) < readBatch; sequence++ {
				known, err := v.entry(sequence)
				if err != nil {
					return err
				}
				e, err := v.record(place{known.generation, sequence}, &known.hash)
				if err != nil {
					return err
				}
				if e.Previous != before {
					return &DamageError{File: journalKind.name(known.at.segment), Offset: known.at.offset, What: fmt.Sprintf("record %d does not follow from the one before", sequence)}
				}
				list, before = append(list, e), e.Ref.Hash
			}
			return nil
		})
		if err != nil || len(list) == 0 {
			return err
		}
		for _, e := range list {
			last, previous = e.Ref.Sequence, e.Ref.Hash
			if err := each(e); err != nil {
				return err
			}
		}
	}
}

// Capture returns a raw capture, proven to be the one that was recorded.
func (r *Reader) Capture(ref record.CaptureRef) (*record.Capture, error) {
	c, err := readCapture(r.disk, r.dir, ref)
	if errors.Is(err, os.ErrNotExist) {
		if gone, lerr := r.removed(); lerr == nil && gone[ref.Segment] {
			err = ErrRemoved
		}
	}
	if err != nil {
		return nil, fmt.Errorf("reading capture %q: %w", ref.Name, err)
	}
	return c, nil
}

func readCapture(d disk, dir string, ref record.CaptureRef) (*record.Capture, error) {
	name := captureKind.name(ref.Segment)
	f, err := d.Open(filepath.Join(dir, name))
	if err != nil {
		return nil, err
	}
	defer f.Close()
	damaged := func(what string) error {
		return &DamageError{File: name, Offset: ref.Offset, What: what}
	}
	size, err := f.Size()
	if err != nil {
		return nil, err
	}
	if ref.Offset < 0 || ref.Offset > size {
		return nil, damaged("the file ends before the capture")
	}
	packed, next, err := readFrame(f, ref.Offset, size)
	if noFrame(err) {
		return nil, damaged(err.Error())
	}
	if err != nil {
		return nil, err
	}
	if next-ref.Offset != ref.Length {
		return nil, damaged("another capture stands there")
	}
	data, err := unpack(packed)
	if err != nil {
		return nil, damaged(err.Error())
	}
	if record.HashOf(data) != ref.Hash {
		return nil, damaged("not the capture that was recorded")
	}
	return record.DecodeCapture(data)
}

// unpack undoes the compression of a capture, in bounded memory.
func unpack(packed []byte) ([]byte, error) {
	z, err := zstd.NewReader(nil, zstd.WithDecoderConcurrency(1), zstd.WithDecoderMaxMemory(record.MaxCaptureSize))
	if err != nil {
		return nil, err
	}
	defer z.Close()
	return z.DecodeAll(packed, nil)
}
