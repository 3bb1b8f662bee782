package store

import (
	"fmt"
	"path/filepath"

	"example.org/panecal/store/record"
)

// mark is the content of the file head: what was acknowledged, and where the
// segments ended then. It is written after the segments are synced, so it
// never promises more than is there; it may lag by what was acknowledged
// within the last moments before a crash.
type mark struct {
	Schema         string      `json:"schema"`
	Store          record.Hash `json:"store"`
	Station        string      `json:"station"`
	Generation     uint32      `json:"generation"`
	Sequence       uint64      `json:"sequence"`
	Hash           record.Hash `json:"hash"`
	Journal        uint32      `json:"journal"`     // number of the last segment
	JournalEnd     int64       `json:"journal_end"` // byte
	CaptureSegment uint32      `json:"capture"`
	CaptureEnd     int64       `json:"capture_end"`
	// Copy says that the store is a copy: it is read, and only the next
	// generation of the log may follow from it.
	Copy bool `json:"copy,omitempty"`
	// Memory is the folder outside the store that remembers the log, Path and
	// Host where the store was when it last was told: only there is it missed.
	Memory string `json:"memory,omitempty"`
	Path   string `json:"path,omitempty"`
	Host   string `json:"host,omitempty"`
	// The record that the last run of the station began with, and where its frame
	// ends: two logs that went on from one record differ in it.
	Start        uint64      `json:"start,omitempty"`
	StartHash    record.Hash `json:"start_hash,omitzero"`
	StartJournal uint32      `json:"start_journal,omitempty"`
	StartEnd     int64       `json:"start_end,omitempty"`
}

// forked says that the log went on without the run of the station that m tells
// of: head is its last record, got the one at the place where that run began.
func (m mark) forked(head, got record.Ref) bool {
	return m.Start > 0 && m.Generation == head.Generation && m.Start <= head.Sequence && got.Sequence == m.Start && got.Hash != m.StartHash
}

// forkText says it in words.
func (m mark) forkText(who string) string {
	return fmt.Sprintf("two logs go on under one name: record %d began a run of the station that this log does not have, it went on to record %d elsewhere (%s); up to record %d both may be the same",
		m.Start, m.Sequence, who, m.Start-1)
}

const (
	markName   = "head"
	markSchema = "panecal.head/1"
)

// writeMark does not sync the directory: a power cut may bring the mark before
// back, which promises less and is as true.
func writeMark(d disk, dir string, m mark) error {
	return writeMarkFile(d, filepath.Join(dir, markName), m)
}

func writeMarkFile(d disk, path string, m mark) error {
	m.Schema = markSchema
	b, err := seal(m)
	if err != nil {
		return err
	}
	return replaceUnsynced(d, path, b)
}

// readMark reads the head file; one that is not what was written is damage.
func readMark(d disk, dir string) (mark, error) {
	return readMarkFile(d, filepath.Join(dir, markName))
}

func readMarkFile(d disk, path string) (mark, error) {
	b, err := readAll(d, path, 1<<16)
	if err != nil {
		return mark{}, err
	}
	damaged := func(what string) (mark, error) {
		return mark{}, &DamageError{File: filepath.Base(path), Offset: -1, What: what}
	}
	var m mark
	if err := unseal(b, &m); err != nil {
		return damaged(err.Error())
	}
	if m.Schema != markSchema {
		return damaged("schema " + m.Schema)
	}
	return m, nil
}
