package inbox

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
	"example.org/panecal/station/decision"
	"example.org/panecal/store/record"
)

// Inbox takes up the signed files that others put into a station's folder. A
// file is on record before it is moved, and what is on record is not recorded
// again: the record holds the file's bytes. It belongs to one goroutine.
type Inbox struct {
	o       Options
	refused []string                    // not told yet: each file and why
	changed []*record.DispositionChange // not told yet: what was decided, and is on record
}

// Station is what an inbox needs of the station that runs; *runner.Runner is
// one. Its methods may be called from any goroutine.
type Station interface {
	Snapshot() station.Snapshot

	// Append puts a record into the log. When it returns nil, the record
	// survives a power cut.
	Append(record.Body) (record.Ref, error)

	// Refused tells the operator why a file was not taken up.
	Refused(why string)

	// Disposed tells what was decided about units, which is on record.
	Disposed([]*record.DispositionChange)
}

// Options are what an inbox needs; Release, Decide and Due may be nil.
type Options struct {
	Folder  string // beside the store
	Keys    release.Keys
	Station Station
	Past    station.Past
	Logger  *slog.Logger
	Now     func() time.Time

	// Release deals with a released file, name.toml: refused says why it is not
	// taken, err that the station could not. nil: such files stay where they are.
	Release func(name string, data []byte) (told string, refused, err error)
	// Decide carries out a decision about units, name.decision, and says what it
	// changed; of the rest as Release. nil: such files stay where they are.
	Decide func(data []byte) (done decision.Done, refused, err error)
	// Due takes up what has waited until now. nil: nothing waits.
	Due func() error
}

// releasedEnd ends the name of a released file.
const releasedEnd = ".toml"

const (
	// Unfinished ends the name of a file that is still being written.
	Unfinished = ".part"
	// RefusedFolder holds, inside an inbox, what was not taken up, each file
	// with its reason beside it.
	RefusedFolder = "refused"

	doneFolder  = "done"
	reasonEnd   = ".reason.txt"
	mostAtOnce  = 100             // files taken up in one go
	mostRefused = 1000            // files kept that were refused; then the rest waits
	leftAlone   = 2 * time.Second // how long a file has been left alone before it is read
	every       = 5 * time.Second
	longestName = 100
)

// New is the inbox in a folder; nothing is done yet.
func New(o Options) *Inbox { return &Inbox{o: o} }

// Make makes the inbox's folders where they are missing.
func (b *Inbox) Make() error {
	for _, name := range []string{b.o.Folder, filepath.Join(b.o.Folder, doneFolder), filepath.Join(b.o.Folder, RefusedFolder)} {
		if err := os.MkdirAll(name, 0o750); err != nil {
			return fmt.Errorf("making the inbox: %w", err)
		}
	}
	return nil
}

// LookInto counts, in an inbox of somebody else's, the files that wait (a
// bounded number of them) and those that were refused. It changes nothing; an
// inbox that was never made is an fs.ErrNotExist.
func LookInto(folder string) (waiting, refused int, err error) {
	names, err := listWaiting(folder)
	if err != nil {
		return 0, 0, err
	}
	not, err := os.ReadDir(filepath.Join(folder, RefusedFolder))
	if err != nil && !errors.Is(err, os.ErrNotExist) {
		return 0, 0, fmt.Errorf("looking into the inbox: %w", err)
	}
	for _, e := range not {
		if strings.HasSuffix(e.Name(), reasonEnd) {
			refused++
		}
	}
	return len(names), refused, nil
}

// listWaiting lists the files that wait, a bounded number of them, oldest names
// first.
func listWaiting(folder string) ([]string, error) {
	f, err := os.Open(folder)
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
		return n == doneFolder || n == RefusedFolder || strings.HasPrefix(n, ".") || strings.HasSuffix(n, Unfinished)
	})
	slices.Sort(names)
	return names[:min(len(names), mostAtOnce)], nil
}

