package firmware

import "sync"

// queue holds any number of lines, so that who puts one never waits.
type queue struct {
	mu     sync.Mutex
	lines  []string
	more   chan struct{} // holds one token while lines is not empty
	closed bool
}

func newQueue() *queue { return &queue{more: make(chan struct{}, 1)} }

func (q *queue) put(line string) {
	q.mu.Lock()
	defer q.mu.Unlock()
	q.lines = append(q.lines, line)
	q.signal()
}

func (q *queue) close() {
	q.mu.Lock()
	defer q.mu.Unlock()
	q.closed = true
	q.signal()
}

func (q *queue) signal() {
	select {
	case q.more <- struct{}{}:
	default:
	}
}

// take returns what has come, and false once nothing will come any more.
func (q *queue) take() ([]string, bool) {
	q.mu.Lock()
	defer q.mu.Unlock()
	lines := q.lines
	q.lines = nil
	return lines, !q.closed
}
