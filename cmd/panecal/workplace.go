package main

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"log/slog"
	"os"
	"path/filepath"
	"sync/atomic"
	"syscall"
	"time"

	"github.com/adrg/xdg"

	"example.org/panecal/cmd/panecal/cli"
	"example.org/panecal/cmd/panecal/crash"
	"example.org/panecal/cmd/panecal/logs"
	"example.org/panecal/cmd/panecal/metrics"
	"example.org/panecal/cmd/panecal/staff"
	"example.org/panecal/cmd/panecal/upkeep"
	"example.org/panecal/limits/guard"
	"example.org/panecal/limits/visible"
	"example.org/panecal/protocol/link"
	"example.org/panecal/protocol/recording"
	"example.org/panecal/station"
	"example.org/panecal/station/decision"
	"example.org/panecal/station/fixture"
	"example.org/panecal/station/gate"
	"example.org/panecal/station/inbox"
	"example.org/panecal/station/papers"
	"example.org/panecal/station/product"
	"example.org/panecal/station/roster"
	"example.org/panecal/station/runner"
	"example.org/panecal/station/shift"
	"example.org/panecal/store"
	"example.org/panecal/store/record"
)

// workplace is a station made ready: its store held, its runner set up.
type workplace struct {
	store   *store.Store
	runner  *runner.Runner
	intake  *shift.Intake
	logger  io.Closer
	crashes *crash.Book
	desk    *decision.Desk // decides about units
	inbox   *inbox.Inbox
	recent  []record.Entry     // the newest records at the start
	notes   *store.Checkpoints // nil until the station is set up
	keeper  *upkeep.Keeper
	gate    *gate.Folder // of the line, nil for none
	metrics *metrics.File

	// Who works here may change while the station runs.
	book   atomic.Pointer[roster.Book]
	people atomic.Pointer[shift.Shift] // at the screen
}

// workplaceOptions are what the commands that run a station differ in.
type workplaceOptions struct {
	config    configuration
	folder    string // of the store
	files     papers.Catalogue
	first     *station.Files // in force at the start
	purpose   station.Purpose
	operator  string
	workOrder string
	lot       string
	handsTime time.Duration
	onVerdict func(station.Verdict)
	command   string
	rules     rules                                            // zero where nobody stands at the station
	record    string                                           // file that keeps what goes over the lines, "" for none
	temporary bool                                             // nothing outside the folder remembers the store
	book      *roster.Book                                     // who works here, nil for everybody
	talk      io.Writer                                        // is told what the screen would show; nil where there is one
	arrivals  bool                                             // released files are taken up while the station runs
	here      func(papers.Catalogue) (papers.Catalogue, error) // gives files that came this run's nests, nil: they are the sheet's
}

func openWorkplace(o workplaceOptions) (*workplace, error) {
	if err := enoughFiles(); err != nil {
		return nil, cli.RefusedError("too_few_files", err)
	}
	reserve, err := room(filepath.Dir(o.folder))
	if err != nil {
		return nil, cli.RefusedError("disk_full", err)
	}
	memory := o.config.memory()
	if o.temporary {
		memory = ""
	}
	failed, err := failedStore(o)
	if err != nil {
		return nil, err
	}
	caught := crash.New(filepath.Dir(o.folder), "panecal "+version)
	s, err := store.Open(o.folder, store.Options{Station: o.config.Station, Command: o.command, Reserve: reserve, Memory: memory, Panicked: caught.Caught})
	if err != nil {
		return nil, openError(o.folder, err)
	}
	if guard.Blind {
		fmt.Fprintf(os.Stderr, "panecal: who may write in %s is not known: this program cannot read the access list of this system's folders\n", visible.Text(o.config.folder()))
	}
	w := &workplace{store: s, intake: &shift.Intake{Catalogue: o.files, First: o.first}, crashes: caught}
	w.book.Store(o.book)
	if failed != nil {
		err = failed.Close(s, filepath.Dir(o.folder), cmp.Or(o.operator, shift.Unknown))
	}
	if err := errors.Join(err, w.setUp(o)); err != nil {
		return nil, errors.Join(err, w.close())
	}
	return w, nil
}

// failedStore is what an earlier run of the station could not put on record, once
// its log is proved whole; nil for nothing. Without a roster any start will do.
func failedStore(o workplaceOptions) (*crash.FailedStore, error) {
	failed, err := crash.ReadFailedStore(filepath.Dir(o.folder))
	if err != nil || failed == nil || o.book == nil {
		return nil, err
	}
	report, err := logs.Check(o.folder, store.CheckOptions{Beside: store.Beside{Memory: []string{o.config.memory(), memoryFolder()}}}, os.Stderr, noteLogCheck)
	if err != nil {
		return nil, err
	}
	if n := len(report.Problems); n > 0 {
		return nil, cli.RefusedError("store_damaged", fmt.Errorf("%s: the store failed at %s and its log is not whole, %d problems: keep the folder as it is, save what is left with `panecal log rebuild`", station.StopStore, failed.Time.Format(time.RFC3339), n))
	}
	return failed, nil
}

