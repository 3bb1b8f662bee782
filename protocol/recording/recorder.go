package recording

import (
	"fmt"
	"io"
	"sync"
	"time"

	"example.org/panecal/protocol"
)

// Recorder is a port that writes down what goes through it.
type Recorder struct {
	protocol.Port
	now   func() time.Time
	begun time.Time

	mu  sync.Mutex
	out io.Writer
	err error // of the first write that failed; nothing is written after it
}

const heading = "panecal recording 1"

// Record returns a port that is port and writes a recording to out. now is
// nil for time.Now.
func Record(port protocol.Port, out io.Writer, now func() time.Time) *Recorder {
	if now == nil {
		now = time.Now
	}
	r := &Recorder{Port: port, now: now, begun: now(), out: out}
	r.line("%s %s\n", heading, r.begun.UTC().Format(time.RFC3339))
	return r
}

// Read reads from the port.
func (r *Recorder) Read(p []byte) (int, error) {
	n, err := r.Port.Read(p)
	r.chunk("<", p[:n])
	return n, err
}

// Write writes to the port.
func (r *Recorder) Write(p []byte) (int, error) {
	at := r.now() // before: the answer may be read while Write returns
	n, err := r.Port.Write(p)
	r.chunkAt(at, ">", p[:n])
	return n, err
}

// Sent writes down bytes that went to the unit past this port, as the text
// that opens protocol mode.
func (r *Recorder) Sent(b []byte) { r.chunk(">", b) }

// Err returns what kept the recording from being whole, nil if it is.
func (r *Recorder) Err() error {
	r.mu.Lock()
	defer r.mu.Unlock()
	return r.err
}

func (r *Recorder) chunk(mark string, b []byte) { r.chunkAt(r.now(), mark, b) }

func (r *Recorder) chunkAt(at time.Time, mark string, b []byte) {
	if len(b) > 0 {
		us := max(0, at.Sub(r.begun).Microseconds())
		r.line("%d.%03d %s % X\n", us/1000, us%1000, mark, b)
	}
}

func (r *Recorder) line(format string, args ...any) {
	r.mu.Lock()
	defer r.mu.Unlock()
	if r.err != nil {
		return
	}
	if _, err := fmt.Fprintf(r.out, format, args...); err != nil {
		r.err = fmt.Errorf("recording the line: %w", err)
	}
}
