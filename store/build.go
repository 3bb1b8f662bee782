package store

import (
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"sync"
	"time"

	"github.com/klauspost/compress/zstd"

	"example.org/panecal/store/proof"
	"example.org/panecal/store/record"
)

// Builder takes the records of an invented history; see Build. One goroutine
// uses it.
type Builder struct {
	journal  journal
	captures writer
	pack     *zstd.Encoder
	first    header

	// What follows the caller, in order: packing and writing, then what is
	// derived.
	encoded chan encoded
	written chan built
	done    sync.WaitGroup
	mu      sync.Mutex
	failed  error // the first that went wrong behind the caller

	// The last one's:
	index   *index
	columns columns
	rows    []Row
	changes []change
	digests digests
	// Checkpoints that are kept, and the tree that they are made of; the caller's.
	tree        proof.Tree
	checkpoints []builtCheckpoint
	// sealed gives the digests of what was derived of one segment after the other;
	// it is closed when there will be no more.
	sealed    chan map[string]record.Hash
	closeOnce sync.Once
}

// builtCheckpoint is a checkpoint that is not signed yet.
type builtCheckpoint struct {
	tree       proof.Tree
	generation uint32
	head       record.Hash
	time       time.Time
}

// encoded is a record and its bytes.
type encoded struct {
	entry record.Entry
	data  []byte
}

// built is a record and where it was written.
type built struct {
	encoded
	at location
}

// Build makes a store in dir, which must not exist or be empty, of what fill
// appends: whole or not at all, and the same bytes for the same records, times
// and o.Random. Its records and segments say that they are simulated, and it is
// read like any other; no station writes to it. Nothing is synced before the
// end, which makes it quick: it is not for what was measured.
func Build(dir string, o Options, fill func(*Builder) error) error {
	o = o.withDefaults()
	d := o.disk
	var b *Builder
	err := makeFolder(dir, d, func(tmp string) (err error) {
		o := o
		o.disk = unsynced{d}
		if b, err = build(tmp, o, fill); err != nil {
			return err
		}
		return syncAll(d, tmp)
	})
	if err == nil && len(b.checkpoints) > 0 {
		if err = b.keepCheckpoints(filepath.Dir(filepath.Clean(dir)), o.Random); err != nil {
			err = errors.Join(err, os.RemoveAll(dir))
		}
	}
	if err != nil {
		return fmt.Errorf("building the store %s: %w", dir, err)
	}
	return nil
}

// proveEach: one record in so many is read back before it is written, as every
// one of a station is; all of them when the log is checked. Prime, so that every
// kind has its turn.
const proveEach = 101

// buffered is how many records may wait for the next hand.
const buffered = 64

func build(dir string, o Options, fill func(*Builder) error) (*Builder, error) {
	if err := fillFolder(dir, o, true); err != nil {
		return nil, err
	}
	first, err := openSegment(o.disk, dir, journalKind, 1)
	if err != nil {
		return nil, err
	}
	h, start := first.header, first.start
	if err := first.Close(); err != nil {
		return nil, err
	}
	b := &Builder{first: h, encoded: make(chan encoded, buffered), written: make(chan built, buffered),
		sealed: make(chan map[string]record.Hash, buffered)}
	b.index = &index{disk: o.disk, segments: dir, dir: dir, made: b.digests.add}
	b.columns = columns{disk: o.disk, dir: dir, own: dir, made: b.digests.add}
	if err := b.index.begin(); err != nil {
		return nil, err
	}
	base := writer{disk: o.disk, dir: dir, size: o.segment, panicked: o.Panicked,
		header: header{Store: h.Store, Station: h.Station, Generation: h.Generation, Simulated: true}}
	b.journal = journal{writer: base, station: h.Station, generation: h.Generation}
	b.journal.kind = journalKind
	b.captures = base
	b.captures.kind = captureKind
	// The first segment is there: the writer goes on in it.
	if b.journal.f, err = o.disk.Update(filepath.Join(dir, journalKind.name(1))); err != nil {
		return nil, err
	}
	b.journal.number, b.journal.end = 1, start
	if b.pack, err = zstd.NewWriter(nil, zstd.WithEncoderConcurrency(1), zstd.WithWindowSize(1<<18), zstd.WithLowerEncoderMem(true)); err != nil {
		return nil, err
	}
	w := &writer{} // of its own: the journal's belongs to one hand only
	*w = b.journal.writer
	w.derived = func() map[string]record.Hash {
		// What is named does not depend on who was quicker: a segment names what was
		// derived of the one before the last.
		if w.number < 2 {
			return nil
		}
		return <-b.sealed
	}
	b.done.Add(2)
	go b.write(w)
	go b.derive()
	err = guarded(func() error { return fill(b) })
	close(b.encoded)
	b.done.Wait()
	p := b.index.pos
	if err = errors.Join(err, b.err(), w.give(), b.captures.give(), b.pack.Close(), b.index.close()); err != nil {
		return nil, err
	}
	m := mark{Schema: markSchema, Store: h.Store, Station: h.Station, Generation: h.Generation, Sequence: p.Sequence, Hash: p.Hash,
		Journal: p.Segment, JournalEnd: p.Offset, CaptureSegment: b.captures.number, CaptureEnd: b.captures.end}
	return b, writeMark(o.disk, dir, m)
}

