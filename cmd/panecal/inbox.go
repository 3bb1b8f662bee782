package main

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"example.org/panecal/limits/release"
	"example.org/panecal/station"
	"example.org/panecal/store"
	"example.org/panecal/store/record"
)

// inbox takes up the signed files that others put into a station's folder. A
// file is on record before it is moved, and what is on record is not recorded
// again: the record holds the file's bytes.
type inbox struct {
	folder string // beside the store
	keys   release.Keys
	log    interface {
		Append(record.Body) (record.Ref, error)
		BySerial(string) ([]record.Entry, error)
	}
	logger *slog.Logger
	now    func() time.Time

	tell    func(why string) // to the operator, nil for nobody yet
	refused []string         // not told yet: each file and why
}

const (
	partial     = ".part" // ends the name of a file that is still being written
	inboxDone   = "done"
	inboxNot    = "refused"
	inboxReason = ".reason.txt"
	mostAtOnce  = 100             // files taken up in one go
	mostRefused = 1000            // files kept that were refused; then the rest waits
	settled     = 2 * time.Second // how long a file has been left alone before it is read
	inboxEvery  = 5 * time.Second
	longestName = 100
)

// inboxFolder is the inbox of the station that has its store in folder.
func inboxFolder(folder string) string { return filepath.Join(filepath.Dir(folder), "inbox") }

// make makes the folders.
func (b *inbox) make() error {
	for _, name := range []string{b.folder, filepath.Join(b.folder, inboxDone), filepath.Join(b.folder, inboxNot)} {
		if err := os.MkdirAll(name, 0o750); err != nil {
			return fmt.Errorf("making the inbox: %w", err)
		}
	}
	return nil
}

// waiting lists the files that wait, a bounded number of them, oldest names
// first.
func (b *inbox) waiting() ([]string, error) {
	f, err := os.Open(b.folder)
	if err != nil {
		return nil, fmt.Errorf("looking into the inbox: %w", err)
	}
	defer f.Close()
	const most = 10 * mostAtOnce
	names, err := f.Readdirnames(most)
	if err != nil && !errors.Is(err, io.EOF) {
		return nil, fmt.Errorf("looking into the inbox: %w", err)
	}
	names = slices.DeleteFunc(names, func(n string) bool {
		return n == inboxDone || n == inboxNot || strings.HasPrefix(n, ".") || strings.HasSuffix(n, partial)
	})
	slices.Sort(names)
	return names[:min(len(names), mostAtOnce)], nil
}

// takeUp deals with each file that waits. The error is one of the station's
// own: a log that takes no record, a folder that cannot be read.
func (b *inbox) takeUp() error {
	names, err := b.waiting()
	if err != nil {
		return err
	}
	defer b.report()
	for _, name := range names {
		if err := b.take(name); err != nil {
			return fmt.Errorf("taking up %q: %w", name, err)
		}
	}
	return nil
}

func (b *inbox) take(name string) error {
	path := filepath.Join(b.folder, name)
	i, err := os.Lstat(path)
	if errors.Is(err, os.ErrNotExist) {
		return nil
	}
	if err != nil {
		return err
	}
	if age := b.now().Sub(i.ModTime()); age >= 0 && age < settled {
		return nil // whoever copies it here may still be at it
	}
	if !i.Mode().IsRegular() {
		return b.refuse(name, errors.New("it is no file of its own"))
	}
	if i.Size() > release.MaxSigned {
		return b.refuse(name, fmt.Errorf("%d bytes are more than %d", i.Size(), release.MaxSigned))
	}
	f, err := os.Open(path)
	if err != nil {
		return err
	}
	file, err := io.ReadAll(io.LimitReader(f, release.MaxSigned+1))
	if err = errors.Join(err, f.Close()); err != nil {
		return err
	}
	signed, err := release.OpenSigned(file, b.keys)
	if err != nil {
		return b.refuse(name, err)
	}
	if signed.Kind != noteKind {
		return b.refuse(name, fmt.Errorf("a station takes up notes, not files of kind %q", signed.Kind))
	}
	n, err := readNote(signed.Body)
	if err != nil {
		return b.refuse(name, err)
	}
	if err := b.record(&record.Note{Serial: n.Serial, By: signed.Person, Text: n.Text, Signed: file}); err != nil {
		return err
	}
	b.logger.Info("note taken up", "file", name, "serial", n.Serial, "by", signed.Person)
	return b.move(name, inboxDone, file)
}

