package link

import (
	"errors"
	"fmt"
	"io"
	"os"
	"runtime"
	"runtime/debug"
	"sync"
	"syscall"
	"time"

	"go.bug.st/serial"
)

// device is what the owner uses of the library's port.
type device interface {
	Read([]byte) (int, error) // (0, nil) after pollEvery without a byte
	Write([]byte) (int, error)
	unblock() // lets a Write that is stuck end, and forgets its bytes
	Close() error
}

// libraryPort is the library's port and the mode it was opened with.
type libraryPort struct {
	serial.Port
	mode serial.Mode
}

// unblock empties the output queue. On Windows that ends a write; on Unix
// the writer does not notice until the mode is set, again to what it was.
// Errors tell nothing: the line is given up already.
func (p libraryPort) unblock() {
	_ = p.ResetOutputBuffer()
	if runtime.GOOS != "windows" { // there a failed SetMode would close the port
		_ = p.SetMode(&p.mode)
		_ = p.ResetOutputBuffer()
	}
}

const (
	pollEvery  = 20 * time.Millisecond // how soon the owner sees that it is to close
	writeChunk = 256                   // bytes that may still leave after a write was given up
	maxUnread  = 1 << 18               // bytes kept for a reader that does not come; the oldest go
	closeLimit = 2 * time.Second
)

// serialLine is a serial port behind its owner.
type serialLine struct {
	dev      device
	watchdog time.Duration
	panicked func(what any, stack []byte) // see Options; never nil

	closing chan struct{} // closed to make the owner end
	owner   chan struct{} // closed when the owner has ended and the port is closed
	writes  chan writeJob

	writing sync.Mutex // one Write at a time
	mu      sync.Mutex
	changed chan struct{} // closed and replaced at every change of what follows
	unread  []byte
	until   time.Time // read deadline
	ended   error     // ErrClosed or ErrLost with its reason
}

// writeJob is one Write on its way through the writer.
type writeJob struct {
	data     []byte
	progress chan int      // bytes that left, chunk by chunk
	done     chan error    // room for one
	giveUp   chan struct{} // closed: no further chunk
}

// openSerial opens a serial port. Modem lines are not touched: pseudo-
// terminals have none, and the library fails to open them if asked to.
func openSerial(path string, opt Options) (line, error) {
	if opt.Baud <= 0 {
		return nil, fmt.Errorf("a serial line needs a speed, not %d Bd", opt.Baud)
	}
	if err := roomForPort(); err != nil {
		return nil, err
	}
	mode := serial.Mode{BaudRate: opt.Baud, DataBits: 8, Parity: serial.NoParity, StopBits: serial.OneStopBit}
	port, err := serial.Open(path, &mode)
	if err != nil {
		var perr *serial.PortError
		if errors.As(err, &perr) && perr.Code() == serial.PortBusy {
			return nil, &HeldError{Address: path}
		}
		return nil, err
	}
	// Once, before anybody reads: setting it during a read is a data race.
	if err := errors.Join(port.SetReadTimeout(pollEvery), port.ResetInputBuffer()); err != nil {
		return nil, errors.Join(err, port.Close())
	}
	return newSerialLine(libraryPort{port, mode}, writeWatchdog, opt.Panicked), nil
}

func newSerialLine(dev device, watchdog time.Duration, panicked func(any, []byte)) *serialLine {
	if panicked == nil {
		panicked = func(any, []byte) {}
	}
	s := &serialLine{
		dev: dev, watchdog: watchdog, panicked: panicked,
		closing: make(chan struct{}), owner: make(chan struct{}),
		writes: make(chan writeJob), changed: make(chan struct{}),
	}
	go s.own()
	return s
}

// own reads until the line is lost or to be closed, then closes the port;
// it alone does either.
func (s *serialLine) own() {
	defer close(s.owner)
	stop, written := make(chan struct{}), make(chan struct{})
	go func() {
		defer close(written)
		s.guard(func() { s.write(stop) })
	}()
	s.guard(s.read)
	close(stop)
	for began := time.Now(); ; {
		select {
		case <-written:
			s.guard(func() { _ = s.dev.Close() }) // its error changes nothing for anybody
			return
		case <-time.After(pollEvery):
		}
		s.guard(s.dev.unblock) // a write is stuck, and its bytes must not leave after all
		if time.Since(began) > closeLimit {
			return // better an open descriptor than a write to somebody else's
		}
	}
}

// guard turns a panic, of the library above all, into a lost line: whoever
// reads or writes is told, the port is closed, and other nests go on.
func (s *serialLine) guard(do func()) {
	defer func() {
		if p := recover(); p != nil {
			s.panicked(p, debug.Stack())
			s.end(fmt.Errorf("%w: internal error: %v", ErrLost, p))
		}
	}()
	do()
}

