package store

import (
	"crypto/rand"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"sync"
	"time"

	"github.com/klauspost/compress/zstd"

	"example.org/panecal/store/hold"
	"example.org/panecal/store/record"
)

// Options are the settings of a store; the zero value opens one as it is.
type Options struct {
	Station string           // name of the station; Create needs it, Open compares it if it is set
	Now     func() time.Time // clock for the times of records; nil is time.Now
	Command string           // what is told to others who want the store; "" is the program's name
	// Reserve is how many bytes must be free for an attempt to begin: an
	// attempt intent is refused with ErrFull below it, all else may use it.
	Reserve uint64
	// Memory, if not "", is a folder outside the store that also remembers how
	// far its log was acknowledged, so that an older copy of the whole store is
	// not taken for the log. It is told, durably, before Append returns what may
	// be shown: an attempt, a change of disposition. Where that fails, the next
	// attempt intent is refused with ErrMemory. Many stores may share it.
	Memory string
	// Panicked, if not nil, is told of a panic while something is written, from
	// the goroutine that writes; nothing more is written then.
	Panicked func(what any, stack []byte)
	// Random gives a new store its identity; nil is the system's own.
	Random io.Reader

	disk     disk
	segment  int64 // size at which a segment is followed by another, 0 for maxSegment
	invented bool  // a simulated history is opened all the same, to be measured
}

func (o Options) withDefaults() Options {
	if o.Now == nil {
		o.Now = time.Now
	}
	if o.Command == "" {
		o.Command = filepath.Base(os.Args[0])
	}
	if o.Random == nil {
		o.Random = rand.Reader
	}
	if o.disk == nil {
		o.disk = osDisk{}
	}
	return o
}

// Store is the log open for writing, by one process at a time. What Reader
// offers sees every record that Append has acknowledged.
type Store struct {
	Reader
	lock     *hold.Hold
	reserve  uint64
	memory   *memory // of the start, then of the journal worker, then of the end
	journal  *journal
	captures *writer
	pack     *zstd.Encoder
	index    *index

	// Each of these owns what is named after it above.
	journalWorker, captureWorker, indexWorker, treeWorker *worker

	tree     treeState
	treeKept uint64 // sequence that the file says

	digests digests
	wake    chan struct{} // of the index, that there is something new

	mu    sync.Mutex // guards what follows, never held while a disk is waited for
	acked mark       // what is acknowledged

	// The index worker's:
	marked mark // what the head file says
	settle columns
	// settled is the last segment that is known to have its columns.
	settled uint32
	closed  bool // nothing is opened again
}

// Open opens the store in dir for writing: ErrNoStore, ErrHeld (with a
// HeldError that names the holder), or ErrDamaged if the log ends before what
// it has acknowledged, or is not what was written; ErrSimulated for what Build
// made. The caller closes it.
func Open(dir string, o Options) (*Store, error) {
	s, err := openStore(dir, o.withDefaults())
	if err != nil {
		return nil, fmt.Errorf("opening the store %s: %w", dir, err)
	}
	return s, nil
}

