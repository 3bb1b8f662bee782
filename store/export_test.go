package store

import (
	"bytes"
	"encoding/json"
	"errors"
	"os"
	"path/filepath"
	"testing"

	"example.org/panecal/limits/quantity"
	"example.org/panecal/store/column"
	"example.org/panecal/store/record"
)

// What tests of other packages may see of the inside.
type (
	Disk = disk
	File = file
)

// On returns o with another disk.
func (o Options) On(d Disk) Options { o.disk = d; return o }

// Small returns o with segments of 64 kB.
func (o Options) Small() Options { o.segment = 64 << 10; return o }

// OnInvented returns o for a simulated history.
func (o Options) OnInvented() Options { o.invented = true; return o }

// OSDisk is the real one.
func OSDisk() Disk { return osDisk{} }

// CheckOn checks a store on another disk.
func CheckOn(d Disk, dir string, deep bool) (Report, error) {
	c := &checker{disk: d, dir: dir, options: CheckOptions{Deep: deep}}
	err := c.check()
	return c.report, err
}

// FollowOn follows a store on another disk.
func FollowOn(d Disk, dir, cache string) (*Follower, error) { return follow(d, dir, cache, nil) }

// AppendFrame frames content as a segment does.
func AppendFrame(b, content []byte) []byte { return appendFrame(b, content) }

// Pack and Unpack turn a record into its form in a segment, and back.
func Pack(data []byte) []byte                 { return pack(data) }
func Unpack(content []byte) ([]byte, error)   { return unpackRecord(content) }
func PackedLength(content []byte) (int, bool) { return packedLength(content) }

// Settle waits until head file and index say what is acknowledged.
func (s *Store) Settle() error {
	return s.indexWorker.do(func() error {
		select {
		case <-s.wake: // this is what it is woken for
		default:
		}
		return s.refresh()
	})
}

// FindRecordsOn looks for records on another disk.
func FindRecordsOn(d Disk, dir string) (*Salvage, error) { return salvage(d, dir) }

// Data returns the bytes that were found.
func (r Salvaged) Data() []byte { return r.data }

// CopyColumns returns a file of columns as another program would have made it:
// all but the column without, and what more adds.
func CopyColumns(t testing.TB, data []byte, without string, more func(*column.Builder)) []byte {
	t.Helper()
	from, err := column.Open(bytes.NewReader(data), int64(len(data)))
	if err != nil {
		t.Fatal(err)
	}
	to := column.NewBuilder(from.About(), from.Rows())
	for _, c := range numbers {
		v, err := from.Ints(c.name, nil)
		if err != nil {
			t.Fatal(err)
		}
		to.Ints(c.name, v)
	}
	for _, c := range names {
		v, err := from.Texts(c.name, nil)
		if err != nil {
			t.Fatal(err)
		}
		to.Texts(c.name, v)
	}
	for _, c := range quantityColumns(quantity.All()) {
		v, err := from.Floats(c.name, nil)
		if err != nil {
			t.Fatal(err)
		}
		if c.name != without {
			to.Floats(c.name, v)
		}
	}
	more(to)
	out, err := to.Bytes()
	if err != nil {
		t.Fatal(err)
	}
	return out
}

// LoseChanges makes a file of columns say that the segment has no changes of
// disposition, or say nothing of them, as earlier programs did.
func LoseChanges(dir string, segment uint32, said bool) error {
	c := columns{disk: osDisk{}, dir: dir, own: dir}
	s, err := c.sealed(segment)
	if err != nil {
		return err
	}
	rows, _, err := c.read(s)
	if err != nil {
		return err
	}
	_, data, err := blockOf(s, rows, nil)
	if err != nil || said {
		return errors.Join(err, c.keep(segment, data))
	}
	text, err := json.Marshal(s)
	if err != nil {
		return err
	}
	data, err = packRows(text, rows)
	return errors.Join(err, c.keep(segment, data))
}

// Thin says which checkpoints may go.
func Thin(sequences []uint64) []uint64 { return thin(sequences) }

// EmptyLog makes the files of an empty log in dir of the name and identity that
// its first segment says.
func EmptyLog(dir string) error {
	s, err := openSegment(osDisk{}, dir, journalKind, 1)
	if err != nil {
		return err
	}
	h := s.header
	h.PrevEnd, h.Sequence, h.Hash = 0, 0, record.Hash{}
	if err := errors.Join(s.Close(), os.Remove(filepath.Join(dir, s.name))); err != nil {
		return err
	}
	f, end, _, err := createSegment(osDisk{}, dir, h)
	if err != nil {
		return err
	}
	if err := f.Close(); err != nil {
		return err
	}
	return writeMark(osDisk{}, dir, mark{Store: h.Store, Station: h.Station, Generation: 1, Journal: 1, JournalEnd: end})
}
