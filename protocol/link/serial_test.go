package link_test

import (
	"bytes"
	"errors"
	"io"
	"os"
	"sync"
	"syscall"
	"testing"
	"testing/synctest"
	"time"

	"example.org/panecal/protocol/link"
)

// fakePort behaves as the library does, on the virtual clock.
type fakePort struct {
	mu      sync.Mutex
	in      [][]byte // what Read gives, one after the other
	readErr error    // after in
	out     []byte
	write   func(p []byte) (int, error) // nil: takes everything
	flushed chan struct{}               // one for each Unblock
	closed  bool
	late    []string // what was called after Close
}

func newFakePort() *fakePort { return &fakePort{flushed: make(chan struct{}, 1000)} }

func (f *fakePort) called(what string) {
	if f.closed {
		f.late = append(f.late, what)
	}
}

func (f *fakePort) Read(p []byte) (int, error) {
	f.mu.Lock()
	f.called("read")
	if len(f.in) > 0 {
		defer f.mu.Unlock()
		n := copy(p, f.in[0])
		f.in = f.in[1:]
		return n, nil
	}
	err := f.readErr
	f.mu.Unlock()
	if err == nil {
		time.Sleep(20 * time.Millisecond) // a timeout is (0, nil)
	}
	return 0, err
}

func (f *fakePort) Write(p []byte) (int, error) {
	f.mu.Lock()
	f.called("write")
	write := f.write
	f.mu.Unlock()
	n, err := len(p), error(nil)
	if write != nil {
		n, err = write(p)
	}
	f.mu.Lock()
	defer f.mu.Unlock()
	f.out = append(f.out, p[:n]...)
	return n, err
}

func (f *fakePort) Unblock() {
	f.mu.Lock()
	f.called("unblock")
	f.mu.Unlock()
	f.flushed <- struct{}{}
}

func (f *fakePort) Close() error {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.called("close")
	f.closed = true
	return nil
}

func data(n int) []byte {
	p := make([]byte, n)
	for i := range p {
		p[i] = byte(i * 7)
	}
	return p
}

func TestShortAndInterruptedWritesLoseNothing(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		port := newFakePort()
		calls := 0
		port.write = func(p []byte) (int, error) {
			switch calls++; calls % 3 {
			case 0:
				return 0, syscall.EINTR
			case 1:
				return min(len(p), 7), nil // short, without a word
			}
			return len(p), nil
		}
		l := link.NewSerial(port, time.Second, "")
		want := data(5000)
		if n, err := l.Write(want); n != len(want) || err != nil {
			t.Errorf("%d bytes, %v", n, err)
		}
		if err := l.Close(); err != nil {
			t.Error(err)
		}
		if !bytes.Equal(port.out, want) || !port.closed {
			t.Errorf("%d of %d bytes left, closed %t", len(port.out), len(want), port.closed)
		}
	})
}

func TestWritesThatTakeNothingEnd(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		port := newFakePort()
		port.write = func([]byte) (int, error) { return 0, nil }
		l := link.NewSerial(port, time.Second, "")
		defer l.Close()
		if _, err := l.Write(data(10)); !errors.Is(err, link.ErrLost) {
			t.Errorf("got %v", err)
		}
	})
}

// TestStuckWrite: a port that takes no bytes. The write ends after the
// watchdog's second, the queue is emptied so that nothing leaves later, and
// the port is closed only when the library's write has come back.
func TestStuckWrite(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		port := newFakePort()
		returned := false
		port.write = func(p []byte) (int, error) {
			for range 3 { // it takes a few flushes
				<-port.flushed
			}
			port.mu.Lock()
			defer port.mu.Unlock()
			returned = !port.closed
			return len(p), nil
		}
		l := link.NewSerial(port, time.Second, "")
		began := time.Now()
		if _, err := l.Write(data(3000)); !errors.Is(err, link.ErrLost) {
			t.Errorf("got %v", err)
		}
		if d := time.Since(began); d != time.Second {
			t.Errorf("gave up after %v", d)
		}
		if err := l.Close(); err != nil {
			t.Error(err)
		}
		if !returned || len(port.out) > 256 || len(port.late) > 0 {
			t.Errorf("came back before the close: %t; %d bytes left; called after close: %v", returned, len(port.out), port.late)
		}
	})
}

