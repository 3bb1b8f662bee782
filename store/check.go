package store

import (
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"example.org/panecal/limits/quantity"
	"example.org/panecal/store/column"
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

// Check holds the store in dir against itself: every frame and record, their
// chain, the captures they name, the columns made of them, the head file, and
// all that the database would answer. It changes nothing and may run while the
// station does; the database is then left to the station, and a note says so.
// progress, if not nil, is told the bytes of segments done and in all. The
// error is about what kept it from looking; ErrNoStore where there is none.
func Check(dir string, progress func(done, total int64)) (Report, error) {
	return CheckBeside(dir, Beside{}, progress)
}

// CheckBeside is Check, and holds the log against what stands beside it too.
func CheckBeside(dir string, beside Beside, progress func(done, total int64)) (Report, error) {
	held := notHeld(dir)
	if held != nil && !errors.Is(held, ErrHeld) {
		return Report{}, fmt.Errorf("checking the store %s: %w", dir, held)
	}
	c := &checker{disk: osDisk{}, dir: dir, progress: progress, others: beside}
	if err := c.check(held == nil); err != nil {
		return c.report, fmt.Errorf("checking the store %s: %w", dir, err)
	}
	if held != nil {
		c.note("database not looked at: " + held.Error())
	}
	return c.report, nil
}

type checker struct {
	disk     disk
	dir      string
	progress func(done, total int64)
	report   Report
	total    int64
	mark     mark
	store    record.Hash
	known    bool // store and report.Station are set
	others   Beside
}

func (c *checker) problem(file string, offset int64, what string) {
	c.say(Damaged, file, 0, offset, what)
}

// record files damage that shows in a record.
func (c *checker) badRecord(file string, record uint64, offset int64, what string) {
	c.say(Damaged, file, record, offset, what)
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

func (c *checker) check(derived bool) error {
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
	}{{journalKind, journal}, {captureKind, captures}} {
		for _, n := range k.numbers {
			if size, err := c.sizeOf(k.kind.name(n)); err != nil {
				return err
			} else {
				c.total += size
			}
		}
	}
	if err := c.kind(captureKind, captures, c.mark.CaptureSegment, c.mark.CaptureEnd, func(string, int64, []byte) error {
		c.report.Captures++
		return nil
	}, func(uint32) error { return nil }); err != nil {
		return err
	}
	beside := &besideCheck{checker: c}
	if marked {
		beside.begin(c.others)
	}
	chain := &chainCheck{checker: c, beside: beside}
	if err := c.kind(journalKind, journal, c.mark.Journal, c.mark.JournalEnd, chain.record, chain.segmentEnd); err != nil {
		return err
	}
	if marked {
		chain.end()
		beside.end()
	}
	if chain.other > 0 {
		c.note(fmt.Sprintf("%d files of columns: %s; the next start makes them anew", chain.other, errOutdated))
	}
	if chain.later > 0 {
		c.note(fmt.Sprintf("%d records hold what a later program wrote; this one proves them and reads what it knows", chain.later))
	}
	if !derived {
		return nil
	}
	return c.derived()
}

func (c *checker) sizeOf(name string) (int64, error) {
	f, err := c.disk.Open(filepath.Join(c.dir, name))
	if err != nil {
		return 0, err
	}
	size, err := f.Size()
	return size, errors.Join(err, f.Close())
}

// kind checks all segments of one kind, gives each whole frame to each, and
// tells after of each segment that is done.
func (c *checker) kind(k segmentKind, numbers []uint32, markNumber uint32, markEnd int64, each func(file string, offset int64, content []byte) error, after func(number uint32) error) error {
	last := uint32(0)
	if len(numbers) > 0 {
		last = numbers[len(numbers)-1]
	}
	for n := uint32(1); n <= max(last, markNumber); n++ {
		if err := c.segment(k, n, n == last, markNumber, markEnd, each); err != nil {
			return err
		}
		if err := after(n); err != nil {
			return err
		}
	}
	return nil
}

func (c *checker) segment(k segmentKind, number uint32, last bool, markNumber uint32, markEnd int64, each func(string, int64, []byte) error) error {
	name := k.name(number)
	s, err := openSegment(c.disk, c.dir, k, number)
	if errors.Is(err, os.ErrNotExist) {
		c.problem(name, -1, "the segment is missing")
		return nil
	}
	if errors.Is(err, ErrDamaged) {
		// Its records may be whole all the same: look behind the header.
		if err := c.take(err); err != nil {
			return err
		}
		f, err := c.disk.Open(filepath.Join(c.dir, name))
		if err != nil {
			return err
		}
		s = &segment{file: f, name: name, start: int64(len(k.magic()))}
	} else if err != nil {
		return err
	} else {
		c.identity(s)
	}
	defer s.Close()
	c.report.Segments++
	size, err := s.Size()
	if err != nil {
		return err
	}
	c.report.Bytes += size
	end, sure := size, false
	if next, err := openSegment(c.disk, c.dir, k, number+1); err == nil {
		sure = true
		if end = next.header.PrevEnd; end > size {
			c.problem(name, size, fmt.Sprintf("the file was cut: the next segment says it ends at %d", end))
			end = size
		}
		if err := next.Close(); err != nil {
			return err
		}
	} else if !errors.Is(err, os.ErrNotExist) && !errors.Is(err, ErrDamaged) {
		return err
	}
	if markNumber == number && size < markEnd {
		c.problem(name, size, fmt.Sprintf("the file was cut: %d bytes were acknowledged", markEnd))
	}
	promised := end // what ends before it must be whole
	switch {
	case sure:
	case markNumber == number:
		promised = markEnd
	case last && markNumber < number:
		promised = 0
	}
	return c.frames(s, end, promised, each)
}

// identity proves that a segment belongs to the store.
func (c *checker) identity(s *segment) {
	h := s.header
	if !c.known {
		c.store, c.report.Station, c.known = h.Store, h.Station, true
		if h.Simulated {
			c.note("a simulated history: nobody measured anything")
		}
		if c.mark.Sequence > 0 && c.mark.Store != h.Store {
			c.problem(markName, -1, "it belongs to another store")
		}
	}
	if h.Store != c.store || h.Station != c.report.Station {
		c.problem(s.name, 0, "the segment belongs to another store")
	}
}

// frames reads the frames of a segment up to end. Behind damage it looks for
// the next whole frame, so that all that can still be read is.
func (c *checker) frames(s *segment, end, promised int64, each func(string, int64, []byte) error) error {
	at := s.start
	if s.header.Number == 0 { // the header was damaged
		next, found, err := findFrame(s, at, end)
		if err != nil || !found {
			return err
		}
		at = next
	}
	for at < end {
		content, next, err := readFrame(s, at, end)
		if err == nil {
			if err := each(s.name, at, content); err != nil {
				return err
			}
			at = next
			if c.progress != nil {
				c.progress(min(c.report.Bytes, c.total), c.total)
			}
			continue
		}
		if !noFrame(err) {
			return err
		}
		next, found, ferr := findFrame(s, at+1, end)
		switch {
		case ferr != nil:
			return ferr
		case found || at < promised:
			c.problem(s.name, at, err.Error())
		default:
			c.note(fmt.Sprintf("%s ends with %d bytes of a frame that was never acknowledged", s.name, end-at))
		}
		if !found {
			return nil
		}
		at = next
	}
	return nil
}

// findFrame looks for the next whole frame from offset on.
func findFrame(r io.ReaderAt, offset, end int64) (int64, bool, error) {
	const window = 64 << 10
	b := make([]byte, window+frameHead)
	for ; offset+frameHead <= end; offset += window {
		n, err := r.ReadAt(b[:min(int64(len(b)), end-offset)], offset)
		if err != nil && !errors.Is(err, io.EOF) {
			return 0, false, err
		}
		for i := 0; i+frameHead <= n && i < window; i++ {
			if little.Uint32(b[i+8:]) != crc(b[i:i+8]) {
				continue
			}
			if _, _, err := readFrame(r, offset+int64(i), end); err == nil {
				return offset + int64(i), true, nil
			}
		}
	}
	return 0, false, nil
}

// chainCheck proves that each record follows from the one before.
type chainCheck struct {
	*checker
	beside   *besideCheck
	sequence uint64
	hash     record.Hash
	atMark   record.Hash // of the record that the head file names
	later    int64       // records that hold what this program does not know
	rows     []Row       // of the attempts of the segment that is being read
	changes  []change    // of disposition, of that segment
	problems int         // that were known when it began
	other    int         // files of columns of another program
}

func (c *chainCheck) record(file string, offset int64, content []byte) error {
	content, err := unpackRecord(content)
	if err != nil {
		c.problem(file, offset, err.Error())
		return nil
	}
	e, err := record.Decode(content)
	if err != nil {
		// A header that findFrame met behind damage is no record.
		c.problem(file, offset, err.Error())
		return nil
	}
	c.report.Records++
	if e.Later {
		c.later++
	}
	c.report.Head = e.Ref
	if c.known && e.Ref.Station != c.report.Station {
		c.badRecord(file, e.Ref.Sequence, offset, fmt.Sprintf("record %d is of station %q", e.Ref.Sequence, e.Ref.Station))
	}
	switch {
	case e.Ref.Sequence != c.sequence+1:
		c.badRecord(file, e.Ref.Sequence, offset, fmt.Sprintf("record %d stands where %d should: records are missing or damaged", e.Ref.Sequence, c.sequence+1))
	case e.Previous != c.hash:
		c.badRecord(file, e.Ref.Sequence, offset, fmt.Sprintf("record %d does not follow from record %d as it stands", e.Ref.Sequence, c.sequence))
	}
	c.beside.record(e.Ref)
	c.sequence, c.hash = e.Ref.Sequence, e.Ref.Hash
	if e.Ref.Sequence == c.mark.Sequence && e.Ref.Generation == c.mark.Generation {
		c.atMark = e.Ref.Hash
	}
	if d, ok := e.Body.(*record.DispositionChange); ok {
		c.changes = append(c.changes, changeOf(e, d))
	}
	if a, ok := e.Body.(*record.Attempt); ok {
		row, err := rowOf(e, a)
		if err != nil {
			return err
		}
		c.rows = append(c.rows, row)
		for _, ref := range a.Captures {
			if _, err := readCapture(c.disk, c.dir, ref); err != nil {
				if errors.Is(err, os.ErrNotExist) {
					err = &DamageError{File: captureKind.name(ref.Segment), Offset: ref.Offset, What: "the segment is missing"}
				}
				if d := (*DamageError)(nil); errors.As(err, &d) {
					c.badRecord(d.File, e.Ref.Sequence, d.Offset, fmt.Sprintf("capture %q of record %d: %s", ref.Name, e.Ref.Sequence, d.What))
				} else {
					return err
				}
			}
		}
	}
	return nil
}

// segmentEnd holds the columns of a segment against its records.
func (c *chainCheck) segmentEnd(number uint32) error {
	rows, changes, whole := c.rows, c.changes, len(c.report.Problems) == c.problems
	c.rows, c.changes = nil, nil
	defer func() { c.problems = len(c.report.Problems) }()
	files := columns{disk: c.disk, dir: c.dir}
	s, err := files.sealed(number)
	if errors.Is(err, ErrDamaged) { // the last one, or the check of the next will say so
		return nil
	}
	if err != nil {
		return err
	}
	b, found, f, err := files.open(c.dir, s)
	switch {
	case errors.Is(err, os.ErrNotExist): // costs readers time, and is made at the next start
		return nil
	case errors.Is(err, errOutdated):
		c.other++
		return nil
	case err != nil:
		return c.take(err)
	}
	defer f.Close()
	kept, err := unpackRows(b, quantity.All())
	if errors.Is(err, column.ErrDamaged) {
		c.problem(columnsName(number), -1, err.Error())
		return nil
	}
	if err != nil || !whole {
		return err
	}
	if !slices.Equal(found.Changes, changes) {
		c.problem(columnsName(number), -1, "its changes of disposition are not those of the records")
	}
	if len(kept) != len(rows) {
		c.problem(columnsName(number), -1, fmt.Sprintf("it has %d rows of %d attempts", len(kept), len(rows)))
		return nil
	}
	for i := range kept {
		if !kept[i].same(&rows[i]) {
			c.badRecord(columnsName(number), rows[i].Sequence, -1, fmt.Sprintf("the row of record %d is not as its record makes it", rows[i].Sequence))
		}
	}
	return nil
}

// end holds the chain against the head file.
func (c *chainCheck) end() {
	m := c.mark
	c.report.Witnesses = append(c.report.Witnesses, Witness{"head", markName, m.Sequence, m.Sequence == 0 || c.atMark == m.Hash})
	switch {
	case c.sequence < m.Sequence:
		c.badRecord(journalKind.name(max(1, m.Journal)), c.sequence+1, -1, fmt.Sprintf("the log ends at record %d, but %d were acknowledged", c.sequence, m.Sequence))
	case m.Sequence > 0 && c.atMark != m.Hash:
		c.say(Rewritten, journalKind.name(max(1, m.Journal)), m.Sequence, -1, fmt.Sprintf("record %d is not the one that was acknowledged", m.Sequence))
	}
}