// record puts a note on record, unless it is there.
func (b *inbox) record(n *record.Note) error {
	past, err := b.log.BySerial(n.Serial)
	if err != nil {
		return err
	}
	for _, e := range past {
		if old, ok := e.Body.(*record.Note); ok && bytes.Equal(old.Signed, n.Signed) {
			return nil
		}
	}
	_, err = b.log.Append(n)
	if errors.Is(err, store.ErrUnknown) {
		_, err = b.log.Append(n) // settles it
	}
	return err
}

// refuse moves a file to the refused, with the reason beside it.
func (b *inbox) refuse(name string, why error) error {
	folder := filepath.Join(b.folder, inboxNot)
	kept, err := os.ReadDir(folder)
	if err != nil {
		return err
	}
	if len(kept) >= 2*mostRefused {
		b.logger.Warn("file not taken up, and no room among the refused", "file", name, "why", why.Error())
		return nil
	}
	b.logger.Warn("file refused", "file", name, "why", why.Error())
	b.refused = append(b.refused, fmt.Sprintf("%q: %v", name, why))
	to := b.free(name, inboxNot)
	if err := os.WriteFile(to+inboxReason, []byte(why.Error()+"\n"), 0o640); err != nil {
		return err
	}
	return os.Rename(filepath.Join(b.folder, name), to)
}

// report tells the operator of what was refused, in one message.
func (b *inbox) report() {
	if b.tell == nil || len(b.refused) == 0 {
		return
	}
	why := b.refused[0]
	if more := len(b.refused) - 1; more > 0 {
		why = fmt.Sprintf("%s; and %d more", why, more)
	}
	b.refused = nil
	b.tell(why)
}

func (b *inbox) move(name, where string, file []byte) error {
	to := b.free(name, where)
	if old, err := os.ReadFile(filepath.Join(b.folder, where, name)); err == nil && bytes.Equal(old, file) {
		to = filepath.Join(b.folder, where, name) // the same file came twice
	}
	return os.Rename(filepath.Join(b.folder, name), to)
}

// free is a name that nothing has yet.
func (b *inbox) free(name, where string) string {
	to := filepath.Join(b.folder, where, name[:min(len(name), longestName)])
	for n := 2; ; n++ {
		if _, err := os.Lstat(to); errors.Is(err, os.ErrNotExist) {
			return to
		}
		to = filepath.Join(b.folder, where, fmt.Sprintf("%d-%s", n, name[:min(len(name), longestName)]))
	}
}

// serve takes up what comes, between units, until ctx ends.
func (b *inbox) serve(ctx context.Context, snapshot func() station.Snapshot) error {
	tick := time.NewTicker(inboxEvery)
	defer tick.Stop()
	for {
		select {
		case <-ctx.Done():
			return nil
		case <-tick.C:
		}
		if busy(snapshot()) {
			continue
		}
		if err := b.takeUp(); err != nil {
			b.logger.Error("taking up what others sent", "error", err)
		}
	}
}

// busy says whether any nest has a unit in hand.
func busy(s station.Snapshot) bool {
	return slices.ContainsFunc(s.Nests, func(n station.NestView) bool {
		switch n.Step {
		case station.Opening, station.Vacant, station.Unlabelled, station.Expected, station.Showing, station.Turned, station.Rejecting, station.Stopped, station.Ended:
			return false
		}
		return true
	})
}
