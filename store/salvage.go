package store

import (
	"bytes"
	"cmp"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"example.org/panecal/store/record"
)

// Salvage is what a damaged log still holds.
type Salvage struct {
	Station string
	Records []Salvaged // in log order; more than one of a sequence where copies differ
	// Missing are the sequences of records that are known to have been and
	// that no copy holds.
	Missing []Span
	// Whole is the last record of the unbroken beginning of the log, the zero
	// Ref if not even the first is there.
	Whole record.Ref

	store record.Hash
}

// Span is a range of sequences, both ends in it.
type Span struct{ From, To uint64 }

// Salvaged is one record that was found.
type Salvaged struct {
	Entry record.Entry
	// Segments and Database say in which copy its bytes stand; an earlier
	// program kept one in the database too.
	Segments, Database bool
	// Proven says that a check beside the bytes, the record after it, or the
	// head file vouches for them. Without that they read as a record, but may
	// not be what was written.
	Proven bool

	data []byte
}

// FindRecords looks for every record that stands anywhere in the files of the
// store in dir, whole segments and pages or not. It changes nothing.
func FindRecords(dir string) (*Salvage, error) {
	s, err := salvage(osDisk{}, dir)
	if err != nil {
		return nil, fmt.Errorf("looking for records in %s: %w", dir, err)
	}
	return s, nil
}

// scanPiece is how much of a file is looked through at once.
const scanPiece = 16 << 20

func salvage(d disk, dir string) (*Salvage, error) {
	names, err := d.List(dir)
	if errors.Is(err, os.ErrNotExist) {
		return nil, ErrNoStore
	}
	if err != nil {
		return nil, err
	}
	s := &Salvage{}
	found := map[record.Hash]*Salvaged{}
	known := false
	for _, name := range names {
		journal := strings.HasPrefix(name, string(journalKind)+"-") && strings.HasSuffix(name, ".seg")
		// A database that was set aside may hold what the new one does not.
		database := strings.HasPrefix(name, databaseName) && !strings.HasSuffix(name, ".tmp")
		if !journal && !database {
			continue
		}
		known = true
		if err := scan(d, filepath.Join(dir, name), func(e record.Entry, data []byte, vouched bool) {
			f := found[e.Ref.Hash]
			if f == nil {
				f = &Salvaged{Entry: e, data: data}
				found[e.Ref.Hash] = f
			}
			f.Proven = f.Proven || vouched
			f.Segments = f.Segments || journal
			f.Database = f.Database || database
		}); err != nil {
			return nil, fmt.Errorf("reading %s: %w", name, err)
		}
	}
	if !known {
		return nil, ErrNoStore
	}
	m, err := readMark(d, dir)
	if err != nil && !errors.Is(err, os.ErrNotExist) && !errors.Is(err, ErrDamaged) {
		return nil, err
	}
	if f := found[m.Hash]; f != nil {
		f.Proven = true
	}
	for _, f := range found {
		if before := found[f.Entry.Previous]; before != nil && before.Entry.Ref.Sequence+1 == f.Entry.Ref.Sequence {
			before.Proven = true
		}
		s.Records = append(s.Records, *f)
	}
	slices.SortFunc(s.Records, func(a, b Salvaged) int {
		return cmp.Or(cmp.Compare(a.Entry.Ref.Sequence, b.Entry.Ref.Sequence), bytes.Compare(a.Entry.Ref.Hash[:], b.Entry.Ref.Hash[:]))
	})
	for i := range s.Records { // a copy: the order in which they were found has no say
		s.Records[i].Proven = found[s.Records[i].Entry.Ref.Hash].Proven
	}
	s.store, s.Station = identityOf(d, dir, names, m)
	s.account(m.Sequence)
	return s, nil
}

// identityOf returns which log it is, as the first segment that can be read
// says, or else the head file.
func identityOf(d disk, dir string, names []string, m mark) (record.Hash, string) {
	for _, k := range []segmentKind{journalKind, captureKind} {
		numbers, err := segments(d, dir, k)
		for _, n := range numbers {
			if s, serr := openSegment(d, dir, k, n); err == nil && serr == nil {
				h := s.header
				if s.Close() == nil {
					return h.Store, h.Station
				}
			}
		}
	}
	return m.Store, m.Station
}