func openStore(dir string, o Options) (_ *Store, err error) {
	first, err := openSegment(o.disk, dir, journalKind, 1)
	if errors.Is(err, os.ErrNotExist) {
		return nil, noStore(o.disk, dir)
	}
	if err != nil {
		return nil, err
	}
	h := first.header
	if err := first.Close(); err != nil {
		return nil, err
	}
	if h.Simulated && !o.invented {
		return nil, ErrSimulated
	}
	if o.Station != "" && o.Station != h.Station {
		return nil, fmt.Errorf("it belongs to station %q, not %q", h.Station, o.Station)
	}
	// A moment's patience: a check may be looking whether the lock is free.
	l, err := holdFor(dir, o.Command, o.Now, 100*time.Millisecond)
	if err != nil {
		return nil, err
	}
	s := &Store{lock: l, reserve: o.Reserve, memory: &memory{disk: o.disk, folder: o.Memory}, wake: make(chan struct{}, 1)}
	s.Reader = Reader{disk: o.disk, dir: dir, view: s.look, columns: columns{disk: o.disk, dir: dir}, acknowledged: s.acknowledged}
	s.settle = columns{disk: o.disk, dir: dir, own: dir, made: s.digests.add}
	s.index = &index{disk: o.disk, segments: dir, dir: dir, made: s.digests.add}
	s.indexWorker = newWorker(s.wake, func() { _ = guarded(s.refresh) }) // the next question meets the same error
	defer func() {
		if err != nil {
			err = errors.Join(err, s.indexWorker.do(s.index.close))
			s.indexWorker.close()
			err = errors.Join(err, l.Release())
		}
	}()
	if err := s.indexWorker.do(func() error { return s.resume(o) }); err != nil {
		return nil, err
	}
	s.pack, err = zstd.NewWriter(nil, zstd.WithEncoderConcurrency(1), zstd.WithWindowSize(1<<18), zstd.WithLowerEncoderMem(true))
	if err != nil {
		return nil, err
	}
	s.journalWorker = newWorker(nil, nil)
	s.captureWorker = newWorker(nil, nil)
	s.treeWorker = newWorker(nil, nil)
	return s, nil
}

// noStore tells a place without a store from one whose first segment is gone.
func noStore(d disk, dir string) error {
	if _, err := readMark(d, dir); err == nil || errors.Is(err, ErrDamaged) {
		return &DamageError{File: journalKind.name(1), Offset: -1, What: segmentMissing}
	}
	return ErrNoStore
}

func (s *Store) acknowledged() mark {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.acked
}

func (s *Store) acknowledge(change func(*mark)) {
	s.mu.Lock()
	change(&s.acked)
	s.mu.Unlock()
	select {
	case s.wake <- struct{}{}:
	default: // it is awake already and will see this too
	}
}

// refresh brings the head file and the index up to what is acknowledged.
func (s *Store) refresh() error {
	if s.closed {
		return ErrClosed
	}
	if m := s.acknowledged(); m != s.marked {
		if err := writeMark(s.disk, s.dir, m); err != nil {
			return fmt.Errorf("writing the head file: %w", err)
		}
		s.marked = m
	}
	if err := s.index.refresh(freshBytes); err != nil {
		return err
	}
	if s.settleNext() {
		select {
		case s.wake <- struct{}{}: // for the one after
		default:
		}
	}
	return nil
}

// settleNext makes the columns of one sealed segment, where they are not there,
// and says whether there may be more to do. What goes wrong costs readers time
// and nothing else: a damaged segment is passed over, a disk that will not take
// the file ends it until the next start.
func (s *Store) settleNext() bool {
	if s.settled+1 >= s.marked.Journal {
		return false
	}
	remade, err := s.settle.settle(s.settled + 1)
	if err != nil && !errors.Is(err, ErrDamaged) {
		remade = fmt.Sprintf("%s: not made: %v", columnsName(s.settled+1), err)
		s.settled = math.MaxUint32 - 1
	}
	if remade != "" {
		s.index.remade = append(s.index.remade, remade)
	}
	if s.settled < math.MaxUint32-1 {
		s.settled++
	}
	return err == nil
}

// settleAtEnd is how many segments get their columns when a store is closed;
// the rest of an old log waits for the next start.
const settleAtEnd = 8

// look answers one question in the index worker.
func (s *Store) look(fn func(*view) error) error {
	return s.indexWorker.do(func() error {
		err := guarded(func() error { return s.index.look(fn) })
		if p := (panicError{}); errors.As(err, &p) {
			err = errors.Join(err, s.index.forget())
		}
		return err
	})
}

