package link_test

import (
	"errors"
	"io"
	"net"
	"os"
	"testing"
	"time"

	"example.org/panecal/protocol/link"
)

// bridge listens on loopback and returns its address and the connection
// that comes.
func bridge(t *testing.T) (string, func() net.Conn) {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { l.Close() })
	conns := make(chan net.Conn, 1)
	go func() {
		if c, err := l.Accept(); err == nil {
			conns <- c
		}
	}()
	return "tcp:" + l.Addr().String(), func() net.Conn { c := <-conns; t.Cleanup(func() { c.Close() }); return c }
}

func TestTCP(t *testing.T) {
	address, accept := bridge(t)
	opt := link.Options{OpenText: "open\n", CloseText: "close\n", LockDir: t.TempDir()}
	l, err := link.Open(t.Context(), address, opt)
	if err != nil {
		t.Fatal(err)
	}
	far := accept()
	var held *link.HeldError
	if _, err := link.Open(t.Context(), address, opt); !errors.As(err, &held) {
		t.Errorf("second open: %v", err)
	}
	if err := l.SetReadDeadline(time.Now().Add(time.Millisecond)); err != nil {
		t.Fatal(err)
	}
	if _, err := l.Read(make([]byte, 1)); !errors.Is(err, os.ErrDeadlineExceeded) {
		t.Errorf("deadline: %v", err)
	}
	_ = l.SetReadDeadline(time.Time{})
	if _, err := far.Write([]byte("hello")); err != nil {
		t.Fatal(err)
	}
	got := make([]byte, 5)
	if _, err := io.ReadFull(l, got); err != nil || string(got) != "hello" {
		t.Errorf("%q, %v", got, err)
	}
	if err := l.Close(); err != nil {
		t.Fatal(err)
	}
	if all, err := io.ReadAll(far); err != nil || string(all) != "open\nclose\n" {
		t.Errorf("the bridge heard %q, %v", all, err)
	}
	if _, err := l.Write(got); !errors.Is(err, link.ErrClosed) {
		t.Errorf("write after close: %v", err)
	}
	if _, err := l.Read(got); !errors.Is(err, link.ErrClosed) {
		t.Errorf("read after close: %v", err)
	}
}

func TestTCPLost(t *testing.T) {
	address, accept := bridge(t)
	l, err := link.Open(t.Context(), address, link.Options{LockDir: t.TempDir()})
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	accept().Close()
	if _, err := l.Read(make([]byte, 1)); !errors.Is(err, link.ErrLost) || errors.Is(err, link.ErrClosed) {
		t.Errorf("read: %v", err)
	}
	if _, err := l.Write([]byte("x")); !errors.Is(err, link.ErrLost) {
		t.Errorf("write: %v", err)
	}
}

func TestTCPStaysOnLoopback(t *testing.T) {
	for _, address := range []string{"tcp:192.0.2.1:4000", "tcp:example.org:4000", "tcp:127.0.0.1"} {
		if _, err := link.Open(t.Context(), address, link.Options{LockDir: t.TempDir()}); err == nil {
			t.Errorf("%s was opened", address)
		}
	}
}
