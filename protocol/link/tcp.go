package link

import (
	"errors"
	"fmt"
	"net"
	"os"
	"sync"
	"time"
)

// tcpLine is a line over TCP. Any error but a read deadline ends it.
type tcpLine struct {
	net.Conn
	mu    sync.Mutex
	ended error // what the line died of, as Read and Write say it
}

// end closes the connection and notes why; the first reason stays.
func (t *tcpLine) end(why error) error {
	t.mu.Lock()
	defer t.mu.Unlock()
	if t.ended == nil {
		t.ended = why
		_ = t.Conn.Close() // nothing depends on how it goes
	}
	return t.ended
}

func (t *tcpLine) Read(p []byte) (int, error) {
	n, err := t.Conn.Read(p)
	if err != nil && !errors.Is(err, os.ErrDeadlineExceeded) {
		err = t.end(fmt.Errorf("%w: %w", ErrLost, err))
	}
	return n, err
}

func (t *tcpLine) Write(p []byte) (int, error) {
	err := t.Conn.SetWriteDeadline(time.Now().Add(writeWatchdog))
	n := 0
	if err == nil {
		n, err = t.Conn.Write(p)
	}
	if err != nil {
		err = t.end(fmt.Errorf("%w: %w", ErrLost, err))
	}
	return n, err
}

func (t *tcpLine) SetReadDeadline(at time.Time) error {
	if err := t.Conn.SetReadDeadline(at); err != nil {
		return t.end(fmt.Errorf("%w: %w", ErrLost, err))
	}
	return nil
}

// discard does nothing: a new connection has no past, and what a bridge sent
// since is told apart by sessions and request numbers.
func (t *tcpLine) discard() {}

func (t *tcpLine) close() error {
	t.end(ErrClosed)
	return nil
}
