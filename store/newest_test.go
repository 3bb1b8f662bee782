package store_test

import (
	"bytes"
	"os"
	"path/filepath"
	"testing"

	"go.etcd.io/bbolt"
)

// A disk that lost some of the last writes may leave a database whose pages are
// all right, with the newest position and older entries: they are made anew.
func TestDatabaseOfTwoCommits(t *testing.T) {
	for _, bucket := range []string{"index", "records"} {
		t.Run(bucket, func(t *testing.T) {
			dir := create(t)
			path := filepath.Join(dir, "log.db")
			for _, text := range []string{"first", "second"} {
				s := open(t, dir)
				if _, err := s.Append(note("A", text)); err != nil {
					t.Fatal(err)
				}
				if err := s.Close(); err != nil {
					t.Fatal(err)
				}
				if text == "first" {
					data, err := os.ReadFile(path)
					if err != nil {
						t.Fatal(err)
					}
					if err := os.WriteFile(path+".old", data, 0o640); err != nil {
						t.Fatal(err)
					}
				}
			}
			putBack(t, path+".old", path, bucket)
			s := open(t, dir)
			defer s.Close()
			list, err := s.BySerial("A")
			if err != nil || len(list) != 2 {
				t.Errorf("%d records of A (%v), 2 were appended", len(list), err)
			}
		})
	}
}

// putBack gives a bucket the entries that it has in an older database.
func putBack(t *testing.T, from, to, bucket string) {
	t.Helper()
	old, err := bbolt.Open(from, 0o640, &bbolt.Options{ReadOnly: true})
	if err != nil {
		t.Fatal(err)
	}
	defer old.Close()
	db, err := bbolt.Open(to, 0o640, nil)
	if err != nil {
		t.Fatal(err)
	}
	defer db.Close()
	err = db.Update(func(tx *bbolt.Tx) error {
		if err := tx.DeleteBucket([]byte(bucket)); err != nil {
			return err
		}
		b, err := tx.CreateBucket([]byte(bucket))
		if err != nil {
			return err
		}
		return old.View(func(was *bbolt.Tx) error {
			return was.Bucket([]byte(bucket)).ForEach(func(k, v []byte) error { return b.Put(bytes.Clone(k), bytes.Clone(v)) })
		})
	})
	if err != nil {
		t.Fatal(err)
	}
}
