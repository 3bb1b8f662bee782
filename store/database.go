package store

import (
	"bytes"
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
	bucketRecords = "records" // generation, sequence → hash, record
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
// machines.
func openBolt(path string) (*bbolt.DB, error) {
	return bbolt.Open(path, fileMode, &bbolt.Options{
		Timeout: 2 * time.Second, FreelistType: bbolt.FreelistMapType,
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

func putRecord(tx *bbolt.Tx, e record.Entry, data []byte) error {
	v := make([]byte, 0, len(e.Ref.Hash)+len(data))
	v = append(append(v, e.Ref.Hash[:]...), data...)
	return tx.Bucket([]byte(bucketRecords)).Put(place{e.Ref.Generation, e.Ref.Sequence}.append(nil), v)
}

// getRecord returns the record at p: a copy, proven to be the one that stands
// there. hash, if not nil, must be its hash.
func getRecord(tx *bbolt.Tx, p place, hash *record.Hash) (record.Entry, []byte, error) {
	v := tx.Bucket([]byte(bucketRecords)).Get(p.append(nil))
	if v == nil {
		return record.Entry{}, nil, ErrNotFound
	}
	damaged := func(what string) (record.Entry, []byte, error) {
		return record.Entry{}, nil, &DamageError{File: databaseName, Offset: -1, What: fmt.Sprintf("record %d: %s", p.sequence, what)}
	}
	var kept record.Hash
	if len(v) < len(kept) {
		return damaged("cut short")
	}
	copy(kept[:], v)
	data := bytes.Clone(v[len(kept):])
	if record.HashOf(data) != kept || hash != nil && *hash != kept {
		return damaged("not the bytes that were recorded")
	}
	e, err := record.Decode(data)
	if err != nil {
		return damaged(err.Error())
	}
	if e.Ref.Sequence != p.sequence || e.Ref.Generation != p.generation {
		return damaged("another record stands in its place")
	}
	return e, data, nil
}
