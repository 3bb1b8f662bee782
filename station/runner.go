package station

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"runtime/debug"
	"sync"
	"sync/atomic"
	"time"
)

// Options are what a Runner needs to carry a machine's effects out. Dial, Log
// and Past are needed.
type Options struct {
	Dial    Dialer
	Log     Log
	Past    Past
	Fixture Fixture // nil: the operator's hands, and Config.Fixture is off
	Gate    Gate    // nil: none, and Config.Gate is off

	// OnVerdict is told each verdict, in order, from the goroutine of Run; it
	// must not wait for anything. nil for nobody.
	OnVerdict func(Verdict)

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
	machine *Machine
	events  chan Event
	over    chan struct{} // closed when Run ends
	nests   []*worker
	clerk   *clerk
	tasks   sync.WaitGroup
	halt    context.CancelFunc // ends every task
	tasksUp context.Context

	latest atomic.Pointer[Snapshot]
	box    chan Snapshot
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

// NewRunner makes a Runner of a station at rest.
func NewRunner(c Config, o Options) (*Runner, error) {
	c.Fixture, c.Gate = o.Fixture != nil, o.Gate != nil
	m, err := New(c)
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
	r := &Runner{opt: o, machine: m, events: make(chan Event, 64), over: make(chan struct{}), box: make(chan Snapshot, 1)}
	r.tasksUp, r.halt = context.WithCancel(context.Background())
	for _, n := range m.nests {
		r.nests = append(r.nests, newWorker(r, n.index, n.sheet))
	}
	r.clerk = newClerk(r, 4*len(r.nests)+8)
	m.now = o.Now()
	s := m.Snapshot()
	r.latest.Store(&s)
	return r, nil
}

// Snapshot returns the newest snapshot, from any goroutine.
func (r *Runner) Snapshot() Snapshot { return *r.latest.Load() }

// Snapshots delivers snapshots to one reader: the newest only, and never
// waiting for it. It is closed when Run ends, after the last one.
func (r *Runner) Snapshots() <-chan Snapshot { return r.box }

// Scan tells that a label was read; nest is NoNest unless it is for one.
func (r *Runner) Scan(nest int, text string) { r.tell(nest, Scanned{Text: text}) }

// Go is the operator's "go on" for a nest.
func (r *Runner) Go(nest int) { r.tell(nest, Go{}) }

// Skip ends what a nest does, on record.
func (r *Runner) Skip(nest int) { r.tell(nest, Skip{}) }

// Crew says who is at the station and on what it works from now on.
func (r *Runner) Crew(c Crew) { r.tell(NoNest, c) }

// TakeUp brings released files into force between units.
func (r *Runner) TakeUp(f *Files) { r.tell(NoNest, TakeUp{Files: f}) }

// Refused tells the operator that files that came in were not taken up, and
// why.
func (r *Runner) Refused(why string) { r.tell(NoNest, TakeUp{Refused: why}) }

// Lift ends a nest's stop; whoever calls it has checked that by may.
func (r *Runner) Lift(nest int, by, method string) { r.tell(nest, LiftStop{By: by, Method: method}) }

func (r *Runner) tell(nest int, f Fact) {
	r.post(Event{At: r.opt.Now(), Nest: nest, Fact: f})
}

// post hands an event to Run; after Run has ended it is dropped.
func (r *Runner) post(e Event) {
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
	r.step(Event{At: r.opt.Now(), Nest: NoNest, Fact: Started{}})
	for !r.Snapshot().Closed {
		select {
		case e := <-r.events:
			e.At = r.opt.Now() // in the order of the machine, not of the senders
			r.step(e)
		case <-tick.C:
			r.step(Event{At: r.opt.Now(), Nest: NoNest, Fact: Tick{}})
		case <-leaving:
			leaving = nil
			timer := time.NewTimer(leaveWithin - closeWithin)
			defer timer.Stop()
			late = timer.C
			r.step(Event{At: r.opt.Now(), Nest: NoNest, Fact: Shutdown{Why: context.Cause(ctx).Error()}})
		case <-late:
			return fmt.Errorf("leaving the station: %w: %s", ErrUnfinished, r.unfinished())
		}
	}
	return nil
}

func (r *Runner) unfinished() string {
	text := ""
	for _, n := range r.Snapshot().Nests {
		if n.Step != Ended {
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
func (r *Runner) step(e Event) {
	effects := r.machine.Step(e)
	r.logScan(e, effects)
	for _, effect := range effects {
		r.carryOut(effect)
	}
	s := r.machine.Snapshot()
	r.latest.Store(&s)
	select {
	case <-r.box:
	default:
	}
	r.box <- s
}

func (r *Runner) carryOut(e Effect) {
	log := r.opt.Logger
	switch j := e.Job.(type) {
	case Open, Identify, Report, ReadBlock, Void, Capture, Write, Mark, Halt:
		r.nests[e.Nest].give(e)
	case Append, Save, Keep, Recall:
		r.clerk.give(e)
	case EstimateEmpty, EstimateTarget, EstimateVerify:
		r.task(e, func(context.Context) Fact { return estimateNow(e.Job) })
	case Move:
		r.task(e, func(ctx context.Context) Fact {
			return Done{failureOf(r.opt.Fixture.Move(ctx, r.nests[e.Nest].sheet, j.In))}
		})
	case Ask:
		r.task(e, func(ctx context.Context) Fact {
			f := failureOf(r.opt.Gate.May(ctx, j.Serial, j.UnitID))
			if f.Trouble != 0 {
				f.Trouble = Denied
			}
			return Allowed{f}
		})
	case Tell:
		r.task(e, func(ctx context.Context) Fact {
			if err := r.opt.Gate.Result(ctx, j.Verdict); err != nil {
				log.Error("telling the gate", "serial", j.Verdict.Serial, "error", err)
			}
			return nil
		})
	case SetTimer:
		time.AfterFunc(j.After, func() { r.answer(e, Expired{}) })
	case Show:
		log.Info("verdict", "nest", j.Verdict.Nest, "serial", j.Verdict.Serial, "outcome", j.Verdict.Outcome,
			"disposition", j.Verdict.Disposition, "code", j.Verdict.Code, "sequence", j.Verdict.Sequence, "again", j.Verdict.Again)
		if r.opt.OnVerdict != nil {
			r.opt.OnVerdict(j.Verdict)
		}
	case Announce:
		log.Info("message", "nest", j.Message.Nest, "code", j.Message.Code, "text", j.Message.Code.Say(j.Message.Args))
	case Ignore:
		log.Debug("ignored", "nest", e.Nest, "why", j.Why)
	}
}

func (r *Runner) answer(e Effect, f Fact) {
	r.post(Event{Nest: e.Nest, Token: e.Token, Fact: f})
}

// task does a job in a goroutine of its own; a panic in it is an answer.
func (r *Runner) task(e Effect, do func(context.Context) Fact) {
	r.tasks.Go(func() {
		f := func() (f Fact) {
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
func (r *Runner) panicked(e Effect, p any) Failure {
	r.caught("a job failed", p, "nest", e.Nest, "job", e.Job.job())
	return Failure{Broke, fmt.Sprintf("%s: %v", e.Job.job(), p)}
}

// caught tells of a recovered panic.
func (r *Runner) caught(what string, p any, args ...any) {
	stack := debug.Stack()
	r.opt.Logger.Error(what, append(args, "panic", fmt.Sprint(p), "stack", string(stack))...)
	r.opt.Panicked(p, stack)
}