func (s *serialLine) read() {
	buf := make([]byte, 4096) // never empty: the library takes an empty read for a hang-up
	for s.running() {
		n, err := s.dev.Read(buf)
		s.receive(buf[:n])
		if err != nil {
			s.end(fmt.Errorf("%w: %w", ErrLost, err))
		}
	}
}

func (s *serialLine) running() bool {
	select {
	case <-s.closing:
		return false
	default:
		return true
	}
}

// write carries out writes until stop.
func (s *serialLine) write(stop chan struct{}) {
	for {
		select {
		case <-stop:
			return
		case job := <-s.writes:
			job.done <- s.writeAll(job)
		}
	}
}

// writeAll writes chunk by chunk: the library writes less than it was given
// without an error when a signal or a hang-up comes between.
func (s *serialLine) writeAll(job writeJob) error {
	stalls := 0
	for data := job.data; len(data) > 0; {
		select {
		case <-job.giveUp:
			return io.ErrShortWrite
		case <-s.closing:
			return io.ErrShortWrite
		default:
		}
		n, err := s.dev.Write(data[:min(len(data), writeChunk)])
		if err != nil && !errors.Is(err, syscall.EINTR) {
			return err
		}
		if n <= 0 {
			if stalls++; stalls > 100 {
				return io.ErrNoProgress
			}
			continue
		}
		stalls = 0
		data = data[n:]
		select {
		case job.progress <- n:
		case <-job.giveUp:
		}
	}
	return nil
}

// Write returns when the system has taken all of p. A line that takes no
// byte for a second is lost.
func (s *serialLine) Write(p []byte) (int, error) {
	s.writing.Lock()
	defer s.writing.Unlock()
	job := writeJob{append([]byte(nil), p...), make(chan int), make(chan error, 1), make(chan struct{})}
	defer close(job.giveUp)
	select {
	case <-s.closing:
		return 0, s.reason()
	case s.writes <- job:
	}
	timer := time.NewTimer(s.watchdog)
	defer timer.Stop()
	left := 0
	for {
		select {
		case n := <-job.progress:
			left += n
			timer.Reset(s.watchdog)
		case err := <-job.done:
			if err != nil {
				err = s.end(fmt.Errorf("%w: writing: %w", ErrLost, err))
			}
			return left, err
		case <-timer.C:
			return left, s.end(fmt.Errorf("%w: it takes no bytes", ErrLost))
		case <-s.closing:
			return left, s.reason()
		}
	}
}

// end notes why the line ends and makes the owner end; the first reason
// stays and is returned.
func (s *serialLine) end(why error) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.ended == nil {
		s.ended = why
		close(s.closing)
		s.bump()
	}
	return s.ended
}

func (s *serialLine) reason() error {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.ended
}

// bump tells whoever waits that something changed; s.mu is held.
func (s *serialLine) bump() {
	close(s.changed)
	s.changed = make(chan struct{})
}

func (s *serialLine) receive(p []byte) {
	if len(p) == 0 {
		return
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	s.unread = append(s.unread, p...)
	if over := len(s.unread) - maxUnread; over > 0 {
		s.unread = append([]byte(nil), s.unread[over:]...) // packets are found again at the next 0x00
	}
	s.bump()
}

// Read returns what was received, also after the line was lost.
func (s *serialLine) Read(p []byte) (int, error) {
	for {
		s.mu.Lock()
		n := copy(p, s.unread)
		s.unread = s.unread[n:]
		ended, until, changed := s.ended, s.until, s.changed
		s.mu.Unlock()
		switch {
		case ended == ErrClosed:
			return 0, ended
		case n > 0 || len(p) == 0:
			return n, nil
		case ended != nil:
			return 0, ended
		}
		if until.IsZero() {
			<-changed
			continue
		}
		left := time.Until(until)
		if left <= 0 {
			return 0, os.ErrDeadlineExceeded
		}
		timer := time.NewTimer(left)
		select {
		case <-changed:
		case <-timer.C:
		}
		timer.Stop()
	}
}

// SetReadDeadline also wakes a Read that waits.
func (s *serialLine) SetReadDeadline(t time.Time) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.until = t
	s.bump()
	if s.ended == ErrClosed {
		return ErrClosed
	}
	return nil // a lost line may still hold bytes to be read
}

func (s *serialLine) discard() {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.unread = nil
}

// close returns when the owner has closed the port, or after closeLimit.
func (s *serialLine) close() error {
	s.mu.Lock()
	lost := s.ended != nil
	s.ended = ErrClosed
	if !lost {
		close(s.closing)
	}
	s.bump()
	s.mu.Unlock()
	select {
	case <-s.owner:
		return nil
	case <-time.After(closeLimit + time.Second):
		return fmt.Errorf("closing: %w: the port does not let go", ErrLost)
	}
}
