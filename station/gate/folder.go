package gate

import (
	"context"
	"crypto/rand"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"time"

	"example.org/panecal/limits/guard"
	"example.org/panecal/station"
)

// Options are what a Folder needs.
type Options struct {
	Station string
	Shared  string        // holds out and in, which are there already
	Waiting string        // on the station's own disk: results that wait for the share
	Wait    time.Duration // for an answer
	Logger  *slog.Logger
	Now     func() time.Time // nil: time.Now
	Request func() string    // names a request, never twice; nil: by chance
}

// Folder asks and tells by files. See the package comment.
type Folder struct {
	o    Options
	put  func(path string, data []byte, mode os.FileMode) error // onto the share
	wake chan struct{}

	mu        sync.Mutex
	questions map[string]*question // open, by request
	withdrawn []string             // requests whose question may still lie in out
	results   []string             // names of files in Waiting, oldest first
}

// question is one that a nest awaits the answer of.
type question struct {
	Question
	lies   bool // in out
	wrong  string
	answer chan Answer
}

// The share is looked at that often while a question is open, and after a
// failure results are tried that often.
const (
	lookEvery  = 100 * time.Millisecond
	retryEvery = 5 * time.Second
)

// New makes a gate of a station at rest and finds the results that still wait.
func New(o Options) (*Folder, error) {
	if o.Now == nil {
		o.Now = time.Now
	}
	if o.Request == nil {
		o.Request = rand.Text
	}
	if o.Logger == nil {
		o.Logger = slog.New(slog.DiscardHandler)
	}
	f := &Folder{o: o, put: guard.Replace, wake: make(chan struct{}, 1), questions: map[string]*question{}}
	if err := os.MkdirAll(o.Waiting, 0o750); err != nil {
		return nil, fmt.Errorf("making the folder of results for the line: %w", err)
	}
	var err error
	f.results, err = waiting(o.Waiting)
	return f, err
}

// waiting lists the results in a folder, oldest first.
func waiting(folder string) (names []string, err error) {
	entries, err := os.ReadDir(folder) // sorted
	if err != nil {
		return nil, fmt.Errorf("looking for results that wait for the line: %w", err)
	}
	for _, e := range entries {
		if strings.HasPrefix(e.Name(), "result-") {
			names = append(names, e.Name())
		}
	}
	return names, nil
}

// May asks whether a unit may start and waits for the answer, as long as the site
// says and no longer.
func (f *Folder) May(ctx context.Context, a station.Ask) (string, error) {
	now := f.o.Now().UTC()
	q := &question{answer: make(chan Answer, 1), Question: Question{Schema: QuestionSchema, Request: f.o.Request(), Station: f.o.Station, Nest: a.Nest,
		Serial: a.Serial, UnitID: a.UnitID, Product: a.Product, WorkOrder: a.WorkOrder, Lot: a.Lot, Attempt: a.Attempt,
		Asked: now, Expires: now.Add(f.o.Wait)}}
	f.mu.Lock()
	f.questions[q.Request] = q
	f.mu.Unlock()
	f.stir()
	defer f.withdraw(q)
	limit := time.NewTimer(f.o.Wait)
	defer limit.Stop()
	select {
	case said := <-q.answer:
		if *said.MayStart {
			return q.Request, nil
		}
		if said.Reason == "" {
			said.Reason = "the line says no"
		}
		return q.Request, errors.New(said.Reason)
	case <-limit.C:
		return q.Request, fmt.Errorf("%w within %v", station.ErrSilent, f.o.Wait)
	case <-ctx.Done():
		return q.Request, ctx.Err()
	}
}

func (f *Folder) withdraw(q *question) {
	f.mu.Lock()
	defer f.mu.Unlock()
	delete(f.questions, q.Request)
	f.withdrawn = append(f.withdrawn, q.Request)
	f.stir()
}

// Result keeps a result for the line. When it returns nil, the result survives a
// power cut; the share is given it when it takes it.
func (f *Folder) Result(_ context.Context, v station.Verdict) error {
	v.Again = false
	r := Result{ResultSchema, resultName(v), v}
	data, err := json.MarshalIndent(r, "", " ")
	if err != nil {
		return fmt.Errorf("keeping a result for the line: %w", err)
	}
	name := r.Result + ".json"
	f.mu.Lock()
	defer f.mu.Unlock()
	if err := guard.Replace(filepath.Join(f.o.Waiting, name), append(data, '\n'), 0o640); err != nil {
		return fmt.Errorf("keeping a result for the line: %w", err)
	}
	f.results = append(f.results, name)
	f.stir()
	return nil
}

// stir lets Serve look now.
func (f *Folder) stir() {
	select {
	case f.wake <- struct{}{}:
	default:
	}
}

// Serve does all that touches the share until ctx ends. It returns late, or
// never, where the share hangs: nobody may wait for it.
func (f *Folder) Serve(ctx context.Context) error {
	f.clean()
	var told error
	for ctx.Err() == nil {
		err := errors.Join(f.ask(), f.tell(ctx))
		if err != nil && told == nil {
			f.o.Logger.Error("the share of the line", "error", err)
		} else if err == nil && told != nil {
			f.o.Logger.Info("the share of the line is there again")
		}
		told = err
		f.pause(ctx, err)
	}
	// A run of one unit ends with its result.
	return errors.Join(f.ask(), f.tell(context.Background()))
}

