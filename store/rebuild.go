package store

import (
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"path/filepath"
	"slices"
	"time"

	"example.org/panecal/store/record"
)

// beyondName is the file of a rebuilt store with what stands behind a gap, one
// JSON object a line, and differencesName the one that says what was found.
const (
	beyondName      = "beyond-the-gap.jsonl"
	differencesName = "differences.txt"
)

// Rebuild makes in the folder into, which must not exist or be empty, a new
// store of all that the damaged one in dir still holds, in segments or an earlier
// program's database: the unbroken beginning of the log as a store that is read
// like any other, the records behind a gap as lines of JSON, and a list of what
// differs. It changes nothing in dir, which must not be in use (ErrHeld). Like
// every copy, what it makes is not written to: only Continue goes on from it.
func Rebuild(dir, into string) (*Salvage, error) {
	s, err := rebuild(osDisk{}, dir, into)
	if err != nil {
		return nil, fmt.Errorf("rebuilding the store %s in %s: %w", dir, into, err)
	}
	return s, nil
}

func rebuild(d disk, dir, into string) (*Salvage, error) {
	if err := notHeld(dir); err != nil {
		return nil, err
	}
	s, err := salvage(d, dir)
	if err != nil {
		return nil, err
	}
	if s.Station == "" {
		return nil, &DamageError{File: string(journalKind), Offset: -1, What: "nothing says which log this is: no segment's header and no head file can be read"}
	}
	return s, makeFolder(into, d, func(tmp string) error { return s.write(d, dir, tmp) })
}

func (s *Salvage) write(d disk, dir, tmp string) error {
	m, err := s.writeJournal(d, tmp)
	if err != nil {
		return fmt.Errorf("writing the records: %w", err)
	}
	if m.CaptureSegment, m.CaptureEnd, err = copyCaptures(d, dir, tmp); err != nil {
		return fmt.Errorf("copying the captures: %w", err)
	}
	if err := s.writeBeyond(d, tmp); err != nil {
		return fmt.Errorf("writing what is behind a gap: %w", err)
	}
	if err := writeWhole(d, filepath.Join(tmp, differencesName), []byte(s.Text())); err != nil {
		return fmt.Errorf("writing the differences: %w", err)
	}
	if err := writeMark(d, tmp, m); err != nil {
		return err
	}
	if _, err := derive(d, tmp, m); err != nil {
		return err
	}
	return d.SyncDir(tmp)
}

// writeJournal writes the unbroken beginning as segments, one at least for
// each generation.
func (s *Salvage) writeJournal(d disk, tmp string) (mark, error) {
	m := mark{Store: s.store, Station: s.Station, Generation: 1, Copy: true}
	var f file
	begin := func(generation uint32, created time.Time) (err error) {
		if f != nil {
			if err := errors.Join(f.Sync(), f.Close()); err != nil {
				return err
			}
		}
		h := header{Kind: journalKind, Store: s.store, Station: s.Station, Generation: generation, Number: m.Journal + 1,
			Sequence: m.Sequence, Hash: m.Hash, PrevEnd: m.JournalEnd, Created: created}
		f, m.JournalEnd, _, err = createSegment(d, tmp, h)
		m.Journal, m.Generation = h.Number, generation
		return err
	}
	chain := s.chain()
	if len(chain) == 0 {
		if err := begin(1, time.Time{}); err != nil {
			return m, err
		}
	}
	for _, r := range chain {
		if f == nil || r.Entry.Ref.Generation != m.Generation || m.JournalEnd >= maxSegment {
			if err := begin(r.Entry.Ref.Generation, r.Entry.Time); err != nil {
				return m, err
			}
		}
		frame := appendFrame(nil, pack(r.data))
		if _, err := f.WriteAt(frame, m.JournalEnd); err != nil {
			return m, errors.Join(err, f.Close())
		}
		m.JournalEnd += int64(len(frame))
		m.Sequence, m.Hash = r.Entry.Ref.Sequence, r.Entry.Ref.Hash
	}
	return m, errors.Join(f.Sync(), f.Close())
}

