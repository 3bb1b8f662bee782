package inbox

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"example.org/panecal/limits/guard"
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
	last    string                      // the file that was dealt with last
	failed  string                      // the file at which the station's own error came
	kept    int                         // entries among the refused
	told    map[string]string           // why a file stays in the inbox, as it was told
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
	Name    string // of the station
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

// Know lets other people's keys count from the next file on. Only what takes files
// up may call it: Options.Release and Options.Due.
func (b *Inbox) Know(keys release.Keys) { b.o.Keys = keys }

// LookInto counts, in an inbox of somebody else's, the files that wait (a
// bounded number of them) and those that were refused. It changes nothing; an
// inbox that was never made is an fs.ErrNotExist.
func LookInto(folder string) (waiting, refused int, err error) {
	names, err := listWaiting(folder, "")
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

// listWaiting lists the names of files that wait, a bounded number of them: those
// that follow after in order, and from the beginning again once there are none.
// Whoever asks from where the last list ended comes round to each, however many
// stay where they are.
func listWaiting(folder, after string) ([]string, error) {
	f, err := os.Open(folder)
	if err != nil {
		return nil, fmt.Errorf("looking into the inbox: %w", err)
	}
	defer f.Close()
	var next, first []string
	for {
		names, err := f.Readdirnames(10 * mostAtOnce)
		for _, n := range names {
			switch {
			case n == doneFolder || n == RefusedFolder || strings.HasPrefix(n, ".") || strings.HasSuffix(n, Unfinished):
			case n > after:
				next = append(next, n)
			default:
				first = append(first, n)
			}
		}
		next, first = foremost(next), foremost(first)
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return nil, fmt.Errorf("looking into the inbox: %w", err)
		}
	}
	all := append(next, first...)
	return all[:min(len(all), mostAtOnce)], nil
}

// foremost keeps the first names in order, as many as are taken up in one go.
func foremost(names []string) []string {
	slices.Sort(names)
	return names[:min(len(names), mostAtOnce)]
}

// TakeUp deals with files that wait, some at a time, each in its turn. What is
// wrong with one file holds up that file alone: it is said, once, and tried again
// when its turn comes. The error is one of the station's own: a log that takes no
// record, a folder that cannot be read.
func (b *Inbox) TakeUp() error {
	names, err := listWaiting(b.o.Folder, b.last)
	if err != nil {
		return err
	}
	b.kept, err = b.count()
	if err != nil && !errors.Is(err, os.ErrNotExist) {
		b.o.Logger.Warn("looking at what was refused", "error", err)
	}
	if len(b.told) >= mostRefused {
		maps.DeleteFunc(b.told, func(name, _ string) bool {
			_, err := os.Lstat(filepath.Join(b.o.Folder, name))
			return err != nil
		})
	}
	defer b.report()
	for _, name := range names {
		err := b.take(name)
		stays := (*stayed)(nil)
		if err != nil && !errors.As(err, &stays) {
			// It goes first the next time, and makes room for others after that.
			if b.failed == name {
				b.last = name
			}
			b.failed = name
			return fmt.Errorf("taking up %q: %w", name, err)
		}
		b.last, b.failed = name, ""
		if stays != nil {
			b.stay(name, stays.err)
		} else {
			delete(b.told, name)
		}
	}
	return nil
}

// stayed says why a file stays where it is.
type stayed struct{ err error }

func (s *stayed) Error() string { return s.err.Error() }

// stay tells of a file that stays in the inbox, once; and of no more of them when
// a great many do.
func (b *Inbox) stay(name string, why error) {
	if b.told[name] == why.Error() || len(b.told) >= mostRefused {
		return
	}
	if b.told == nil {
		b.told = map[string]string{}
	}
	b.told[name] = why.Error()
	b.o.Logger.Warn("file stays in the inbox", "file", name, "why", why.Error())
	b.refused = append(b.refused, fmt.Sprintf("%q stays in the inbox: %v", name, why))
}

