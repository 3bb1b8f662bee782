package store

import (
	"bytes"
	"fmt"
	"runtime/debug"
	"strings"

	"go.etcd.io/bbolt"
)

// dumpDatabase returns a text of all that a reader could get from a database
// file through bbolt: what scanning, seeking and getting give.
func dumpDatabase(path string) (text string, err error) {
	debug.SetPanicOnFault(true)
	defer func() {
		if p := recover(); p != nil {
			err = fmt.Errorf("panic: %v", p)
		}
	}()
	db, err := bbolt.Open(path, fileMode, &bbolt.Options{ReadOnly: true, NoStatistics: true})
	if err != nil {
		return "", err
	}
	defer db.Close()
	var out strings.Builder
	err = db.View(func(tx *bbolt.Tx) error {
		return tx.ForEach(func(name []byte, b *bbolt.Bucket) error {
			fmt.Fprintf(&out, "%s\n", name)
			c := b.Cursor()
			return b.ForEach(func(k, v []byte) error {
				fmt.Fprintf(&out, "%x %x\n", k, v)
				if !bytes.Equal(b.Get(k), v) {
					fmt.Fprintf(&out, "get gives %x\n", b.Get(k))
				}
				if sk, sv := c.Seek(k); !bytes.Equal(sk, k) || !bytes.Equal(sv, v) {
					fmt.Fprintf(&out, "seek gives %x %x\n", sk, sv)
				}
				return nil
			})
		})
	})
	return out.String(), err
}
