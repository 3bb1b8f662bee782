package store

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"example.org/panecal/store/record"
)

// Report is what a check found.
type Report struct {
	Station   string
	Head      record.Ref // last record found
	Records   int64
	Captures  int64 // frames in capture segments
	Segments  int
	Bytes     int64     // of all segments
	Problems  []Problem // what is not as it was written
	Witnesses []Witness // who else knows how far the log went
	Notes     []string  // what is worth knowing and no damage
}

// CheckOptions say how a log is checked.
type CheckOptions struct {
	// Deep decodes every record and makes all anew that is derived of it. Without
	// it a derived file whose digest the log knows is proven by that alone.
	Deep bool
	// Beside is what stands outside the store, to be held against it too.
	Beside Beside
	// Progress, if not nil, is told the bytes of segments done and in all.
	Progress func(done, total int64)
}

// Check holds the store in dir against itself: every frame and the hash of every
// record, their chain, the captures they name, the head file, and the index and
// the columns made of the records. It changes nothing and may run while the
// station does. The error is about what kept it from looking; ErrNoStore where
// there is none.
func Check(dir string, o CheckOptions) (Report, error) {
	c := &checker{disk: osDisk{}, dir: dir, options: o}
	if err := c.check(); err != nil {
		return c.report, fmt.Errorf("checking the store %s: %w", dir, err)
	}
	return c.report, nil
}

type checker struct {
	disk    disk
	dir     string
	options CheckOptions
	report  Report
	total   int64 // bytes of all segments
	done    int64 // of them
	mark    mark
	store   record.Hash
	known   bool // store and report.Station are set
	digests map[string]record.Hash
	index   []*checkedIndex
	// outdated counts derived files of another program, later the records that
	// hold what a later program wrote.
	outdated, later int
}

func (c *checker) problem(file string, offset int64, what string) {
	c.say(Damaged, file, 0, offset, what)
}

func (c *checker) say(code Fault, file string, record uint64, offset int64, what string) {
	c.report.Problems = append(c.report.Problems, Problem{code, record, DamageError{file, offset, what}})
}

func (c *checker) note(what string) { c.report.Notes = append(c.report.Notes, what) }

// take files damage as a problem and returns other errors.
func (c *checker) take(err error) error {
	if d := (*DamageError)(nil); errors.As(err, &d) {
		c.report.Problems = append(c.report.Problems, Problem{Damaged, 0, *d})
		return nil
	}
	return err
}

func (c *checker) check() error {
	names, err := c.disk.List(c.dir)
	if errors.Is(err, os.ErrNotExist) {
		return ErrNoStore
	}
	if err != nil {
		return err
	}
	for _, n := range names {
		if strings.HasSuffix(n, ".tmp") || strings.Contains(n, ".damaged-") {
			c.note("left over: " + n)
		}
		if n == databaseName || n == rowsName {
			c.note(n + ": of an earlier version of the program; the next start removes it")
		}
	}
	// The head file first: what it promises must then be in the segments.
	c.mark, err = readMark(c.disk, c.dir)
	marked := err == nil
	if errors.Is(err, os.ErrNotExist) {
		err = &DamageError{File: markName, Offset: -1, What: "the file is missing"}
	}
	if err := c.take(err); err != nil {
		return err
	}
	journal, err := segments(c.disk, c.dir, journalKind)
	if err != nil {
		return err
	}
	captures, err := segments(c.disk, c.dir, captureKind)
	if err != nil {
		return err
	}
	if len(journal) == 0 && !marked && len(c.report.Problems) == 1 && c.report.Problems[0].What == "the file is missing" {
		c.report.Problems = nil
		return ErrNoStore
	}
	for _, k := range []struct {
		kind    segmentKind
		numbers []uint32
	}{{captureKind, captures}, {journalKind, journal}} {
		if err := c.headers(k.kind, k.numbers); err != nil {
			return err
		}
	}
	// The files of the index are looked at before the segments that they stand
	// for, so that none can be ahead.
	if err := c.openIndex(names); err != nil {
		return err
	}
	if err := c.kind(captureKind, captures, c.mark.CaptureSegment, c.mark.CaptureEnd, func(*segmentCheck) error { return nil }); err != nil {
		return err
	}
	beside := &besideCheck{checker: c}
	if marked {
		if err := beside.begin(c.options.Beside); err != nil {
			return err
		}
	}
	chain := &chainCheck{checker: c, beside: beside}
	if err := c.kind(journalKind, journal, c.mark.Journal, c.mark.JournalEnd, chain.segment); err != nil {
		return err
	}
	c.forgive(chain.removed)
	if marked {
		chain.end()
		beside.end()
	}
	if c.outdated > 0 {
		c.note(fmt.Sprintf("%d derived files: %s; the next start makes them anew", c.outdated, errOutdated))
	}
	if c.later > 0 {
		c.note(fmt.Sprintf("%d records hold what a later program wrote; this one proves them and reads what it knows", c.later))
	}
	return nil
}