// heed leaves a note beside the store when a record cannot be written, and has
// units held when check units did not pass.
func (w *workplace) heed(o workplaceOptions, logger *slog.Logger) func(station.Message) {
	return func(m station.Message) {
		if m.Code == station.StopCheck {
			w.start(func() error { w.holdUnproven(logger); return nil })
		}
		if m.Code == station.StopStore && o.book != nil {
			unit := ""
			if f, l, _ := o.files.Read(m.Args.Label); f != nil {
				unit = l.Serial
			}
			w.start(func() error { return crash.NoteFailedStore(filepath.Dir(o.folder), unit, m.Code.Say(m.Args), m.At) })
		}
	}
}

// openError tells why a station may not write to a store, and what to do.
func openError(folder string, err error) error {
	switch {
	case errors.Is(err, store.ErrNoStore):
		return cli.RefusedError("no_store", fmt.Errorf("no store at %s: run `panecal init` first, or name its folder with --data", folder))
	case errors.Is(err, store.ErrHeld):
		return cli.RefusedError("store_held", fmt.Errorf("%w: end that one, or wait for it", err))
	case errors.Is(err, store.ErrSimulated):
		return cli.RefusedError("store_simulated", fmt.Errorf("%w: `panecal init` in another folder makes a store for a station", err))
	case errors.Is(err, store.ErrCopy):
		return cli.RefusedError("store_is_copy", fmt.Errorf("%w: `panecal init --continues %s` makes it", err, folder))
	case errors.Is(err, store.ErrNewer):
		return cli.RefusedError("newer_program", fmt.Errorf("%w: use a program as new as that one; this one may read it", err))
	case errors.Is(err, store.ErrForked):
		return cli.RefusedError(string(store.Forked), fmt.Errorf("%w: find the other computer, keep both folders as they are; one of the two goes on by `panecal init --continues`", err))
	case errors.Is(err, store.ErrRolledBack):
		return cli.RefusedError(string(store.RolledBack), fmt.Errorf("%w: put the newest log back; `panecal log check` shows what is wrong", err))
	case errors.Is(err, store.ErrMemoryMissing):
		return cli.RefusedError(string(store.MemoryMissing), fmt.Errorf("%w: put it back; where its disk is lost, hold the log against a backup, a checkpoint or shipped units, then `panecal init --continues`", err))
	case errors.Is(err, store.ErrMemory):
		return cli.RefusedError("memory_not_written", fmt.Errorf("%w: let the station write there, or name another folder: memory = \"…\" in the configuration", err))
	case errors.Is(err, store.ErrDamaged):
		return cli.RefusedError("store_damaged", fmt.Errorf("%w: keep the folder as it is; `panecal log check` shows what is wrong, `panecal log rebuild` saves what is left", err))
	case errors.Is(err, syscall.EROFS), errors.Is(err, os.ErrPermission):
		return fmt.Errorf("%w: a station must be able to write there; commands that read need not", err)
	}
	return err
}

func (w *workplace) setUp(o workplaceOptions) error {
	logger, closer, err := openLog()
	if err != nil {
		return err
	}
	w.logger = closer
	remade, err := w.store.Remade()
	if err != nil {
		return err
	}
	for _, what := range remade {
		logger.Warn("derived file made anew", "what", what)
		fmt.Fprintln(os.Stderr, "panecal: the log:", visible.Text(what))
	}
	recent, err := upkeep.Recent(w.store)
	if err != nil {
		return openError(o.folder, err)
	}
	w.recent = recent
	leads, err := o.config.leads()
	if err != nil {
		return err
	}
	started := upkeep.Start{Software: version, Command: o.command, Files: o.files, Roster: staff.Revision(o.book), Configuration: o.config.path}
	if err := started.PutOnRecord(w.store, time.Now()); err != nil {
		return err
	}
	of, err := staff.PutOnRecord(o.book, w.store, recent)
	if err != nil {
		return err
	}
	held, err := w.held()
	if err != nil {
		return err
	}
	bridge, err := o.config.bridge(o.first.Sheet.Nests)
	if err != nil {
		return err
	}
	var nests []string
	for _, n := range o.first.Sheet.Nests {
		nests = append(nests, n.Name)
	}
	records, err := recording.NewFiles(o.record, nests)
	if errors.Is(err, fs.ErrExist) {
		return cli.UsageError(err)
	} else if err != nil {
		return err
	}
	if err := w.keepCheckpoints(o, logger); err != nil {
		return err
	}
	if w.gate, err = o.config.Gate.Open(gate.Options{Station: o.config.Station, Logger: logger}, o.config.folder(), filepath.Dir(o.folder)); err != nil {
		return err
	}
	w.runner, err = runner.New(station.Config{
		Station: o.config.Station, Purpose: o.purpose, Files: o.first, Operator: o.operator,
		Software: version, WorkOrder: o.workOrder, Lot: o.lot, Recent: recent, Holds: held, HandsTime: o.handsTime,
		SameInARow: o.rules.sameInARow, CheckEvery: o.rules.checkEvery, CheckUnits: o.rules.checkUnits, Bridge: bridge,
		Site: o.config.site, BoxSize: o.rules.boxSize, BoxScan: o.config.BoxScan,
		Leads: leads, Staffed: o.book != nil, Roster: of, Silence: o.config.Gate.Silence(),
	}, runner.Options{
		Dial: dialer{time.Duration(o.config.GraceMS) * time.Millisecond, func() product.Line { return w.intake.InForce().Product.Line }, w.crashes.Caught, new(link.Ports), records},
		Log:  w.store, Past: w.store, Gate: w.gate.Seam(), Fixture: fixture.New(fixture.Options{}), OnVerdict: w.shown(o.onVerdict), OnMessage: w.heed(o, logger), Panicked: w.crashes.Caught, Logger: logger,
	})
	if err != nil {
		return fmt.Errorf("setting up the station: %w", err)
	}
	if err := o.files.PutOnRecord(w.runner, recent); err != nil {
		return err
	}
	w.metrics, err = metrics.New(metrics.Options{Path: o.config.file(o.config.Metrics), Station: o.config.Station, Log: &w.store.Reader, Snapshot: w.runner.Snapshot,
		Free: func() (uint64, error) { free, _, err := space(o.folder); return free, err }, Now: time.Now, Logger: logger})
	if err != nil {
		return err
	}
	if err := w.openInbox(o, logger); err != nil {
		return err
	}
	clock := upkeep.NewClock(recent)
	clock.Leads, clock.Name = leads, o.config.Station
	w.keeper = o.config.upkeep.Keeper(upkeep.Options{Store: w.store, Station: w.runner, Clock: clock, Now: time.Now, Logger: logger, Talk: o.talk})
	return w.keeper.Begin()
}

