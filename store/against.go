package store

import (
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"

	"example.org/panecal/store/record"
)

// otherLog is another copy of the log, such as a backup, that is held against it
// record by record.
type otherLog struct {
	dir  string
	mark mark
	walk walk
	over bool // it is not read any further

	last    record.Ref     // last record that both have
	differs bool           // where the log had ours, theirs stood
	ours    record.Ref     // zero where the log ends
	theirs  record.Skimmed // of the first that differs
	trouble error
}

// storeAt finds a store in a folder that may be a whole station's.
func storeAt(d disk, path string) (dir string, m mark, found bool) {
	for _, dir := range []string{path, filepath.Join(path, "store")} {
		if m, err := readMark(d, dir); err == nil {
			return dir, m, true
		}
	}
	return "", mark{}, false
}

func newOtherLog(d disk, dir string, m mark) *otherLog {
	return &otherLog{dir: dir, mark: m, walk: walk{disk: d, dir: dir, promised: m}}
}

// next returns the next record of the other copy, false at its end.
func (o *otherLog) next() (record.Skimmed, bool) {
	for {
		s, _, err := o.walk.skim()
		switch {
		case errors.Is(err, errStepped):
			continue
		case errors.Is(err, io.EOF):
			return s, false
		case err != nil:
			o.trouble = err
			return s, false
		}
		return s, true
	}
}

// record is told of each record of the log, in order.
func (o *otherLog) record(ref record.Ref) {
	if o.over {
		return
	}
	s, ok := o.next()
	switch {
	case !ok:
		o.over = true
	case s.Ref != ref:
		o.over, o.differs, o.ours, o.theirs = true, true, ref, s
	default:
		o.last = ref
	}
}

// judge says what came of it.
func (o *otherLog) judge(b *besideCheck) {
	more := uint64(0)
	for !o.over { // the log has come to its end before
		if _, ok := o.next(); !ok {
			break
		}
		more++
	}
	trouble := errors.Join(o.trouble, o.walk.close())
	switch w := (Witness{"log", o.dir, o.last.Sequence, !o.differs}); {
	case o.differs && b.gap:
		// Damage hides what it speaks of, and is told by itself.
	case o.differs && o.ours.Generation != o.theirs.Ref.Generation:
		b.note(fmt.Sprintf("generation %d of this log goes on from record %d, generation %d in %s", o.ours.Generation, o.last.Sequence, o.theirs.Ref.Generation, o.dir))
	case o.differs:
		b.report.Witnesses = append(b.report.Witnesses, w)
		fault, how := Rewritten, "one of the two was rewritten"
		if b.starts[o.ours.Sequence] || o.theirs.Kind == record.KindStart {
			fault, how = Forked, "two logs go on under one name"
		}
		b.say(fault, journalKind.name(max(1, b.mark.Journal)), o.ours.Sequence, -1, fmt.Sprintf("%s: this log and %s are the same up to record %d, and record %d is another in each",
			how, o.dir, o.last.Sequence, o.ours.Sequence))
	default:
		b.report.Witnesses = append(b.report.Witnesses, w)
		if more > 0 {
			b.note(fmt.Sprintf("older_copy: %s goes on for %d records more", o.dir, more))
		}
	}
	if trouble != nil {
		b.note(fmt.Sprintf("%s could be held against the log up to record %d only: %v", o.dir, o.last.Sequence, trouble))
	}
}

// beginLogs takes the copies of the log out of what it is to be held against.
func (b *besideCheck) beginLogs(list []string) (rest []string) {
	for _, path := range list {
		dir, m, found := storeAt(b.disk, path)
		switch {
		case !found:
			rest = append(rest, path)
		case m.Store != b.mark.Store:
			b.note(fmt.Sprintf("%s holds another log", dir))
		case sameFolder(dir, b.dir):
		default:
			b.others = append(b.others, newOtherLog(b.disk, dir, m))
		}
	}
	return rest
}

func sameFolder(a, b string) bool {
	x, err1 := os.Stat(a)
	y, err2 := os.Stat(b)
	return err1 == nil && err2 == nil && os.SameFile(x, y)
}
