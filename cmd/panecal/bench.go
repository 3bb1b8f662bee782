package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"os"
	"path/filepath"
	"sync"
	"syscall"
	"time"

	"github.com/adrg/xdg"

	"example.org/panecal/limits/release"
	"example.org/panecal/station"
	"example.org/panecal/station/product"
	"example.org/panecal/station/runner"
	"example.org/panecal/store"
	"example.org/panecal/store/record"
)

// bench is a station made ready: its store held, its runner set up.
type bench struct {
	store   *store.Store
	runner  *runner.Runner
	files   catalogue
	logger  io.Closer
	crashes *crashes
	inbox   *inbox // nil where nobody's key is known

	mu    sync.Mutex
	force *station.Files // in force, as far as scans have decided
}

// benchOptions are what the commands that run a station differ in.
type benchOptions struct {
	config    configuration
	folder    string // of the store
	files     catalogue
	first     *station.Files // in force at the start
	purpose   station.Purpose
	operator  string
	workOrder string
	lot       string
	handsTime time.Duration
	onVerdict func(station.Verdict)
	command   string
	shift     shiftConfig // zero where nobody stands at the station
	record    string      // file that keeps what goes over the lines, "" for none
	temporary bool        // nothing outside the folder remembers the store
}

// lookBack is how far the log is read at the start for stops that are in
// force and verdicts that nobody saw: longer than any holiday of a line.
const lookBack = 30 * 24 * time.Hour

func newBench(o benchOptions) (*bench, error) {
	if err := enoughFiles(); err != nil {
		return nil, refusedError(err)
	}
	reserve, err := room(filepath.Dir(o.folder))
	if err != nil {
		return nil, refusedError(err)
	}
	witness := witnessFolder()
	if o.temporary {
		witness = ""
	}
	caught := &crashes{folder: filepath.Dir(o.folder)}
	s, err := store.Open(o.folder, store.Options{Station: o.config.Station, Command: o.command, Reserve: reserve, Witness: witness, Panicked: caught.caught})
	if err != nil {
		return nil, openError(o.folder, err)
	}
	b := &bench{store: s, files: o.files, force: o.first, crashes: caught}
	if err := b.setUp(o); err != nil {
		return nil, errors.Join(err, b.close())
	}
	return b, nil
}

// openError tells why a station may not write to a store, and what to do.
func openError(folder string, err error) error {
	switch {
	case errors.Is(err, store.ErrNoStore):
		return refusedError(fmt.Errorf("no store at %s: run `panecal init` first, or name its folder with --data", folder))
	case errors.Is(err, store.ErrHeld):
		return refusedError(fmt.Errorf("%w: end that one, or wait for it", err))
	case errors.Is(err, store.ErrCopy):
		return refusedError(fmt.Errorf("%w: `panecal init --continues %s` makes it", err, folder))
	case errors.Is(err, store.ErrNewer):
		return refusedError(fmt.Errorf("%w: use a program as new as that one; this one may read it", err))
	case errors.Is(err, store.ErrDamaged):
		return refusedError(fmt.Errorf("%w: keep the folder as it is; `panecal log check` shows what is wrong, `panecal log rebuild` saves what is left", err))
	case errors.Is(err, syscall.EROFS), errors.Is(err, os.ErrPermission):
		return fmt.Errorf("%w: a station must be able to write there; commands that read need not", err)
	}
	return err
}

// witnessFolder is where this computer remembers how far each log was written,
// apart from any store, whose folder may be put back as it was a week ago.
func witnessFolder() string { return filepath.Join(xdg.StateHome, "panecal", "witness") }

func (b *bench) setUp(o benchOptions) error {
	logger, closer, err := openLog()
	if err != nil {
		return err
	}
	b.logger = closer
	remade, err := b.store.Remade()
	if err != nil {
		return err
	}
	for _, what := range remade {
		logger.Warn("derived file made anew", "what", what)
		fmt.Fprintln(os.Stderr, "panecal: the log:", what)
	}
	var recent []record.Entry
	now := time.Now()
	err = b.store.Between(now.Add(-lookBack), now.Add(time.Hour), func(e record.Entry) error {
		recent = append(recent, e)
		return nil
	})
	if err != nil {
		return fmt.Errorf("reading the newest records: %w", err)
	}
	if err := b.takeUp(recent); err != nil {
		return err
	}
	if err := b.openInbox(o, logger); err != nil {
		return err
	}
	bridge, err := o.config.bridge(o.first.Sheet.Nests)
	if err != nil {
		return err
	}
	records, err := newLineRecords(o.record, o.first.Sheet.Nests)
	if err != nil {
		return err
	}
	b.runner, err = runner.New(station.Config{
		Station: o.config.Station, Purpose: o.purpose, Files: o.first, Operator: o.operator,
		Software: version, WorkOrder: o.workOrder, Lot: o.lot, Recent: recent, HandsTime: o.handsTime,
		SameInARow: o.shift.sameInARow, CheckEvery: o.shift.checkEvery, CheckUnits: o.shift.checkUnits, Bridge: bridge,
	}, runner.Options{
		Dial: dialer{time.Duration(o.config.GraceMS) * time.Millisecond, func() product.Line { return b.inForce().Product.Line }, b.crashes.caught, records},
		Log:  b.store, Past: b.store, OnVerdict: o.onVerdict, Panicked: b.crashes.caught, Logger: logger,
	})
	if err != nil {
		return fmt.Errorf("setting up the station: %w", err)
	}
	if b.inbox != nil {
		b.inbox.tell = b.runner.Refused
		b.inbox.report()
	}
	return nil
}

