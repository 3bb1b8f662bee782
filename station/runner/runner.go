package runner

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"runtime/debug"
	"sync"
	"sync/atomic"
	"time"

	"example.org/panecal/station"
	"example.org/panecal/store/record"
)

// Options are what a Runner needs to carry a machine's effects out. Dial, Log
// and Past are needed.
type Options struct {
	Dial    station.Dialer
	Log     station.Log
	Past    station.Past
	Fixture station.Fixture // nil: the operator's hands, and Config.Fixture is off
	Gate    station.Gate    // nil: none, and Config.Gate is off

	// OnVerdict is told each verdict, in order, from the goroutine of Run; it
	// must not wait for anything. nil for nobody.
	OnVerdict func(station.Verdict)

	// OnMessage is told what is announced, as OnVerdict is. nil for nobody.
	OnMessage func(station.Message)

	// Panicked is told of each panic that was caught, from the goroutine that
	// it was in; nil for nobody.
	Panicked func(what any, stack []byte)

	Now    func() time.Time // nil: time.Now
	Logger *slog.Logger     // nil: nothing is written
}

// Runner carries the effects of a Machine out and tells it what came of them.
// It outlives any screen: nothing here waits for one.
type Runner struct {
	opt     Options
	machine *station.Machine
	events  chan station.Event
	over    chan struct{} // closed when Run ends
	nests   []*worker
	clerk   *clerk
	ledger  *ledger
	tasks   sync.WaitGroup
	lamps   []atomic.Pointer[station.Lamp]
	halt    context.CancelFunc // ends every task
	tasksUp context.Context

	latest atomic.Pointer[station.Snapshot]
	box    chan station.Snapshot
}

// How Run ends.
var (
	// ErrUnfinished: on the way out, a nest did not come to its end in time.
	ErrUnfinished = errors.New("not finished in time")
	// ErrInternal: the machine itself failed; every emitter was told to stop.
	ErrInternal = errors.New("internal error")
)

const (
	leaveWithin = 2 * time.Second        // from the end of Run's context to its return
	closeWithin = 700 * time.Millisecond // of these, for goroutines to end
	stopWithin  = 500 * time.Millisecond // of these, for a unit to confirm that its emitter is off
	tickEvery   = time.Second
)

// New makes a Runner of a station at rest.
func New(c station.Config, o Options) (*Runner, error) {
	c.Fixture, c.Gate = o.Fixture != nil, o.Gate != nil
	m, err := station.New(c)
	if err != nil {
		return nil, err
	}
	if o.Dial == nil || o.Log == nil || o.Past == nil {
		return nil, errors.New("setting up the station: no dialer, log or past")
	}
	if o.Now == nil {
		o.Now = time.Now
	}
	if o.Logger == nil {
		o.Logger = slog.New(slog.DiscardHandler)
	}
	if o.Panicked == nil {
		o.Panicked = func(any, []byte) {}
	}
	r := &Runner{opt: o, machine: m, events: make(chan station.Event, 64), over: make(chan struct{}), box: make(chan station.Snapshot, 1)}
	r.ledger = newLedger(o.Log, o.Logger)
	r.tasksUp, r.halt = context.WithCancel(context.Background())
	for i, sheet := range c.Files.Sheet.Nests {
		r.nests = append(r.nests, newWorker(r, i, sheet))
	}
	r.lamps = make([]atomic.Pointer[station.Lamp], len(r.nests))
	r.clerk = newClerk(r, 4*len(r.nests)+8)
	s := m.Snapshot()
	s.At = o.Now()
	r.latest.Store(&s)
	return r, nil
}

// Snapshot returns the newest snapshot, from any goroutine.
func (r *Runner) Snapshot() station.Snapshot { return *r.latest.Load() }

// Snapshots delivers snapshots to one reader: the newest only, and never
// waiting for it. It is closed when Run ends, after the last one.
func (r *Runner) Snapshots() <-chan station.Snapshot { return r.box }

// Scan tells that a label was read; nest is NoNest unless it is for one.
func (r *Runner) Scan(nest int, text string) { r.tell(nest, station.Scanned{Text: text}) }

// Go is the operator's "go on" for a nest.
func (r *Runner) Go(nest int) { r.tell(nest, station.Go{}) }

// OpenBox takes another box into use, with the units that waited for it.
func (r *Runner) OpenBox(number string, takes []string) {
	r.tell(station.NoNest, station.OpenBox{Number: number, Takes: takes})
}

// Unreadable tells that a unit's label cannot be read.
func (r *Runner) Unreadable() { r.tell(station.NoNest, station.Unreadable{}) }

// Rest tells that the people pause, or that they are back.
func (r *Runner) Rest(on bool) { r.tell(station.NoNest, station.Rest{On: on}) }

// Unpowered tells that a person has made sure that a nest has no power.
func (r *Runner) Unpowered(nest int) { r.tell(nest, station.Unpowered{}) }

// Skip ends what a nest does, on record.
func (r *Runner) Skip(nest int) { r.tell(nest, station.Skip{}) }

