package store

import (
	"runtime"
	"sync"
	"sync/atomic"
)

// inOrder has work done for 0 to n-1, some at a time, and gives the results to
// take in order, until one returns an error.
func inOrder[T any](n int, work func(int) (T, error), take func(T) error) error {
	type result struct {
		v   T
		err error
	}
	many := min(n, max(1, runtime.GOMAXPROCS(0)))
	// As many results wait as there are workers: what they hold is bounded.
	slots := make([]chan result, n)
	for i := range slots {
		slots[i] = make(chan result, 1)
	}
	free := make(chan struct{}, many+1)
	var next atomic.Int64
	var workers sync.WaitGroup
	ended := make(chan struct{})
	defer workers.Wait()
	defer close(ended)
	for range many {
		workers.Add(1)
		go func() {
			defer workers.Done()
			for {
				select {
				case free <- struct{}{}:
				case <-ended:
					return
				}
				i := int(next.Add(1)) - 1
				if i >= n {
					<-free
					return
				}
				var r result
				r.err = guarded(func() (err error) { r.v, err = work(i); return err })
				slots[i] <- r
			}
		}()
	}
	for i := range n {
		r := <-slots[i]
		<-free
		slots[i] = nil
		if r.err != nil {
			return r.err
		}
		if err := take(r.v); err != nil {
			return err
		}
	}
	return nil
}