// openInbox makes the inbox, and takes up what came while nobody was here.
func (b *bench) openInbox(o benchOptions, logger *slog.Logger) error {
	known, err := readPeople(o.config)
	if err != nil || known == nil {
		return err
	}
	b.inbox = &inbox{folder: inboxFolder(o.folder), keys: known, log: b.store, logger: logger, now: time.Now}
	if err := errors.Join(b.inbox.make(), b.inbox.takeUp()); err != nil {
		logger.Error("taking up what others sent", "error", err) // units can be made all the same
	}
	return nil
}

// takeUp puts every released file that this station may use on record, with
// its bytes, so that the revision that an old attempt names can be read years
// later. A file that the newest records hold already is not repeated.
func (b *bench) takeUp(recent []record.Entry) error {
	known := map[string]bool{}
	for _, e := range recent {
		if t, ok := e.Body.(*record.ReleaseTaken); ok {
			known[t.Document+t.Revision.Rev] = true
		}
	}
	take := func(name string, d release.Document) error {
		if known[document(d.Kind)+d.Revision] {
			return nil
		}
		known[document(d.Kind)+d.Revision] = true
		_, err := b.store.Append(&record.ReleaseTaken{
			Document: document(d.Kind), Revision: record.Revision{Name: name, Rev: d.Revision, Signed: d.Signed},
			Author: d.Author, Approver: d.Approver, Reason: d.Reason, Effective: d.Effective, Bytes: d.Canonical,
		})
		if err != nil {
			return fmt.Errorf("recording which files are in force: %w", err)
		}
		return nil
	}
	for _, f := range b.files {
		err := errors.Join(take(f.Product.Name, f.Product.Document), take(f.Limits.Product, f.Limits.Document), take(f.Sheet.Station, f.Sheet.Document))
		if err != nil {
			return err
		}
	}
	return nil
}

// document is what a record calls a kind of released file.
func document(kind string) string {
	if kind == product.SheetKind {
		return "sheet"
	}
	return kind
}

func (b *bench) inForce() *station.Files {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.force
}

// scan hands a label to the station, after the files of its product where it
// is of another one than the last.
func (b *bench) scan(nest int, text string) {
	if f, ok := b.files.of(text); ok && f != b.inForce() {
		b.mu.Lock()
		b.force = f
		b.mu.Unlock()
		b.runner.TakeUp(f)
	}
	b.runner.Scan(nest, text)
}

// run runs the station until ctx ends; see runner.Runner.Run.
func (b *bench) run(ctx context.Context) error {
	if b.inbox != nil {
		inner, end := context.WithCancel(ctx)
		defer end() // what it is at then ends, or is taken up again at the next start
		b.start(func() error { return b.inbox.serve(inner, b.runner.Snapshot) })
	}
	return b.crashes.guard(func() error { return b.runner.Run(ctx) })
}

// start runs fn in a goroutine of its own and returns where its error comes.
func (b *bench) start(fn func() error) <-chan error {
	over := make(chan error, 1)
	go func() { over <- b.crashes.guard(fn) }()
	return over
}

// close ends the station. Its error also tells of every fault of the program
// itself that was caught since the start.
func (b *bench) close() error {
	err := b.store.Close()
	if b.logger != nil {
		err = errors.Join(err, b.logger.Close())
	}
	return errors.Join(err, b.crashes.err())
}

// openLog opens the diagnostic log, JSON lines in the XDG state folder. It is
// for whoever mends the program; the record is the store.
func openLog() (*slog.Logger, io.Closer, error) {
	path := logPath()
	if err := os.MkdirAll(filepath.Dir(path), 0o750); err != nil {
		return nil, nil, fmt.Errorf("making the folder of the diagnostic log: %w", err)
	}
	f, err := os.OpenFile(path, os.O_CREATE|os.O_APPEND|os.O_WRONLY, 0o640)
	if err != nil {
		return nil, nil, fmt.Errorf("opening the diagnostic log: %w", err)
	}
	return slog.New(slog.NewJSONHandler(f, nil)).With("version", version, "pid", os.Getpid()), f, nil
}

func logPath() string { return filepath.Join(xdg.StateHome, "panecal", "panecal.log") }