// Crew says who is at the station and on what it works from now on.
func (r *Runner) Crew(c station.Crew) { r.tell(station.NoNest, c) }

// TakeUp brings released files into force between units.
func (r *Runner) TakeUp(f *station.Files) { r.tell(station.NoNest, station.TakeUp{Files: f}) }

// Staff brings another roster into force, of which some are leads; it is on record.
func (r *Runner) Staff(of record.Revision, leads []string) {
	r.tell(station.NoNest, station.TakeUp{Roster: of, Leads: leads})
}

// Refused tells the operator that files that came in were not taken up, and
// why.
func (r *Runner) Refused(why string) { r.tell(station.NoNest, station.TakeUp{Refused: why}) }

// Disposed tells what was decided about units; it is on record.
func (r *Runner) Disposed(some []*record.DispositionChange) {
	r.tell(station.NoNest, station.Disposed{Changes: some})
}

// Remark says what is wrong with the log to the people at the station, once.
func (r *Runner) Remark(what station.Remark) { r.tell(station.NoNest, what) }

// Lift ends a nest's stop; whoever calls it has checked that by may.
func (r *Runner) Lift(nest int, by, method string) {
	r.tell(nest, station.LiftStop{By: by, Method: method})
}

// Append puts a record of the people at the station into the log, by the same
// way as the machine's. Any goroutine may call it, before and after Run too.
func (r *Runner) Append(b record.Body) (record.Ref, error) { return r.ledger.append(b) }

func (r *Runner) tell(nest int, f station.Fact) {
	r.post(station.Event{At: r.opt.Now(), Nest: nest, Fact: f})
}

// post hands an event to Run; after Run has ended it is dropped.
func (r *Runner) post(e station.Event) {
	select {
	case r.events <- e:
	case <-r.over:
	}
}

// Run runs the station until ctx ends, and then leaves within two seconds:
// emitters off, attempts recorded as aborted. It is called once.
func (r *Runner) Run(ctx context.Context) (err error) {
	defer close(r.box)
	defer func() { err = errors.Join(err, r.close()) }()
	defer func() {
		if p := recover(); p != nil {
			r.caught("the machine failed", p)
			err = fmt.Errorf("running the station: %w: %v", ErrInternal, p)
		}
	}()
	for _, w := range r.nests {
		go w.run()
	}
	go r.clerk.run()
	tick := time.NewTicker(tickEvery)
	defer tick.Stop()
	leaving := ctx.Done()
	var late <-chan time.Time
	r.step(station.Event{At: r.opt.Now(), Nest: station.NoNest, Fact: station.Started{}})
	for !r.Snapshot().Closed {
		select {
		case e := <-r.events:
			e.At = r.opt.Now() // in the order of the machine, not of the senders
			r.step(e)
		case <-tick.C:
			r.step(station.Event{At: r.opt.Now(), Nest: station.NoNest, Fact: station.Tick{}})
		case <-leaving:
			leaving = nil
			timer := time.NewTimer(leaveWithin - closeWithin)
			defer timer.Stop()
			late = timer.C
			r.step(station.Event{At: r.opt.Now(), Nest: station.NoNest, Fact: station.Shutdown{Why: context.Cause(ctx).Error()}})
		case <-late:
			return fmt.Errorf("leaving the station: %w: %s", ErrUnfinished, r.unfinished())
		}
	}
	return nil
}

func (r *Runner) unfinished() string {
	text := ""
	for _, n := range r.Snapshot().Nests {
		if n.Step != station.Ended {
			text += fmt.Sprintf("%s %s; ", n.Name, n.Step)
		}
	}
	return text
}

// close ends every goroutine. Each nest's own tells its unit to stop.
func (r *Runner) close() error {
	close(r.over)
	r.halt()
	r.clerk.close()
	for _, w := range r.nests {
		w.close()
	}
	done := make(chan struct{})
	go func() {
		for _, w := range r.nests {
			<-w.ended
		}
		<-r.clerk.ended
		r.tasks.Wait()
		close(done)
	}()
	limit := time.NewTimer(closeWithin)
	defer limit.Stop()
	select {
	case <-done:
		return nil
	case <-limit.C:
		return fmt.Errorf("leaving the station: %w: a port or the log does not return", ErrUnfinished)
	}
}

// step lets the machine take an event and carries out what follows.
func (r *Runner) step(e station.Event) {
	effects := r.machine.Step(e)
	r.logScan(e, effects)
	for _, effect := range effects {
		r.carryOut(effect)
	}
	s := r.machine.Snapshot()
	r.latest.Store(&s)
	r.light(s)
	select {
	case <-r.box:
	default:
	}
	r.box <- s
}

// heard says what came of a scan: whether it was taken, and the code that was
// announced with it, "" for none.
func heard(effects []station.Effect) (code station.Code, taken bool) {
	taken = true
	for _, e := range effects {
		a, ok := e.Job.(station.Announce)
		if !ok {
			continue
		}
		code = a.Message.Code
		if code.Meaning().Class == station.Refused || code == station.NoticeTwice || code == station.NoticeIgnored {
			return code, false
		}
	}
	return code, taken
}