// forgive takes out of the problems what was removed, on record.
func (c *checker) forgive(removals []record.Entry) {
	for _, e := range removals {
		b := e.Body.(*record.CapturesRemoved)
		gone := map[string]bool{}
		for _, n := range b.Segments {
			gone[captureKind.name(n)] = true
		}
		missing := 0
		c.report.Problems = slices.DeleteFunc(c.report.Problems, func(p Problem) bool {
			is := gone[p.File] && strings.HasSuffix(p.What, segmentMissing)
			if is && p.What == segmentMissing {
				missing++
			}
			return is
		})
		if missing > 0 {
			c.note(fmt.Sprintf("%d files of raw captures were removed, as record %d says: %s", missing, e.Ref.Sequence, b.Rule))
		}
	}
}

// headers reads what the segments of a kind say of themselves: how large they
// are, to which store they belong, and the digests that they know.
func (c *checker) headers(k segmentKind, numbers []uint32) error {
	if c.digests == nil {
		c.digests = map[string]record.Hash{}
	}
	for _, n := range numbers {
		f, err := c.disk.Open(filepath.Join(c.dir, k.name(n)))
		if err != nil {
			return err
		}
		size, err := f.Size()
		if err = errors.Join(err, f.Close()); err != nil {
			return err
		}
		c.total += size
		s, err := openSegment(c.disk, c.dir, k, n)
		if errors.Is(err, ErrDamaged) {
			continue // told later
		}
		if err != nil {
			return err
		}
		h := s.header
		if err := s.Close(); err != nil {
			return err
		}
		if !c.known {
			c.store, c.report.Station, c.known = h.Store, h.Station, true
			if h.Simulated {
				c.note("a simulated history: nobody measured anything")
			}
			if c.mark.Sequence > 0 && c.mark.Store != h.Store {
				c.problem(markName, -1, "it belongs to another store")
			}
		}
		for name, digest := range h.Derived {
			c.digests[name] = digest
		}
	}
	return nil
}

// kind checks all segments of one kind, some at a time, and gives what was found
// in each to after, in order.
func (c *checker) kind(k segmentKind, numbers []uint32, markNumber uint32, markEnd int64, after func(*segmentCheck) error) error {
	last := uint32(0)
	if len(numbers) > 0 {
		last = numbers[len(numbers)-1]
	}
	return inOrder(int(max(last, markNumber)), func(i int) (*segmentCheck, error) {
		s := &segmentCheck{checker: c, kind: k, number: uint32(i) + 1}
		if s.number == markNumber {
			s.markEnd = markEnd
		}
		s.last, s.behindMark = s.number == last, markNumber < s.number
		return s, s.check()
	}, func(s *segmentCheck) error {
		r := s.report
		c.report.Segments += r.Segments
		c.report.Bytes += r.Bytes
		c.report.Records += r.Records
		c.report.Captures += r.Captures
		c.report.Problems = append(c.report.Problems, r.Problems...)
		c.report.Notes = append(c.report.Notes, r.Notes...)
		c.done += r.Bytes
		if c.options.Progress != nil {
			c.options.Progress(min(c.done, c.total), c.total)
		}
		return after(s)
	})
}

// chainCheck proves that each segment follows from the one before.
type chainCheck struct {
	*checker
	beside   *besideCheck
	sequence uint64
	hash     record.Hash
	atMark   record.Hash    // of the record that the head file names
	removed  []record.Entry // removals of captures
}

func (c *chainCheck) segment(s *segmentCheck) error {
	if s.report.Records > 0 {
		if what := follows(s.first, s.firstPrevious, c.sequence, c.hash); what != "" {
			c.say(Damaged, s.name(), s.first.Sequence, s.firstAt, what)
		}
		c.beside.begun(s.starts)
		for _, ref := range s.refs {
			c.beside.record(ref)
		}
		c.beside.hear(s.heard)
		c.removed = append(c.removed, s.removed...)
		c.report.Head = s.report.Head
		c.sequence, c.hash = s.report.Head.Sequence, s.report.Head.Hash
	}
	if s.atMark != (record.Hash{}) {
		c.atMark = s.atMark
	}
	c.later += s.later
	c.outdated += s.outdated
	c.takeIndex(s)
	return nil
}

// follows says in words how a record does not follow from the one before.
func follows(ref record.Ref, previous record.Hash, sequence uint64, hash record.Hash) string {
	switch {
	case ref.Sequence != sequence+1:
		return fmt.Sprintf("record %d stands where %d should: records are missing or damaged", ref.Sequence, sequence+1)
	case previous != hash:
		return fmt.Sprintf("record %d does not follow from record %d as it stands", ref.Sequence, sequence)
	}
	return ""
}

// end holds the chain against the head file.
func (c *chainCheck) end() {
	m := c.mark
	c.report.Witnesses = append(c.report.Witnesses, Witness{"head", markName, m.Sequence, m.Sequence == 0 || c.atMark == m.Hash})
	switch {
	case c.sequence < m.Sequence:
		c.say(Damaged, journalKind.name(max(1, m.Journal)), c.sequence+1, -1, fmt.Sprintf("the log ends at record %d, but %d were acknowledged", c.sequence, m.Sequence))
	case m.Sequence > 0 && c.atMark != m.Hash:
		c.say(Rewritten, journalKind.name(max(1, m.Journal)), m.Sequence, -1, fmt.Sprintf("record %d is not the one that was acknowledged", m.Sequence))
	}
}