func (b *Builder) fail(err error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.failed == nil {
		b.failed = err
	}
}

func (b *Builder) err() error {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.failed
}

// Append makes body the next record, of the time at, and returns its name. The
// body is the builder's from now on.
func (b *Builder) Append(at time.Time, body record.Body) (record.Ref, error) {
	if err := b.err(); err != nil {
		return record.Ref{}, err
	}
	j := &b.journal
	body = j.intents.short(body)
	e := record.Entry{Ref: record.Ref{Station: j.station, Generation: j.generation, Sequence: j.sequence + 1},
		Time: at.UTC(), Previous: j.hash, Body: body, Simulated: true}
	encode := record.EncodeUnproven
	if e.Ref.Sequence%proveEach == 1 {
		encode = record.Encode
	}
	data, ref, err := encode(e)
	if err != nil {
		return record.Ref{}, err
	}
	j.sequence, j.hash = ref.Sequence, ref.Hash
	b.tree.Add(ref.Hash)
	j.intents.took(ref, body)
	e.Ref = ref
	b.encoded <- encoded{e, data}
	return ref, nil
}

// AppendCapture keeps a raw capture of the time at, and returns what names it
// in a record.
func (b *Builder) AppendCapture(at time.Time, c record.Capture) (record.CaptureRef, error) {
	data, err := c.Encode()
	if err != nil {
		return record.CaptureRef{}, err
	}
	b.captures.now = func() time.Time { return at }
	ref := record.CaptureRef{Name: c.Name, Hash: record.HashOf(data)}
	ref.Segment, ref.Offset, ref.Length, _, err = b.captures.append(b.pack.EncodeAll(data, nil), b.journal.sequence, b.journal.hash)
	return ref, err
}

// Shown says that a verdict was shown at a time, after which a station writes a
// checkpoint. Those that it would have kept are made when the log is whole,
// beside the store, and with them the key that o.Random gives.
func (b *Builder) Shown(at time.Time) {
	b.checkpoints = append(b.checkpoints, builtCheckpoint{b.tree.Clone(), b.journal.generation, b.journal.hash, at})
	if len(b.checkpoints)%newestKept == 0 {
		b.thin()
	}
}

func (b *Builder) thin() {
	var sequences []uint64
	for _, c := range b.checkpoints {
		sequences = append(sequences, uint64(c.tree.Size))
	}
	away := thin(sequences)
	b.checkpoints = slices.DeleteFunc(b.checkpoints, func(c builtCheckpoint) bool { return slices.Contains(away, uint64(c.tree.Size)) })
}

func (b *Builder) keepCheckpoints(beside string, random io.Reader) error {
	origin := proof.Origin(b.first.Station, b.first.Store)
	secret, _, err := makeKey(beside, origin, random)
	if err != nil {
		return err
	}
	folder := filepath.Join(beside, CheckpointFolder)
	if err := os.MkdirAll(folder, dirMode); err != nil {
		return err
	}
	b.thin()
	for _, c := range b.checkpoints {
		text, err := proof.Checkpoint{Origin: origin, Size: c.tree.Size, Root: c.tree.Root(), Generation: c.generation, Head: c.head, Time: c.time}.Sign(secret)
		if err == nil {
			err = writeNew(filepath.Join(folder, noteName(uint64(c.tree.Size))), text, fileMode)
		}
		if err != nil {
			return err
		}
	}
	return osDisk{}.SyncDir(folder)
}