// TestWriteThatNeverComesBack: then the port is never closed, so that its
// number cannot become another file's.
func TestWriteThatNeverComesBack(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		port := newFakePort()
		end := make(chan struct{})
		port.write = func(p []byte) (int, error) { <-end; return 0, nil }
		l := link.NewSerial(port, time.Second, "")
		if _, err := l.Write(data(10)); !errors.Is(err, link.ErrLost) {
			t.Errorf("got %v", err)
		}
		if err := l.Close(); err != nil || port.closed {
			t.Errorf("%v, closed %t", err, port.closed)
		}
		close(end)
	})
}

func TestNothingIsCalledAfterClose(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		port := newFakePort()
		port.in = [][]byte{[]byte("unread")}
		l := link.NewSerial(port, time.Second, "bye\r\n")
		var done sync.WaitGroup
		done.Go(func() {
			if _, err := io.ReadFull(l, make([]byte, 100)); !errors.Is(err, link.ErrClosed) {
				t.Errorf("waiting read: %v", err)
			}
		})
		synctest.Wait()
		for range 2 {
			if err := l.Close(); err != nil {
				t.Error(err)
			}
		}
		done.Wait()
		if _, err := l.Write([]byte("x")); !errors.Is(err, link.ErrClosed) || errors.Is(err, link.ErrLost) {
			t.Errorf("write: %v", err)
		}
		if _, err := l.Read(make([]byte, 1)); !errors.Is(err, link.ErrClosed) {
			t.Errorf("read: %v", err)
		}
		if err := l.SetReadDeadline(time.Now()); !errors.Is(err, link.ErrClosed) {
			t.Errorf("deadline: %v", err)
		}
		time.Sleep(time.Minute)
		if string(port.out) != "bye\r\n" || !port.closed || len(port.late) > 0 {
			t.Errorf("sent %q, closed %t, called after close: %v", port.out, port.closed, port.late)
		}
	})
}

func TestPulledLineIsNotOurClose(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		port := newFakePort()
		port.in = [][]byte{[]byte("last words")}
		port.readErr = errors.New("Port has been closed") // the same as for an own close
		l := link.NewSerial(port, time.Second, "bye")
		synctest.Wait()
		got := make([]byte, 100)
		if n, err := l.Read(got); err != nil || string(got[:n]) != "last words" {
			t.Errorf("%q, %v", got[:n], err)
		}
		if _, err := l.Read(got); !errors.Is(err, link.ErrLost) || errors.Is(err, link.ErrClosed) {
			t.Errorf("read: %v", err)
		}
		if _, err := l.Write(got); !errors.Is(err, link.ErrLost) {
			t.Errorf("write: %v", err)
		}
		if !port.closed {
			t.Error("a lost port is closed at once: its name may come back")
		}
		if err := l.Close(); err != nil || len(port.out) > 0 || len(port.late) > 0 {
			t.Errorf("%v; sent %q; called after close: %v", err, port.out, port.late)
		}
	})
}

func TestReadDeadline(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		port := newFakePort()
		l := link.NewSerial(port, time.Second, "")
		defer l.Close()
		began := time.Now()
		if err := l.SetReadDeadline(began.Add(70 * time.Millisecond)); err != nil {
			t.Fatal(err)
		}
		// The library's timeout would make ReadFull spin for ever.
		_, err := io.ReadFull(l, make([]byte, 10))
		if d := time.Since(began); !errors.Is(err, os.ErrDeadlineExceeded) || d != 70*time.Millisecond {
			t.Errorf("%v after %v", err, d)
		}
		if n, err := l.Read(nil); n != 0 || err != nil {
			t.Errorf("empty read: %d, %v", n, err)
		}
		port.mu.Lock()
		port.in = [][]byte{[]byte("abc")}
		port.mu.Unlock()
		// Moved while a read waits.
		_ = l.SetReadDeadline(time.Time{})
		time.AfterFunc(5*time.Millisecond, func() { _ = l.SetReadDeadline(time.Now().Add(time.Second)) })
		got := make([]byte, 3)
		if _, err := io.ReadFull(l, got); err != nil || string(got) != "abc" {
			t.Errorf("%q, %v", got, err)
		}
	})
}

func TestUnreadBytesAreBounded(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		port := newFakePort()
		for range 200 {
			port.in = append(port.in, data(4096))
		}
		port.in = append(port.in, []byte("newest"))
		l := link.NewSerial(port, time.Second, "")
		defer l.Close()
		synctest.Wait()
		time.Sleep(time.Second)
		_ = l.SetReadDeadline(time.Now())
		all := make([]byte, 1<<20)
		n, _ := l.Read(all)
		if n != 1<<18 || !bytes.HasSuffix(all[:n], []byte("newest")) {
			t.Errorf("%d bytes, ending in %q", n, all[max(0, n-6):n])
		}
	})
}
