package store

import (
	"bytes"
	"errors"

	"go.etcd.io/bbolt"
)

// provenAtStart is how many of the newest records a start looks up again. A
// disk that reordered or lost the last writes of the database may have mixed
// pages of two commits into a file whose every page and every entry is right:
// it holds the new position and the old entries. What such a mixture lacks was
// written last.
const provenAtStart = 32

// newestStand proves that the newest records stand in the database, under each
// key that they are filed under.
func (v *view) newestStand() error {
	entries := v.tx.Bucket([]byte(bucketIndex))
	c := v.tx.Bucket([]byte(bucketRecords)).Cursor()
	key, _ := c.Last()
	if v.pos.Sequence > 0 && !bytes.Equal(key, (place{v.pos.Generation, v.pos.Sequence}).append(nil)) {
		return missing(v.pos.Sequence)
	}
	for n := 0; key != nil && n < provenAtStart; n++ {
		e, err := v.record(placeOf(key), nil)
		d := (*DamageError)(nil)
		if errors.As(err, &d) && d.File != databaseName { // no fault of the database
			key, _ = c.Prev()
			continue
		}
		if err != nil {
			return err
		}
		for _, k := range indexKeys(e) {
			if err := filed(entries, k); err != nil {
				return err
			}
		}
		key, _ = c.Prev()
	}
	return nil
}

// filed proves that key is an entry, and that the one before leads to it.
func filed(b *bbolt.Bucket, key []byte) error {
	c := b.Cursor()
	if found, v := c.Seek(key); !bytes.Equal(found, key) {
		return broken("an entry of a new record is missing")
	} else if _, _, err := chainEntry(found, v); err != nil {
		return err
	}
	before, v := c.Prev()
	if _, next, err := chainEntry(before, v); err != nil {
		return err
	} else if !bytes.Equal(next, key) {
		return broken("an entry is missing")
	}
	return nil
}