// TakeUp deals with each file that waits. The error is one of the station's
// own: a log that takes no record, a folder that cannot be read.
func (b *Inbox) TakeUp() error {
	names, err := listWaiting(b.o.Folder)
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

func (b *Inbox) take(name string) error {
	path := filepath.Join(b.o.Folder, name)
	i, err := os.Lstat(path)
	if errors.Is(err, os.ErrNotExist) {
		return nil
	}
	if err != nil {
		return err
	}
	age := b.o.Now().Sub(i.ModTime())
	young := age >= 0 && age < leftAlone
	if young && !strings.HasSuffix(name, decision.Ending) {
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
	if strings.HasSuffix(name, releasedEnd) {
		return b.release(name, file)
	}
	if strings.HasSuffix(name, decision.Ending) {
		return b.decide(name, file, young)
	}
	signed, err := release.OpenSigned(file, b.o.Keys)
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
	b.o.Logger.Info("note taken up", "file", name, "serial", n.Serial, "by", signed.Person)
	return b.move(name, doneFolder, file)
}

// release hands a released file on.
func (b *Inbox) release(name string, file []byte) error {
	if b.o.Release == nil {
		return nil
	}
	told, refused, err := b.o.Release(name, file)
	if err != nil {
		return err
	}
	if refused != nil {
		return b.refuse(name, refused)
	}
	b.o.Logger.Info("released file taken up", "file", name, "what", told)
	return b.move(name, doneFolder, file)
}

// decide has a decision carried out. One that is whole is taken at once; one that
// is not may still be copied while it is young.
func (b *Inbox) decide(name string, file []byte, young bool) error {
	if b.o.Decide == nil {
		return nil
	}
	done, refused, err := b.o.Decide(file)
	b.changed = append(b.changed, done.Changes...)
	if err != nil {
		return err
	}
	if refused != nil && young {
		return nil
	}
	if refused != nil {
		return b.refuse(name, refused)
	}
	b.o.Logger.Info("decision taken up", "file", name, "what", done.Told, "left", done.Left)
	return b.move(name, doneFolder, file)
}

// record puts a note on record, unless it is there.
func (b *Inbox) record(n *record.Note) error {
	past, err := b.o.Past.BySerial(n.Serial)
	if err != nil {
		return err
	}
	for _, e := range past {
		if old, ok := e.Body.(*record.Note); ok && bytes.Equal(old.Signed, n.Signed) {
			return nil
		}
	}
	_, err = b.o.Station.Append(n)
	return err
}

// refuse moves a file to the refused, with the reason beside it.
func (b *Inbox) refuse(name string, why error) error {
	folder := filepath.Join(b.o.Folder, RefusedFolder)
	kept, err := os.ReadDir(folder)
	if err != nil {
		return err
	}
	if len(kept) >= 2*mostRefused {
		b.o.Logger.Warn("file not taken up, and no room among the refused", "file", name, "why", why.Error())
		return nil
	}
	b.o.Logger.Warn("file refused", "file", name, "why", why.Error())
	b.refused = append(b.refused, fmt.Sprintf("%q: %v", name, why))
	to := b.free(name, RefusedFolder)
	if err := os.WriteFile(to+reasonEnd, []byte(why.Error()+"\n"), 0o640); err != nil {
		return err
	}
	return os.Rename(filepath.Join(b.o.Folder, name), to)
}

// report tells the station what was decided, and the operator of what was
// refused, in one message.
func (b *Inbox) report() {
	if len(b.changed) > 0 {
		b.o.Station.Disposed(b.changed)
		b.changed = nil
	}
	if len(b.refused) == 0 {
		return
	}
	why := b.refused[0]
	if more := len(b.refused) - 1; more > 0 {
		why = fmt.Sprintf("%s; and %d more", why, more)
	}
	b.refused = nil
	b.o.Station.Refused(why)
}

func (b *Inbox) move(name, where string, file []byte) error {
	to := b.free(name, where)
	if old, err := os.ReadFile(filepath.Join(b.o.Folder, where, name)); err == nil && bytes.Equal(old, file) {
		to = filepath.Join(b.o.Folder, where, name) // the same file came twice
	}
	return os.Rename(filepath.Join(b.o.Folder, name), to)
}

// free is a name that nothing has yet.
func (b *Inbox) free(name, where string) string {
	to := filepath.Join(b.o.Folder, where, name[:min(len(name), longestName)])
	for n := 2; ; n++ {
		if _, err := os.Lstat(to); errors.Is(err, os.ErrNotExist) {
			return to
		}
		to = filepath.Join(b.o.Folder, where, fmt.Sprintf("%d-%s", n, name[:min(len(name), longestName)]))
	}
}

// Serve takes up what comes, between units, until ctx ends.
func (b *Inbox) Serve(ctx context.Context) error {
	tick := time.NewTicker(every)
	defer tick.Stop()
	for {
		select {
		case <-ctx.Done():
			return nil
		case <-tick.C:
		}
		if busy(b.o.Station.Snapshot()) {
			continue
		}
		if err := b.TakeUp(); err != nil {
			b.o.Logger.Error("taking up what others sent", "error", err)
		}
		if b.o.Due != nil {
			if err := b.o.Due(); err != nil {
				b.o.Logger.Error("taking up files that have waited", "error", err)
			}
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