func (b *Inbox) take(name string) error {
	path := filepath.Join(b.o.Folder, name)
	i, err := os.Lstat(path)
	if errors.Is(err, os.ErrNotExist) {
		return nil
	}
	if err != nil {
		return &stayed{err}
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
	file, err := readWaiting(path)
	if err != nil {
		return &stayed{err}
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
	if n.Station != b.o.Name {
		return b.refuse(name, fmt.Errorf("it is for station %q, this is %q", n.Station, b.o.Name))
	}
	if err := b.record(&record.Note{Serial: n.Serial, By: signed.Person, Text: n.Text, Signed: file}, signed); err != nil {
		return err
	}
	b.o.Logger.Info("note taken up", "file", name, "serial", n.Serial, "by", signed.Person)
	return b.move(name, doneFolder, file)
}

// readWaiting reads a file that others may exchange meanwhile.
func readWaiting(path string) ([]byte, error) {
	f, err := guard.Open(path, os.O_RDONLY, 0)
	if err != nil {
		return nil, err
	}
	file, err := io.ReadAll(io.LimitReader(f, release.MaxSigned+1))
	return file, errors.Join(err, f.Close())
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

// record puts a note on record, unless it is there: the same message is the same
// note, whatever the bytes around it.
func (b *Inbox) record(n *record.Note, said release.Signed) error {
	past, err := b.o.Past.BySerial(n.Serial)
	if err != nil {
		return err
	}
	for _, e := range past {
		if old, ok := e.Body.(*record.Note); ok && said.Same(old.Signed) {
			return nil
		}
	}
	_, err = b.o.Station.Append(n)
	return err
}

// refuse moves a file to the refused, with the reason beside it.
func (b *Inbox) refuse(name string, why error) error {
	if b.kept >= 2*mostRefused {
		return &stayed{fmt.Errorf("%w; and %s holds %d files, as many as are kept: look at them and take them away", why, RefusedFolder, mostRefused)}
	}
	to := b.free(name, RefusedFolder)
	if err := os.WriteFile(to+reasonEnd, []byte(why.Error()+"\n"), 0o640); err != nil {
		return &stayed{fmt.Errorf("%w; and it cannot be moved: %w", why, err)}
	}
	if err := os.Rename(filepath.Join(b.o.Folder, name), to); err != nil {
		return &stayed{fmt.Errorf("%w; and it cannot be moved: %w", why, errors.Join(err, os.Remove(to+reasonEnd)))}
	}
	b.o.Logger.Warn("file refused", "file", name, "why", why.Error())
	b.refused = append(b.refused, fmt.Sprintf("%q: %v", name, why))
	b.kept += 2
	return nil
}

// count counts what lies among the refused, as far as it matters: each file with
// its reason.
func (b *Inbox) count() (int, error) {
	f, err := os.Open(filepath.Join(b.o.Folder, RefusedFolder))
	if err != nil {
		return 0, err
	}
	defer f.Close()
	kept, err := f.Readdirnames(2 * mostRefused)
	if errors.Is(err, io.EOF) {
		err = nil
	}
	return len(kept), err
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
	if old, err := readWaiting(filepath.Join(b.o.Folder, where, name)); err == nil && bytes.Equal(old, file) {
		to = filepath.Join(b.o.Folder, where, name) // the same file came twice
	}
	if err := os.Rename(filepath.Join(b.o.Folder, name), to); err != nil {
		return &stayed{fmt.Errorf("it was taken up, and cannot be moved: %w", err)}
	}
	return nil
}

// free is a name that nothing has yet.
func (b *Inbox) free(name, where string) string {
	to := filepath.Join(b.o.Folder, where, name[:min(len(name), longestName)])
	for n := 2; ; n++ {
		if _, err := os.Lstat(to); err != nil { // not there; what else is wrong, the move will tell
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
