package store

import (
	"encoding/binary"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"time"

	"go.etcd.io/bbolt"

	"example.org/panecal/store/record"
)

const databaseName = "log.db"

// Buckets of the database.
const (
	bucketRecords = "records" // generation, sequence → hash, location
	bucketIndex   = "index"   // see chain.go
	bucketMeta    = "meta"    // positionKey → position, sealed
)

const positionKey = "position"

// position says how far the database has followed the segments.
type position struct {
	Format     int         `json:"format"`
	Store      record.Hash `json:"store"`
	Station    string      `json:"station"`
	Generation uint32      `json:"generation"`
	Segment    uint32      `json:"segment"` // of the journal; 0: nothing read yet
	Offset     int64       `json:"offset"`  // where the next frame begins
	Last       int64       `json:"last"`    // where the last record's frame begins, 0 for none in Segment
	Sequence   uint64      `json:"sequence"`
	Hash       record.Hash `json:"hash"`
	Entries    int64       `json:"entries"` // of the index
	Newest     int         `json:"newest"`  // latest schema version of any record
}

// positionFormat is what a database must have been built as. Its own form is
// counted in the upper part; a program that reads a newer record schema finds
// more in the same records, and builds it anew too.
const positionFormat = 2<<16 | record.Version

func (p position) ref() record.Ref {
	if p.Sequence == 0 {
		return record.Ref{}
	}
	return record.Ref{Station: p.Station, Generation: p.Generation, Sequence: p.Sequence, Hash: p.Hash}
}

// createDatabase makes an empty database by temporary file and rename: the
// first write of a database is the one that a power cut can tear.
func createDatabase(d disk, path string) error {
	tmp := path + ".tmp"
	if err := ignoreMissing(os.Remove(tmp)); err != nil {
		return err
	}
	db, err := openBolt(tmp)
	if err != nil {
		return err
	}
	err = db.Update(func(tx *bbolt.Tx) error {
		for _, name := range []string{bucketRecords, bucketIndex, bucketMeta} {
			if _, err := tx.CreateBucket([]byte(name)); err != nil {
				return err
			}
		}
		return beginChain(tx.Bucket([]byte(bucketIndex)))
	})
	if err := errors.Join(err, db.Close()); err != nil {
		return err
	}
	if err := os.Rename(tmp, path); err != nil {
		return err
	}
	return d.SyncDir(filepath.Dir(path))
}

// openBolt opens or makes a database. An existing one must be proven first
// (provePages), so that no damage leads bbolt astray. The settings are those under which no
// power cut lost a commit; a page size of its own keeps files alike on all
// machines, and a list of free pages in order keeps them alike from run to run.
func openBolt(path string) (*bbolt.DB, error) {
	return bbolt.Open(path, fileMode, &bbolt.Options{
		Timeout: 2 * time.Second, FreelistType: bbolt.FreelistArrayType,
		PageSize: pageSize, NoStatistics: true,
	})
}

func readPosition(tx *bbolt.Tx) (position, error) {
	var p position
	b := tx.Bucket([]byte(bucketMeta))
	if b == nil || tx.Bucket([]byte(bucketIndex)) == nil || tx.Bucket([]byte(bucketRecords)) == nil {
		return p, &DamageError{File: databaseName, Offset: -1, What: "a bucket is missing"}
	}
	v := b.Get([]byte(positionKey))
	if v == nil {
		return p, nil
	}
	if err := unseal(v, &p); err != nil {
		return p, &DamageError{File: databaseName, Offset: -1, What: "position: " + err.Error()}
	}
	return p, nil
}

func writePosition(tx *bbolt.Tx, p position) error {
	p.Format = positionFormat
	v, err := seal(p)
	if err != nil {
		return err
	}
	return tx.Bucket([]byte(bucketMeta)).Put([]byte(positionKey), v)
}

// place is where a record stands, as a key that sorts in log order.
type place struct {
	generation uint32
	sequence   uint64
}

const placeSize = 12

func (p place) append(b []byte) []byte {
	b = binary.BigEndian.AppendUint32(b, p.generation)
	return binary.BigEndian.AppendUint64(b, p.sequence)
}