// Append makes body the next record and returns its name once it is durable.
// An error that wraps ErrUnknown leaves open whether it is; any other error
// means that it is not and never will be. ErrFull refuses an attempt intent;
// ErrDamaged says that the store's files were deleted or replaced, and that
// nothing will be written any more.
func (s *Store) Append(body record.Body) (record.Ref, error) {
	var ref record.Ref
	err := s.journalWorker.do(s.journal.whole(func() (err error) {
		if err := s.room(body); err != nil {
			return err
		}
		if body != nil && body.Kind() == record.KindAttemptIntent && s.memory.failed != nil {
			if err := s.memory.tell(s.acknowledged()); err != nil {
				return err
			}
		}
		if err := stillHeld(s.lock); err != nil {
			return errors.Join(&DamageError{File: lockName, Offset: -1, What: "the lock is lost"}, err)
		}
		j := s.journal
		ref, err = j.append(body)
		if err == nil { // else a segment may have a name that is not durable
			s.acknowledge(func(m *mark) {
				m.Sequence, m.Hash, m.Journal, m.JournalEnd = j.sequence, j.hash, j.number, j.end
				if body.Kind() == record.KindStart {
					m.Start, m.StartHash, m.StartJournal, m.StartEnd = ref.Sequence, ref.Hash, j.number, j.end
				}
			})
			if shown(body) {
				_ = s.memory.tell(s.acknowledged()) // a failure keeps the next attempt from beginning
			}
		}
		return err
	}))
	if err != nil {
		return record.Ref{}, fmt.Errorf("appending to the log: %w", err)
	}
	return ref, nil
}

// room says whether there is space for body.
func (s *Store) room(body record.Body) error {
	if s.reserve == 0 || body == nil || body.Kind() != record.KindAttemptIntent {
		return nil
	}
	// Where the system does not say, the write itself will.
	if free, err := s.disk.Free(s.dir); err == nil && free < s.reserve {
		return fmt.Errorf("%w: %d KiB are free, %d KiB must be", ErrFull, free>>10, s.reserve>>10)
	}
	return nil
}

// AppendCapture keeps a raw capture and returns what names it in a record,
// once it is durable.
func (s *Store) AppendCapture(c record.Capture) (record.CaptureRef, error) {
	data, err := c.Encode()
	if err != nil {
		return record.CaptureRef{}, err
	}
	ref := record.CaptureRef{Name: c.Name, Hash: record.HashOf(data)}
	head := s.acknowledged()
	err = s.captureWorker.do(s.captures.whole(func() error {
		w := s.captures
		packed := s.pack.EncodeAll(data, nil)
		n, offset, length, tried, err := w.append(packed, head.Sequence, head.Hash)
		if err != nil && tried {
			n, offset, length, _, err = w.append(packed, head.Sequence, head.Hash)
		}
		if err == nil {
			s.acknowledge(func(m *mark) { m.CaptureSegment, m.CaptureEnd = w.number, w.end })
		}
		ref.Segment, ref.Offset, ref.Length = n, offset, length
		return err
	}))
	if err != nil {
		return record.CaptureRef{}, fmt.Errorf("keeping capture %q: %w", c.Name, err)
	}
	return ref, nil
}

// Station returns the station's name.
func (s *Store) Station() string { return s.journal.station }

// Remade says in words which derived files were made anew when they were
// opened, and why: damaged, or made by another version of the program.
func (s *Store) Remade() ([]string, error) {
	var list []string
	err := s.indexWorker.do(func() error { list = append(list, s.index.remade...); return nil })
	return list, err
}

// Close ends writing, brings the derived files up to date and lets the store
// go. A second Close returns ErrClosed.
func (s *Store) Close() error {
	s.journalWorker.close()
	s.captureWorker.close()
	s.endTree()
	err := s.indexWorker.do(func() error {
		err := s.refresh()
		for n := 0; n < settleAtEnd && s.settleNext(); n++ {
		}
		if err == nil {
			err = s.index.refresh(0) // so that the next start and readers need not read the segment
		}
		err = errors.Join(err, s.memory.tell(s.marked), s.disk.SyncDir(s.dir), s.index.close())
		s.closed = true
		return err
	})
	if errors.Is(err, ErrClosed) {
		return err
	}
	s.indexWorker.close()
	return errors.Join(err, s.journal.give(), s.captures.give(), s.pack.Close(), s.lock.Release())
}