// account finds the unbroken beginning and what is missing, of the records up
// to the last that is known to have been.
func (s *Salvage) account(acknowledged uint64) {
	for _, f := range s.chain() {
		s.Whole = f.Entry.Ref
	}
	next := uint64(1)
	miss := func(before uint64) {
		if next < before {
			s.Missing = append(s.Missing, Span{next, before - 1})
		}
	}
	for _, f := range s.Records {
		if !f.Proven || f.Entry.Ref.Sequence < next {
			continue
		}
		miss(f.Entry.Ref.Sequence)
		next = f.Entry.Ref.Sequence + 1
	}
	miss(acknowledged + 1)
}

// chain returns the unbroken beginning of the log.
func (s *Salvage) chain() []*Salvaged {
	after := map[record.Hash][]*Salvaged{}
	for i := range s.Records {
		if f := &s.Records[i]; f.Proven {
			after[f.Entry.Previous] = append(after[f.Entry.Previous], f)
		}
	}
	var list []*Salvaged
	var hash record.Hash
	for {
		// Where two follow, one that others follow is the log's own.
		var best *Salvaged
		for _, f := range after[hash] {
			if f.Entry.Ref.Sequence == uint64(len(list))+1 && (best == nil || len(after[best.Entry.Ref.Hash]) == 0) {
				best = f
			}
		}
		if best == nil {
			return list
		}
		list = append(list, best)
		hash = best.Entry.Ref.Hash
	}
}

// scan gives every stretch of a file that reads as a record to each. vouched
// says that a check stands before it: the one of a frame, or the hash that the
// database keeps.
func scan(d disk, path string, each func(e record.Entry, data []byte, vouched bool)) error {
	f, err := d.Open(path)
	if err != nil {
		return err
	}
	defer f.Close()
	size, err := f.Size()
	if err != nil {
		return err
	}
	const before = len(record.Hash{}) // room for the check
	b := make([]byte, min(size, int64(before+scanPiece+record.MaxSize)))
	for at := int64(0); at < size; at += scanPiece {
		from := max(0, at-int64(before))
		n, err := f.ReadAt(b[:min(int64(len(b)), size-from)], from)
		if err != nil && !errors.Is(err, io.EOF) {
			return err
		}
		scanBytes(b[:n], int(at-from), min(n, int(at-from)+scanPiece), each)
	}
	return nil
}

// scanBytes looks at each place from start to end in b.
func scanBytes(b []byte, start, end int, each func(e record.Entry, data []byte, vouched bool)) {
	for i := start; i < end; i++ {
		// A record is a map of eight keys or more, the first of which is 1; a
		// packed one is a 1 and what zstd begins with.
		one := bytes.IndexByte(b[i:min(len(b), end+1)], 1)
		if one < 0 {
			return
		}
		i += one
		if n, ok := packedLength(b[i:min(len(b), i+record.MaxSize+maxPacking)]); ok && i < end {
			if data, err := unpackRecord(b[i : i+n]); err == nil {
				if e, err := record.Decode(data); err == nil {
					each(e, data, true) // by zstd's own check
					i += n - 1
					continue
				}
			}
		}
		at := i - 1
		if at < start || b[at]&0xf8 != 0xa8 && b[at]&0xf8 != 0xb0 {
			continue
		}
		e, n, err := record.DecodeFirst(b[at:min(len(b), at+record.MaxSize)])
		if err != nil {
			continue
		}
		data := bytes.Clone(b[at : at+n])
		framed := at >= frameHead && little.Uint32(b[at-8:]) == crc(data)
		hashed := at >= len(e.Ref.Hash) && bytes.Equal(b[at-len(e.Ref.Hash):at], e.Ref.Hash[:])
		each(e, data, framed || hashed)
		if framed || hashed { // else another may stand inside it, by a sector gone astray
			i = at + n - 1
		}
	}
}