// write packs and writes what was encoded.
func (b *Builder) write(w *writer) {
	defer b.done.Done()
	defer close(b.written)
	var at record.Ref // written last
	for r := range b.encoded {
		if b.err() != nil {
			continue // the caller is told at its next record
		}
		err := guarded(func() error {
			w.now = func() time.Time { return r.entry.Time }
			number, offset, length, _, err := w.append(pack(r.data), at.Sequence, at.Hash)
			if err != nil {
				return err
			}
			b.written <- built{r, location{number, offset, length}}
			at = r.entry.Ref
			return nil
		})
		if err != nil {
			b.fail(err)
		}
	}
}

// derive makes index and columns of each segment that is full.
func (b *Builder) derive() {
	defer b.done.Done()
	end := func() { b.closeOnce.Do(func() { close(b.sealed) }) }
	defer end()
	for r := range b.written {
		if b.err() != nil {
			end() // nobody waits for what will not come
			continue
		}
		if err := guarded(func() error { return b.take(r) }); err != nil {
			b.fail(err)
		}
	}
	if b.err() == nil {
		if err := guarded(b.index.keep); err != nil {
			b.fail(err)
		}
	}
}

func (b *Builder) take(r built) error {
	ix := b.index
	at := ix.pos
	if r.at.segment != at.Segment {
		_, data, err := blockOf(stands{Store: at.Store, Segment: at.Segment, End: at.Offset, Sequence: at.Sequence, Hash: at.Hash}, b.rows, b.changes)
		if err != nil {
			return err
		}
		if err := b.columns.keep(at.Segment, data); err != nil {
			return err
		}
		b.rows, b.changes = b.rows[:0], b.changes[:0]
		before := at
		at.Segment, at.Offset, at.Last = r.at.segment, r.at.offset, 0
		if err := ix.seal(before, at); err != nil {
			return err
		}
		b.sealed <- b.digests.take()
	}
	e := r.entry
	switch body := e.Body.(type) {
	case *record.Attempt:
		row, err := rowOf(e, body)
		if err != nil {
			return err
		}
		b.rows = append(b.rows, row)
	case *record.DispositionChange:
		b.changes = append(b.changes, changeOf(e, body))
	}
	s, err := record.Skim(r.data)
	if err != nil {
		return err
	}
	at.Last, at.Offset, at.Sequence, at.Hash, at.Newest = r.at.offset, r.at.offset+r.at.length, s.Ref.Sequence, s.Ref.Hash, max(at.Newest, s.Version)
	ix.recent.add(&s, at)
	ix.pos = at
	return nil
}

// unsynced is a disk that makes nothing durable.
type unsynced struct{ disk }

type unsyncedFile struct{ file }

func (unsyncedFile) Sync() error { return nil }

func (u unsynced) Create(path string) (file, error) { return loose(u.disk.Create(path)) }
func (u unsynced) Update(path string) (file, error) { return loose(u.disk.Update(path)) }
func (unsynced) SyncDir(string) error               { return nil }
func (unsynced) Linked(string, file) error          { return nil }

func loose(f file, err error) (file, error) {
	if err != nil {
		return nil, err
	}
	return unsyncedFile{f}, nil
}

// syncAll makes durable what stands in a folder.
func syncAll(d disk, dir string) error {
	names, err := d.List(dir)
	if err != nil {
		return err
	}
	for _, name := range names {
		f, err := d.Update(filepath.Join(dir, name))
		if err != nil {
			return err
		}
		if err := errors.Join(f.Sync(), f.Close()); err != nil {
			return err
		}
	}
	return d.SyncDir(dir)
}

// isSimulated says whether the store in dir was built.
func isSimulated(d disk, dir string) (bool, error) {
	s, err := openSegment(d, dir, journalKind, 1)
	if err != nil {
		return false, err
	}
	return s.header.Simulated, s.Close()
}