// logScan notes every scan with what came of it: whoever wonders later why a
// label did nothing finds it in the program's log.
func (r *Runner) logScan(e station.Event, effects []station.Effect) {
	s, ok := e.Fact.(station.Scanned)
	if !ok {
		return
	}
	code, taken := heard(effects)
	r.opt.Logger.Info("scan", "text", s.Text, "taken", taken, "code", code)
}

// light lets the lamps of the nests say what they do now. Nobody waits for one, and
// one that does not light keeps nothing from going on.
func (r *Runner) light(s station.Snapshot) {
	for i, n := range s.Nests {
		lamp, sheet := station.LampOf(n), r.nests[i].sheet
		if r.opt.Fixture == nil || !sheet.Powers() {
			continue
		}
		if old := r.lamps[i].Swap(&lamp); old != nil && *old == lamp {
			continue
		}
		r.task(station.Effect{Nest: i, Job: station.Move{}}, func(ctx context.Context) station.Fact {
			if err := r.opt.Fixture.Lamp(ctx, sheet, func() station.Lamp { return *r.lamps[i].Load() }); err != nil {
				r.opt.Logger.Info("lighting a lamp", "nest", sheet.Name, "error", err)
			}
			return nil
		})
	}
}

func (r *Runner) carryOut(e station.Effect) {
	log := r.opt.Logger
	switch j := e.Job.(type) {
	case station.Open, station.Identify, station.Report, station.ReadBlock, station.Void, station.Capture, station.Write, station.Restart, station.Mark, station.Halt:
		r.nests[e.Nest].give(e)
	case station.Append, station.Save, station.Keep, station.Recall:
		r.clerk.give(e)
	case station.EstimateEmpty, station.EstimateTarget, station.EstimateVerify:
		r.task(e, func(context.Context) station.Fact { return estimateNow(e.Job) })
	case station.Move:
		r.task(e, func(ctx context.Context) station.Fact {
			return station.Done{Failure: failureOf(r.opt.Fixture.Move(ctx, j.Nest, j.To))}
		})
	case station.Ask:
		r.task(e, func(ctx context.Context) station.Fact {
			request, err := r.opt.Gate.May(ctx, j)
			f := failureOf(err)
			switch {
			case errors.Is(err, station.ErrSilent):
				f.Trouble = station.Silent
			case err != nil:
				f.Trouble = station.Denied
			}
			return station.Allowed{Failure: f, Request: request}
		})
	case station.Tell:
		r.task(e, func(ctx context.Context) station.Fact {
			if err := r.opt.Gate.Result(ctx, j.Verdict); err != nil {
				log.Error("telling the gate", "serial", j.Verdict.Serial, "error", err)
			}
			return nil
		})
	case station.SetTimer:
		time.AfterFunc(j.After, func() { r.answer(e, station.Expired{}) })
	case station.Show:
		log.Info("verdict", "nest", j.Verdict.Nest, "serial", j.Verdict.Serial, "outcome", j.Verdict.Outcome,
			"disposition", j.Verdict.Disposition, "code", j.Verdict.Code, "sequence", j.Verdict.Sequence, "again", j.Verdict.Again)
		if r.opt.OnVerdict != nil {
			r.opt.OnVerdict(j.Verdict)
		}
	case station.Announce:
		log.Info("message", "nest", j.Message.Nest, "code", j.Message.Code, "text", j.Message.Code.Say(j.Message.Args))
		if r.opt.OnMessage != nil {
			r.opt.OnMessage(j.Message)
		}
	case station.Ignore:
		log.Debug("ignored", "nest", e.Nest, "why", j.Why)
	default: // whoever awaits it must not wait for ever
		r.answer(e, failed(e.Job, station.Failure{Trouble: station.Broke, Why: "nobody carries out " + e.Name()}))
	}
}

func (r *Runner) answer(e station.Effect, f station.Fact) {
	r.post(station.Event{Nest: e.Nest, Token: e.Token, Fact: f})
}

// task does a job in a goroutine of its own; a panic in it is an answer.
func (r *Runner) task(e station.Effect, do func(context.Context) station.Fact) {
	r.tasks.Go(func() {
		f := func() (f station.Fact) {
			defer func() {
				if p := recover(); p != nil {
					f = failed(e.Job, r.panicked(e, p))
				}
			}()
			return do(r.tasksUp)
		}()
		if f != nil && e.Token != 0 {
			r.answer(e, f)
		}
	})
}

// panicked puts a recovered panic into the log and makes it a failure.
func (r *Runner) panicked(e station.Effect, p any) station.Failure {
	r.caught("a job failed", p, "nest", e.Nest, "job", e.Name())
	return station.Failure{Trouble: station.Broke, Why: fmt.Sprintf("%s: %v", e.Name(), p)}
}

// caught tells of a recovered panic.
func (r *Runner) caught(what string, p any, args ...any) {
	stack := debug.Stack()
	r.opt.Logger.Error(what, append(args, "panic", fmt.Sprint(p), "stack", string(stack))...)
	r.opt.Panicked(p, stack)
}