// endWithin is how long the end of a station waits for the share.
const endWithin = 500 * time.Millisecond

// Begin serves the gate in a goroutine that start makes, until end is called, which
// waits no longer than a moment for the share. A nil gate serves nobody.
func (f *Folder) Begin(start func(func() error) <-chan error) (end func()) {
	if f == nil {
		return func() {}
	}
	ctx, cancel := context.WithCancel(context.Background())
	over := start(func() error { return f.Serve(ctx) })
	return func() {
		cancel()
		limit := time.NewTimer(endWithin)
		defer limit.Stop()
		select {
		case <-over:
		case <-limit.C:
			f.o.Logger.Error("the share of the line does not return; its results go out at the next start")
		}
	}
}

// Seam is the gate as the station knows it; nil of a nil one.
func (f *Folder) Seam() station.Gate {
	if f == nil {
		return nil
	}
	return f
}

// pause waits until there is something to do.
func (f *Folder) pause(ctx context.Context, err error) {
	f.mu.Lock()
	open, left := len(f.questions) > 0, len(f.results)+len(f.withdrawn) > 0
	f.mu.Unlock()
	var next <-chan time.Time
	switch {
	case open:
		next = time.After(lookEvery)
	case left || err != nil:
		next = time.After(retryEvery)
	}
	select {
	case <-ctx.Done():
	case <-f.wake:
	case <-next:
	}
}

func (f *Folder) out(name string) string { return filepath.Join(f.o.Shared, "out", name) }
func (f *Folder) in(name string) string  { return filepath.Join(f.o.Shared, "in", name) }

func questionFile(request string) string { return "question-" + request + ".json" }
func answerFile(request string) string   { return "answer-" + request + ".json" }

// clean takes back the questions that an earlier run of the station left, and
// what answers them: no request is ever asked again.
func (f *Folder) clean() {
	old, err := filepath.Glob(f.out(questionFile("*")))
	late, lateErr := filepath.Glob(f.in(answerFile("*")))
	err = errors.Join(err, lateErr)
	for _, path := range append(old, late...) {
		err = errors.Join(err, os.Remove(path))
	}
	if err != nil {
		f.o.Logger.Error("taking old questions back", "error", err)
	}
}

// ask puts open questions into out, takes answers, and takes back what nobody
// waits for.
func (f *Folder) ask() (err error) {
	f.mu.Lock()
	var open []*question
	for _, q := range f.questions {
		open = append(open, q)
	}
	gone := f.withdrawn
	f.withdrawn = nil
	f.mu.Unlock()
	for i, request := range gone {
		if e := os.Remove(f.out(questionFile(request))); e != nil && !errors.Is(e, os.ErrNotExist) {
			f.mu.Lock()
			f.withdrawn = append(f.withdrawn, gone[i:]...)
			f.mu.Unlock()
			err = e
			break
		}
		_ = os.Remove(f.in(answerFile(request))) // the line's own, where it stays
	}
	for _, q := range open {
		if !q.lies {
			data, e := json.MarshalIndent(q.Question, "", " ")
			if e == nil {
				e = f.put(f.out(questionFile(q.Request)), append(data, '\n'), 0o640)
			}
			if e != nil {
				err = errors.Join(err, e)
				continue
			}
			q.lies = true
		}
		a, e := readAnswer(f.in(answerFile(q.Request)), q.Question, f.o.Now())
		switch {
		case e == nil:
			select {
			case q.answer <- a:
			default: // it has one
			}
		case !errors.Is(e, errNone) && q.wrong != e.Error():
			q.wrong = e.Error()
			f.o.Logger.Warn("an answer of the line", "error", e)
		}
	}
	return err
}

// tell gives the share what waits, in order, until one fails.
func (f *Folder) tell(ctx context.Context) error {
	for ctx.Err() == nil {
		f.mu.Lock()
		if len(f.results) == 0 {
			f.mu.Unlock()
			return nil
		}
		name := f.results[0]
		data, err := guard.ReadFile(filepath.Join(f.o.Waiting, name))
		f.mu.Unlock()
		if err == nil {
			err = f.put(f.out(name), data, 0o640)
		} else if errors.Is(err, os.ErrNotExist) {
			err = nil // told twice, and given already
		}
		if err != nil {
			return err
		}
		if err := f.given(name, data); err != nil {
			return err
		}
		if f.asked() {
			return nil // hands wait for an answer; nobody for a result
		}
	}
	return nil
}

// given forgets a result, unless a newer one has taken its name meanwhile.
func (f *Folder) given(name string, data []byte) error {
	f.mu.Lock()
	defer f.mu.Unlock()
	path := filepath.Join(f.o.Waiting, name)
	now, err := guard.ReadFile(path)
	if err == nil && string(now) == string(data) {
		err = os.Remove(path)
	}
	f.results = f.results[1:]
	if errors.Is(err, os.ErrNotExist) {
		err = nil
	}
	return err
}

func (f *Folder) asked() bool {
	f.mu.Lock()
	defer f.mu.Unlock()
	return len(f.questions) > 0
}

// waitingFolder stands beside the store.
const waitingFolder = "gate-waiting"

// Backlog is how many results wait for the share of the gate in folder beside.
func Backlog(beside string) (int, error) {
	names, err := waiting(filepath.Join(beside, waitingFolder))
	if errors.Is(err, os.ErrNotExist) {
		return 0, nil
	}
	return len(names), err
}
