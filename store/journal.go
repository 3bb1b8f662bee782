package store

import (
	"bytes"
	"cmp"
	"errors"
	"fmt"
	"path/filepath"
	"time"

	"example.org/panecal/store/record"
)

// writer appends frames to the segments of one kind. A frame is acknowledged
// when it is synced; after any failure the segment is left as it is and the
// next frame goes to a new one, whose header says where the old one ends. One
// goroutine uses it.
type writer struct {
	disk   disk
	dir    string
	kind   segmentKind
	header header // of the next segment, but for what is filled in when it is made
	now    func() time.Time
	// panicked, if not nil, is told of a panic of the program's own.
	panicked func(what any, stack []byte)
	// derived, if not nil, gives the digests that the next segment is to name.
	derived func() map[string]record.Hash

	size int64 // at which a segment is followed by another, 0 for maxSegment

	f      file   // nil: the next frame begins a new segment
	number uint32 // of the last segment there is, 0 for none
	end    int64  // where its acknowledged frames end
	// stopped is why nothing is written any more: somebody else deletes or
	// replaces the files, or the program failed in the middle.
	stopped error
}

// append writes content as one frame and syncs it. seq and hash are the log's
// head, for the header if a segment begins. It returns where the frame is.
// tried says that the frame may be on the disk in spite of an error.
func (w *writer) append(content []byte, seq uint64, hash record.Hash) (number uint32, offset, length int64, tried bool, err error) {
	if w.stopped != nil {
		return 0, 0, 0, false, w.stopped
	}
	if w.f != nil && w.end >= cmp.Or(w.size, maxSegment) {
		if err := w.give(); err != nil {
			return 0, 0, 0, false, err
		}
	}
	if w.f == nil {
		if err := w.begin(seq, hash); err != nil {
			return 0, 0, 0, false, fmt.Errorf("beginning a segment: %w", err)
		}
	}
	frame := appendFrame(make([]byte, 0, frameHead+len(content)), content)
	path := filepath.Join(w.dir, w.kind.name(w.number))
	_, err = w.f.WriteAt(frame, w.end)
	if err == nil {
		err = w.f.Sync()
	}
	if err == nil {
		err = w.disk.Linked(path, w.f)
	}
	if errors.Is(err, errReplaced) {
		w.stopped = &DamageError{File: filepath.Base(path), Offset: -1, What: errReplaced.Error()}
		return 0, 0, 0, true, errors.Join(w.stopped, w.give())
	}
	if err != nil {
		// After a failed sync the system may have dropped what it did not
		// write: this file is never synced again.
		return 0, 0, 0, true, errors.Join(fmt.Errorf("writing %s: %w", filepath.Base(path), err), w.give())
	}
	offset = w.end
	w.end += int64(len(frame))
	return w.number, offset, int64(len(frame)), false, nil
}

// whole runs fn, which uses w. After a panic nobody knows what w has done, and
// nothing is written with it any more: the next start finds out.
func (w *writer) whole(fn func() error) func() error {
	return func() error {
		err := guarded(fn)
		if p := (panicError{}); errors.As(err, &p) {
			if w.panicked != nil {
				w.panicked(p.what, p.stack)
			}
			w.stopped = fmt.Errorf("%w, until the next start: internal error: %v", ErrUnknown, p.what)
			return w.stopped
		}
		return err
	}
}

func (w *writer) begin(seq uint64, hash record.Hash) error {
	h := w.header
	h.Kind, h.Number, h.Sequence, h.Hash = w.kind, w.number+1, seq, hash
	h.PrevEnd, h.Created = w.end, w.now().UTC()
	if w.derived != nil {
		h.Derived = w.derived()
	}
	f, end, made, err := createSegment(w.disk, w.dir, h)
	if made {
		w.number, w.end = h.Number, end
	}
	if err != nil {
		return err
	}
	w.f = f
	return nil
}

// give closes the segment; the next frame begins another.
func (w *writer) give() error {
	if w.f == nil {
		return nil
	}
	err := w.f.Close()
	w.f = nil
	return err
}

// journal is the writer of records: it numbers and chains them.
type journal struct {
	writer
	station    string
	generation uint32
	sequence   uint64      // last acknowledged, 0 for none
	hash       record.Hash // of that record
	pending    *pending
	intents    intents
}

// pending is a record whose writing failed with an unknown outcome.
type pending struct {
	entry record.Entry
	data  []byte
	ref   record.Ref
}

// append makes body the next record. A record that is pending is settled
// first, by writing it again with the same bytes to a new segment, so that in
// whichever copy it is found it is the same record.
func (j *journal) append(body record.Body) (record.Ref, error) {
	body = j.intents.short(body)
	if p := j.pending; p != nil {
		again := p.entry
		again.Body = body
		data, _, err := record.Encode(again)
		same := err == nil && bytes.Equal(data, p.data)
		if err := j.settle(); err != nil {
			return record.Ref{}, fmt.Errorf("settling record %d: %w", p.ref.Sequence, err)
		}
		if same {
			return p.ref, nil
		}
	}
	e := record.Entry{
		Ref:  record.Ref{Station: j.station, Generation: j.generation, Sequence: j.sequence + 1},
		Time: j.now().UTC(), Previous: j.hash, Body: body,
	}
	data, ref, err := record.Encode(e)
	if err != nil {
		return record.Ref{}, err
	}
	_, _, _, tried, err := j.writer.append(pack(data), j.sequence, j.hash)
	if err == nil {
		j.sequence, j.hash = ref.Sequence, ref.Hash
		j.intents.took(ref, body)
		return ref, nil
	}
	if !tried {
		return record.Ref{}, err
	}
	j.pending = &pending{entry: e, data: data, ref: ref}
	if again := j.settle(); again != nil {
		return record.Ref{}, fmt.Errorf("%w: %w; again: %w", ErrUnknown, err, again)
	}
	return ref, nil
}

// settle writes the pending record to a new segment.
func (j *journal) settle() error {
	p := j.pending
	if _, _, _, _, err := j.writer.append(pack(p.data), j.sequence, j.hash); err != nil {
		return err
	}
	j.sequence, j.hash, j.pending = p.ref.Sequence, p.ref.Hash, nil
	j.intents.took(p.ref, p.entry.Body)
	return nil
}
