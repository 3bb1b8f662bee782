package store

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
)

// witnessStep is how many records may be acknowledged before the witness is
// told again; it is always told when a store is opened and when it is closed.
const witnessStep = 32

func (s *Store) witnessPath(m mark) string {
	return filepath.Join(s.witness, m.Store.String()[:32]+".head")
}

// askWitness refuses a log that ends before what the witness remembers, or
// that is not the one it remembers. A later generation is another matter: it
// began where its copy ended, and says so.
func (s *Store) askWitness(p position) error {
	if s.witness == "" {
		return nil
	}
	path := s.witnessPath(mark{Store: p.Store})
	m, err := readMarkFile(s.disk, path)
	if errors.Is(err, os.ErrNotExist) {
		return nil
	}
	if err != nil {
		return err
	}
	damaged := func(what string) error {
		return fmt.Errorf("%w; %s remembers it", &DamageError{File: string(journalKind), Offset: -1, What: what}, path)
	}
	switch {
	case m.Generation > p.Generation:
		return damaged(fmt.Sprintf("an older copy: generation %d of this log was written here, this is generation %d", m.Generation, p.Generation))
	case m.Generation < p.Generation || m.Sequence == 0:
		return nil
	case m.Sequence > p.Sequence:
		return damaged(fmt.Sprintf("an older copy: it ends at record %d, but %d were acknowledged", p.Sequence, m.Sequence))
	}
	err = s.index.look(func(v *view) error {
		_, err := v.record(place{m.Generation, m.Sequence}, &m.Hash)
		return err
	})
	if errors.Is(err, ErrNotFound) || errors.Is(err, ErrDamaged) {
		return damaged(fmt.Sprintf("another copy was written to: record %d is not the one that was acknowledged", m.Sequence))
	}
	return err
}

// tellWitness makes the witness remember what the head file says.
func (s *Store) tellWitness() error {
	if s.witness == "" || s.told == s.marked {
		return nil
	}
	if err := os.MkdirAll(s.witness, dirMode); err != nil {
		return fmt.Errorf("making the folder of the high-water mark: %w", err)
	}
	if err := writeMarkFile(s.disk, s.witnessPath(s.marked), s.marked); err != nil {
		return fmt.Errorf("writing the high-water mark: %w", err)
	}
	s.told = s.marked
	return nil
}
