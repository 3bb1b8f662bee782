package store

import (
	"crypto/sha256"
	"io"
	"sync"

	"example.org/panecal/store/record"
)

// digest returns the SHA-256 of a file.
func digest(f file) (h record.Hash, err error) {
	size, err := f.Size()
	if err != nil {
		return h, err
	}
	sum := sha256.New()
	if _, err := io.Copy(sum, io.NewSectionReader(f, 0, size)); err != nil {
		return h, err
	}
	sum.Sum(h[:0])
	return h, nil
}

// digests are those of derived files that no segment names yet.
type digests struct {
	mu   sync.Mutex
	list map[string]record.Hash
}

func (d *digests) add(name string, h record.Hash) {
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.list == nil {
		d.list = map[string]record.Hash{}
	}
	d.list[name] = h
}

// take returns what the next segment is to name.
func (d *digests) take() map[string]record.Hash {
	d.mu.Lock()
	defer d.mu.Unlock()
	list := d.list
	d.list = nil
	return list
}
