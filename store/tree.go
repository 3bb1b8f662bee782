package store

import (
	"errors"
	"fmt"
	"io"
	"path/filepath"
	"time"

	"example.org/panecal/store/proof"
)

// treeName is the file with the right edge of the Merkle tree over the records'
// hashes, and how far it has come. It is derived: without it the segments are
// read through once more.
const treeName = "tree"

// treeEvery is after how many records the file is written anew, so that a start
// after a crash has little to read.
const treeEvery = 4096

// treeState is the tree and where in the log it stands.
type treeState struct {
	Tree proof.Tree `json:"tree"`
	Pos  position   `json:"position"`
}

// Checkpoint signs what the log is now, with all that was acknowledged before.
// It returns the sequence of the last record, 0 and no note for an empty log.
// It reads the segments by itself and keeps nobody waiting.
func (s *Store) Checkpoint(secret string, now time.Time) (uint64, []byte, error) {
	var sequence uint64
	var text []byte
	err := s.treeWorker.do(func() error {
		m := s.acknowledged()
		if m.Sequence == 0 {
			return nil
		}
		if err := s.growTree(m); err != nil {
			return err
		}
		p := s.tree.Pos
		c := proof.Checkpoint{Origin: proof.Origin(m.Station, m.Store), Size: s.tree.Tree.Size, Root: s.tree.Tree.Root(),
			Generation: p.Generation, Head: p.Hash, Time: now}
		if m.Start > 0 && m.Start <= p.Sequence {
			c.Start, c.StartHash = m.Start, m.StartHash
		}
		sequence = p.Sequence
		var err error
		text, err = c.Sign(secret)
		return err
	})
	if err != nil {
		return 0, nil, fmt.Errorf("making a checkpoint: %w", err)
	}
	return sequence, text, nil
}

// growTree brings the tree up to m.
func (s *Store) growTree(m mark) error {
	if s.tree.Pos.Segment == 0 {
		if b, err := readAll(s.disk, filepath.Join(s.dir, treeName), 1<<16); err != nil || unseal(b, &s.tree) != nil || s.tree.Pos.Store != m.Store ||
			s.tree.Tree.Size != int64(s.tree.Pos.Sequence) || s.tree.Pos.Sequence > m.Sequence {
			s.tree = treeState{}
		}
		s.treeKept = s.tree.Pos.Sequence
	}
	err := s.walkTree(m)
	if errors.Is(err, errConflict) { // of another log
		s.tree = treeState{}
		err = s.walkTree(m)
	}
	if err == nil && s.tree.Pos.Sequence >= s.treeKept+treeEvery {
		err = s.keepTree()
	}
	return err
}

func (s *Store) walkTree(m mark) error {
	w := walk{disk: s.disk, dir: s.dir, pos: s.tree.Pos}
	w.limit.segment, w.limit.end = m.Journal, m.JournalEnd
	for {
		e, _, err := w.skim()
		if errors.Is(err, errStepped) {
			continue
		}
		if err == nil && int64(e.Ref.Sequence) != s.tree.Tree.Size+1 {
			err = w.damaged(fmt.Sprintf("record %d stands where %d should", e.Ref.Sequence, s.tree.Tree.Size+1))
		}
		if err != nil {
			if errors.Is(err, io.EOF) {
				err = nil
			}
			return errors.Join(err, w.close())
		}
		s.tree.Tree.Add(e.Ref.Hash)
		s.tree.Pos = w.pos
	}
}

func (s *Store) keepTree() error {
	b, err := seal(s.tree)
	if err == nil {
		err = replaceUnsynced(s.disk, filepath.Join(s.dir, treeName), b)
	}
	if err == nil {
		s.treeKept = s.tree.Pos.Sequence
	}
	return err
}

// endTree ends the worker and keeps what it came to; what is not kept costs
// time and nothing else.
func (s *Store) endTree() {
	s.treeWorker.close()
	if s.tree.Pos.Sequence > s.treeKept {
		_ = s.keepTree()
	}
}

// Origin names the log as its checkpoints do.
func (s *Store) Origin() string {
	m := s.acknowledged()
	return proof.Origin(m.Station, m.Store)
}

// StationOf names the station whose log is in dir.
func StationOf(dir string) (string, error) {
	m, err := readMark(osDisk{}, dir)
	if err != nil {
		return "", fmt.Errorf("reading whose log %s is: %w", dir, err)
	}
	return m.Station, nil
}

// OriginOf names the log in dir as its checkpoints do.
func OriginOf(dir string) (string, error) {
	m, err := readMark(osDisk{}, dir)
	if err != nil {
		return "", fmt.Errorf("reading which log %s is: %w", dir, err)
	}
	return proof.Origin(m.Station, m.Store), nil
}
