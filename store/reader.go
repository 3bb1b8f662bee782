package store

import (
	"errors"
	"fmt"
	"path/filepath"
	"time"

	"github.com/klauspost/compress/zstd"
	"go.etcd.io/bbolt"

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
	// view runs a function on a database that has caught up; it may be called
	// twice, the second time on a database built anew.
	view func(func(*view) error) error
}

// view is a database for the time of one question.
type view struct {
	tx     *bbolt.Tx
	pos    position
	bodies bodies
}

// readBatch is how many records one transaction reads: long transactions make
// the file grow.
const readBatch = 128

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
		e, err = v.record(place{ref.Generation, ref.Sequence}, nil)
		// A log of one generation has every sequence up to its head.
		if errors.Is(err, ErrNotFound) && v.pos.Generation == 1 && ref.Generation == 1 && ref.Sequence > 0 && ref.Sequence <= v.pos.Sequence {
			return missing(ref.Sequence)
		}
		if err == nil && e.Ref.Hash != ref.Hash {
			return ErrNotFound
		}
		return err
	})
	return e, err
}

// BySerial returns all records about a serial number, in log order.
func (r *Reader) BySerial(serial string) ([]record.Entry, error) {
	return r.all(topicSerial.prefix(serial))
}

// ByUnitID returns all records about the unit that answers with this identity.
func (r *Reader) ByUnitID(id string) ([]record.Entry, error) {
	return r.all(topicUnitID.prefix(id))
}

// ByLot returns all records of a lot, in log order.
func (r *Reader) ByLot(lot string) ([]record.Entry, error) { return r.all(topicLot.prefix(lot)) }

// Between gives each record with from ≤ time < to, in the order of time, until
// each returns an error.
func (r *Reader) Between(from, to time.Time, each func(record.Entry) error) error {
	return r.pages(timePrefix(from), timePrefix(to), each)
}

// Since gives each record after ref in log order; the zero Ref gives all.
func (r *Reader) Since(ref record.Ref, each func(record.Entry) error) error {
	last := place{ref.Generation, ref.Sequence}
	previous := ref.Hash
	for {
		var list []record.Entry
		head := previous
		err := r.view(func(v *view) error {
			list, previous = nil, head
			c := v.tx.Bucket([]byte(bucketRecords)).Cursor()
			for k, _ := c.Seek(place{last.generation, last.sequence + 1}.append(nil)); k != nil && len(list) < readBatch; k, _ = c.Next() {
				if len(k) != placeSize {
					return broken("a record without a place")
				}
				e, err := v.record(placeOf(k), nil)
				if err != nil {
					return err
				}
				if e.Previous != previous {
					return &DamageError{File: databaseName, Offset: -1, What: fmt.Sprintf("record %d does not follow from the one before", e.Ref.Sequence)}
				}
				list, previous = append(list, e), e.Ref.Hash
			}
			if len(list) == 0 && previous != v.pos.Hash {
				return &DamageError{File: databaseName, Offset: -1, What: fmt.Sprintf("records after %d are missing", last.sequence)}
			}
			return nil
		})
		if err != nil || len(list) == 0 {
			return err
		}
		for _, e := range list {
			last = place{e.Ref.Generation, e.Ref.Sequence}
			if err := each(e); err != nil {
				return err
			}
		}
	}
}

// all returns the records filed under prefix.
func (r *Reader) all(prefix []byte) ([]record.Entry, error) {
	var list []record.Entry
	err := r.pages(prefix, after(prefix), func(e record.Entry) error {
		list = append(list, e)
		return nil
	})
	return list, err
}

// pages gives the records filed from key lo up to hi, some in each transaction.
func (r *Reader) pages(lo, hi []byte, each func(record.Entry) error) error {
	for {
		var list []record.Entry
		var last []byte
		err := r.view(func(v *view) error {
			list = nil
			hits, key, err := between(v.tx.Bucket([]byte(bucketIndex)), lo, hi, readBatch)
			if err != nil {
				return err
			}
			for _, h := range hits {
				e, err := v.record(h.place, &h.hash)
				if errors.Is(err, ErrNotFound) {
					err = missing(h.sequence)
				}
				if err != nil {
					return err
				}
				list = append(list, e)
			}
			last = key
			return nil
		})
		if err != nil || len(list) == 0 {
			return err
		}
		for _, e := range list {
			if err := each(e); err != nil {
				return err
			}
		}
		if len(list) < readBatch {
			return nil
		}
		lo = append(last, 0) // the next possible key
	}
}

func missing(sequence uint64) error {
	return &DamageError{File: databaseName, Offset: -1, What: fmt.Sprintf("record %d is missing", sequence)}
}

// Capture returns a raw capture, proven to be the one that was recorded.
func (r *Reader) Capture(ref record.CaptureRef) (*record.Capture, error) {
	c, err := readCapture(r.disk, r.dir, ref)
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