// copyCaptures copies the capture segments as they are: records name captures
// by where they stand. A damaged one shows when it is checked.
func copyCaptures(d disk, dir, tmp string) (number uint32, end int64, err error) {
	numbers, err := segments(d, dir, captureKind)
	if err != nil {
		return 0, 0, err
	}
	for _, n := range numbers {
		if err := copyFile(d, filepath.Join(dir, captureKind.name(n)), filepath.Join(tmp, captureKind.name(n))); err != nil {
			return 0, 0, err
		}
	}
	number, end, err = lastCapture(d, tmp, mark{})
	if errors.Is(err, ErrDamaged) {
		return 0, 0, nil
	}
	return number, end, err
}

func copyFile(d disk, from, to string) error {
	in, err := d.Open(from)
	if err != nil {
		return err
	}
	defer in.Close()
	size, err := in.Size()
	if err != nil {
		return err
	}
	out, err := d.Create(to)
	if err != nil {
		return err
	}
	_, err = io.Copy(io.NewOffsetWriter(out, 0), io.NewSectionReader(in, 0, size))
	return errors.Join(err, out.Sync(), out.Close())
}

func writeWhole(d disk, path string, b []byte) error {
	f, err := d.Create(path)
	if err != nil {
		return err
	}
	_, err = f.WriteAt(b, 0)
	return errors.Join(err, f.Sync(), f.Close())
}

// beyond is one line of the file of records behind a gap.
type beyond struct {
	Station    string      `json:"station"`
	Generation uint32      `json:"generation"`
	Sequence   uint64      `json:"sequence"`
	Hash       record.Hash `json:"hash"`
	Kind       string      `json:"kind"`
	Time       time.Time   `json:"time"`
	Serial     string      `json:"serial"`
	UnitID     string      `json:"unit_id"`
	Proven     bool        `json:"proven"`
	Record     []byte      `json:"record"` // its bytes, base64
}

func (s *Salvage) writeBeyond(d disk, tmp string) error {
	var out []byte
	for _, r := range s.Beyond() {
		e := r.Entry
		line, err := json.Marshal(beyond{Station: e.Ref.Station, Generation: e.Ref.Generation, Sequence: e.Ref.Sequence, Hash: e.Ref.Hash,
			Kind: e.Body.Kind().String(), Time: e.Time, Serial: e.Body.Subject().Serial, UnitID: e.Body.Subject().UnitID, Proven: r.Proven, Record: r.data})
		if err != nil {
			return err
		}
		out = append(append(out, line...), '\n')
	}
	if out == nil {
		return nil
	}
	return writeWhole(d, filepath.Join(tmp, beyondName), out)
}

// Beyond returns the records that are not in the unbroken beginning.
func (s *Salvage) Beyond() []Salvaged {
	in := map[record.Hash]bool{}
	for _, r := range s.chain() {
		in[r.Entry.Ref.Hash] = true
	}
	return slices.DeleteFunc(slices.Clone(s.Records), func(r Salvaged) bool { return in[r.Entry.Ref.Hash] })
}

// Text lists for people where the copies differ, and what is missing.
func (s *Salvage) Text() string {
	var out []byte
	say := func(format string, args ...any) { out = fmt.Appendf(out, format+"\n", args...) }
	say("station %q: %d records found, whole up to record %d", s.Station, len(s.Records), s.Whole.Sequence)
	for _, m := range s.Missing {
		if m.From == m.To {
			say("record %d: in no copy", m.From)
		} else {
			say("records %d to %d: in no copy", m.From, m.To)
		}
	}
	for _, r := range s.Records {
		n, hash := r.Entry.Ref.Sequence, r.Entry.Ref.Hash.String()[:16]
		switch {
		case !r.Proven:
			say("record %d (%s): nothing vouches for it; it may not be what was written", n, hash)
		case !r.Segments:
			say("record %d (%s): only in the database", n, hash)
		}
	}
	for _, r := range s.Beyond() {
		say("record %d (%s): behind a gap, in %s", r.Entry.Ref.Sequence, r.Entry.Ref.Hash.String()[:16], beyondName)
	}
	return string(out)
}