func placeOf(b []byte) place {
	return place{binary.BigEndian.Uint32(b), binary.BigEndian.Uint64(b[4:])}
}

// location is where a record's frame stands in the journal. The database holds
// it, and the record's hash; the record itself stands in its segment only.
type location struct {
	segment        uint32
	offset, length int64 // of the frame, byte
}

const locationSize = 4 + 32 + 4 + 8 + 8

// locationValue returns what the database holds of a record: a check over the
// key and the rest, hash, location.
func locationValue(key []byte, hash record.Hash, l location) []byte {
	b := append(make([]byte, 4, locationSize), hash[:]...)
	b = binary.LittleEndian.AppendUint32(b, l.segment)
	b = binary.LittleEndian.AppendUint64(b, uint64(l.offset))
	b = binary.LittleEndian.AppendUint64(b, uint64(l.length))
	binary.LittleEndian.PutUint32(b, crc(key, b[4:]))
	return b
}

func putRecord(tx *bbolt.Tx, f found) error {
	key := place{f.entry.Ref.Generation, f.entry.Ref.Sequence}.append(nil)
	return tx.Bucket([]byte(bucketRecords)).Put(key, locationValue(key, f.entry.Ref.Hash, f.at))
}

// record returns the record at p, proven to be the one that stands there. hash,
// if not nil, must be its hash.
func (v *view) record(p place, hash *record.Hash) (record.Entry, error) {
	key := p.append(nil)
	value := v.tx.Bucket([]byte(bucketRecords)).Get(key)
	if value == nil {
		return record.Entry{}, ErrNotFound
	}
	damaged := func(what string) (record.Entry, error) {
		return record.Entry{}, &DamageError{File: databaseName, Offset: -1, What: fmt.Sprintf("record %d: %s", p.sequence, what)}
	}
	if len(value) != locationSize || binary.LittleEndian.Uint32(value) != crc(key, value[4:]) {
		return damaged("its place is not what was written")
	}
	var kept record.Hash
	copy(kept[:], value[4:])
	if hash != nil && *hash != kept {
		return damaged("another record stands in its place")
	}
	value = value[4+len(kept):]
	l := location{binary.LittleEndian.Uint32(value), int64(binary.LittleEndian.Uint64(value[4:])), int64(binary.LittleEndian.Uint64(value[12:]))}
	data, err := v.bodies.read(l)
	if err != nil {
		return record.Entry{}, err
	}
	name := journalKind.name(l.segment)
	if record.HashOf(data) != kept {
		return record.Entry{}, &DamageError{File: name, Offset: l.offset, What: fmt.Sprintf("record %d is not the one that was recorded", p.sequence)}
	}
	e, err := record.Decode(data)
	if err != nil {
		return record.Entry{}, &DamageError{File: name, Offset: l.offset, What: err.Error()}
	}
	if e.Ref.Sequence != p.sequence || e.Ref.Generation != p.generation {
		return damaged("another record stands in its place")
	}
	return e, nil
}

// bodies reads records from the segments, for the time of one question.
type bodies struct {
	disk disk
	dir  string
	open map[uint32]*segment
}

func (b *bodies) read(l location) ([]byte, error) {
	s := b.open[l.segment]
	if s == nil {
		var err error
		if s, err = openSegment(b.disk, b.dir, journalKind, l.segment); err != nil {
			if errors.Is(err, os.ErrNotExist) {
				err = &DamageError{File: journalKind.name(l.segment), Offset: -1, What: "the segment is missing"}
			}
			return nil, err
		}
		if b.open == nil {
			b.open = map[uint32]*segment{}
		}
		b.open[l.segment] = s
	}
	content, next, err := readFrame(s, l.offset, l.offset+l.length)
	if noFrame(err) || err == nil && next != l.offset+l.length {
		return nil, &DamageError{File: s.name, Offset: l.offset, What: "a record that was there cannot be read"}
	}
	if err != nil {
		return nil, err
	}
	if content, err = unpackRecord(content); err != nil {
		return nil, &DamageError{File: s.name, Offset: l.offset, What: err.Error()}
	}
	return content, nil
}

func (b *bodies) close() error {
	var err error
	for _, s := range b.open {
		err = errors.Join(err, s.Close())
	}
	b.open = nil
	return err
}