// held are the records that put the units on hold that are so now.
func (w *workplace) held() (by []record.Entry, err error) {
	all, err := w.store.Holds()
	for _, h := range all {
		by = append(by, h.By)
	}
	return by, err
}

// openInbox makes the inbox, and takes up what came while nobody was here.
func (w *workplace) openInbox(o workplaceOptions, logger *slog.Logger) error {
	known, err := o.config.people()
	if err != nil {
		return err
	}
	with := inbox.Options{Name: o.config.Station, Folder: inboxFolder(o.folder), Keys: known, Station: w.runner, Past: w.store, Logger: logger, Now: time.Now}
	w.desk = &decision.Desk{Station: o.config.Station, Keys: o.config.deciders, Log: w.store, Append: w.runner.Append, Serial: w.intake.Serial, Spared: o.rules.checkUnits}
	with.Decide = w.desk.Take
	if o.arrivals {
		a := &arrivals{w: w, config: o.config, here: o.here}
		with.Release, with.Due = a.take, a.due
	}
	w.inbox = inbox.New(with)
	if err := errors.Join(w.inbox.Make(), w.inbox.TakeUp()); err != nil {
		logger.Error("taking up what others sent", "error", err) // units can be made all the same
	}
	if decision.ChecksFailed(w.recent) {
		w.holdUnproven(logger)
	}
	return nil
}

// hold puts a unit on hold for somebody at the screen.
func (w *workplace) hold(label, reason, by string) error {
	done, err := w.desk.Hold(label, reason, by, time.Now())
	w.runner.Disposed(done.Changes)
	return err
}

// holdUnproven puts on hold what no good check followed, where check units failed.
func (w *workplace) holdUnproven(logger *slog.Logger) {
	done, _, err := w.desk.HoldUnproven()
	w.runner.Disposed(done.Changes)
	logger.Info("check units did not pass", "what", done.Told, "left", done.Left, "error", err)
}

// inboxFolder is the inbox of the station that has its store in folder.
func inboxFolder(folder string) string { return filepath.Join(filepath.Dir(folder), "inbox") }

// run runs the station until ctx ends; see runner.Runner.Run.
func (w *workplace) run(ctx context.Context) error {
	if w.inbox != nil {
		inner, end := context.WithCancel(ctx)
		defer end() // what it is at then ends, or is taken up again at the next start
		w.start(func() error { return w.inbox.Serve(inner) })
	}
	defer w.gate.Begin(w.start)()
	keeping, end := context.WithCancel(ctx)
	kept := w.start(func() error { return w.keeper.Serve(keeping) })
	counted := w.start(func() error { return w.metrics.Serve(keeping) })
	defer func() { end(); <-kept; <-counted }() // they use the store, which is closed next
	return w.crashes.Guard(func() error { return w.runner.Run(ctx) })
}

// start runs fn in a goroutine of its own and returns where its error comes.
func (w *workplace) start(fn func() error) <-chan error {
	over := make(chan error, 1)
	go func() { over <- w.crashes.Guard(fn) }()
	return over
}

// close ends the station. Its error also tells of every fault of the program
// itself that was caught since the start.
func (w *workplace) close() error {
	var err error
	if w.notes != nil {
		err = w.notes.Close()
	}
	err = errors.Join(err, w.store.Close())
	if w.logger != nil {
		err = errors.Join(err, w.logger.Close())
	}
	return errors.Join(err, w.crashes.Err())
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
