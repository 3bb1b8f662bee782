package store

import (
	"fmt"
	"runtime/debug"
	"sync"
	"time"
)

// worker runs functions one after the other in a goroutine of its own, which
// owns what they use: nothing is locked while a disk is waited for.
type worker struct {
	jobs chan func()
	stop chan struct{}
	done chan struct{}
	once sync.Once
}

// Derived files wait for a pause: their syncs would stand in the way of those
// that an operator waits for, which on most file systems queue up behind one
// another.
const (
	quiet  = 20 * time.Millisecond  // without another wake
	behind = 500 * time.Millisecond // at most, however busy it is
)

// newWorker starts a worker. idle, if not nil, is called between jobs, some
// time after wake has been signalled.
func newWorker(wake <-chan struct{}, idle func()) *worker {
	w := &worker{jobs: make(chan func()), stop: make(chan struct{}), done: make(chan struct{})}
	go func() {
		defer close(w.done)
		// A damaged or cut file under a memory map faults; here, and only in
		// goroutines that ask for it, that is a panic that can be recovered.
		debug.SetPanicOnFault(true)
		timer := time.NewTimer(0)
		timer.Stop()
		defer timer.Stop()
		var since time.Time // of the first wake that idle has not followed
		for {
			select {
			case job := <-w.jobs:
				job()
			case <-wake:
				if since.IsZero() {
					since = time.Now()
				}
				timer.Reset(max(0, min(quiet, behind-time.Since(since))))
			case <-timer.C:
				since = time.Time{}
				idle()
			case <-w.stop:
				return
			}
		}
	}()
	return w
}

// do runs fn in the worker and returns its error; ErrClosed after close. A
// panic in fn is returned as an error: what fn used must then be given up.
func (w *worker) do(fn func() error) error {
	result := make(chan error, 1)
	select {
	case w.jobs <- func() { result <- guarded(fn) }:
		return <-result
	case <-w.done:
		return ErrClosed
	case <-w.stop:
		return ErrClosed
	}
}

// close ends the worker after the job it is at.
func (w *worker) close() {
	w.once.Do(func() { close(w.stop) })
	<-w.done
}

// panicError is a panic taken in as an error.
type panicError struct {
	what  any
	stack []byte
}

func (e panicError) Error() string { return fmt.Sprintf("internal error: %v", e.what) }

func guarded(fn func() error) (err error) {
	defer func() {
		if p := recover(); p != nil {
			err = panicError{p, debug.Stack()}
		}
	}()
	return fn()
}
